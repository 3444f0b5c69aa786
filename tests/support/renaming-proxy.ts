import { connect, createServer, type Socket } from 'node:net';

/** A line to an instrument on which another name can be put, as if somebody had exchanged it. */
export interface RenamingProxy {
  /** Host and port at which it is called. */
  readonly address: string;
  /** From now on this text of the instrument arrives as another. */
  readonly rename: (from: string, to: string) => void;
  /** Hangs up on both ends; new calls get through. */
  readonly cut: () => void;
  readonly end: () => Promise<void>;
}

/** Lays a line to an instrument at `host:port` of this computer. */
export async function renamingProxy(far: string): Promise<RenamingProxy> {
  const [host = '', port = ''] = far.split(':');
  const ends = new Set<Socket>();
  let [from, to] = ['', ''];
  const renamed = (bytes: Buffer): Buffer =>
    from === '' ? bytes : Buffer.from(bytes.toString('latin1').replaceAll(from, to), 'latin1');
  const line = createServer((near) => {
    const instrument = connect(Number(port), host);
    near.on('data', (bytes) => instrument.write(bytes));
    instrument.on('data', (bytes) => near.write(renamed(bytes)));
    for (const [one, other] of [
      [near, instrument],
      [instrument, near],
    ] as const) {
      ends.add(one);
      one.setNoDelay(true);
      one.on('error', () => undefined); // the other end is closed by what follows
      one.on('close', () => {
        ends.delete(one);
        other.destroy();
      });
    }
  });
  await new Promise<void>((resolve) => line.listen(0, '127.0.0.1', resolve));
  const at = line.address();
  if (at === null || typeof at === 'string') throw new Error('the line has no port');
  const cut = (): void => {
    for (const end of ends) end.destroy();
  };
  return {
    address: `127.0.0.1:${String(at.port)}`,
    rename: (one, other) => {
      [from, to] = [one, other];
    },
    cut,
    end: async () => {
      cut();
      await new Promise((resolve) => line.close(resolve));
    },
  };
}
