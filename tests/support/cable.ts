import { connect, createServer, type Socket } from 'node:net';

/** Another address of this computer, on which no server of ours listens. */
const NEAR = '127.0.0.2';

/** What a browser must be started with, so that `localhost` leads through the cable. */
export const THROUGH_CABLE = `--host-resolver-rules=MAP localhost ${NEAR}`;

/** A line between a browser and a server on this computer that a test can break and mend. */
export interface Cable {
  /** From now on nothing arrives at either end, and neither end is told. */
  readonly pull: () => void;
  /** New connections get through again; old ones are gone. */
  readonly mend: () => void;
  readonly remove: () => Promise<void>;
}

/** Lays a cable to a port of this computer. */
export async function layCable(port: number): Promise<Cable> {
  const ends = new Set<Socket>();
  let isPulled = false;
  const line = createServer((near) => {
    const far = connect(port, '127.0.0.1');
    join(near, far, ends);
    if (isPulled) for (const end of [near, far]) end.pause();
  });
  await new Promise<void>((resolve) => line.listen(port, NEAR, resolve));
  const drop = (): void => {
    for (const end of ends) end.destroy();
  };
  return {
    pull: () => {
      isPulled = true;
      for (const end of ends) end.pause();
    },
    mend: () => {
      isPulled = false;
      drop();
    },
    remove: async () => {
      drop();
      await new Promise((resolve) => line.close(resolve));
    },
  };
}

function join(near: Socket, far: Socket, ends: Set<Socket>): void {
  for (const [one, other] of [
    [near, far],
    [far, near],
  ] as const) {
    ends.add(one);
    one.on('data', (bytes) => other.write(bytes));
    one.on('end', () => other.end());
    one.on('error', () => undefined); // the other end is closed by what follows
    one.on('close', () => {
      ends.delete(one);
      other.destroy();
    });
  }
}
