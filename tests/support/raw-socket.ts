import { connect, type Socket } from 'node:net';

/** A connection of tests that sends bytes as they are. */
export interface RawSocket {
  /** Sends and waits for so many bytes, or fewer when the peer hangs up first. */
  exchange(bytes: Uint8Array, count: number): Promise<Buffer>;
  close(): void;
}

/** Calls a port of this computer. */
export async function rawSocket(port: number): Promise<RawSocket> {
  const socket = connect({ host: '127.0.0.1', port, noDelay: true });
  await new Promise((resolve, reject) => {
    socket.once('connect', resolve);
    socket.once('error', reject);
  });
  socket.on('error', () => undefined); // a peer that resets is told by the bytes that do not come
  return {
    exchange: (bytes, count) => exchange(socket, bytes, count),
    close: () => socket.destroy(),
  };
}

function exchange(socket: Socket, bytes: Uint8Array, count: number): Promise<Buffer> {
  return new Promise((resolve) => {
    const chunks: Buffer[] = [];
    const done = (): void => {
      socket.off('data', take);
      socket.off('close', done);
      resolve(Buffer.concat(chunks));
    };
    const take = (chunk: Buffer): void => {
      chunks.push(chunk);
      if (chunks.reduce((sum, { length }) => sum + length, 0) >= count) done();
    };
    socket.on('data', take);
    socket.on('close', done);
    socket.write(bytes, () => {
      if (count === 0) done();
    });
  });
}
