import { connect } from 'node:net';
import { StallmarkError } from '../../src/base/error.js';
import type { Port, PortListener } from '../../src/link/port.js';

/** A port over a real TCP socket on this computer, as plain as it can be. */
export function tcpPort(port: number): Promise<Port> {
  return new Promise((resolve, reject) => {
    const socket = connect(port, '127.0.0.1');
    const early: Uint8Array[] = [];
    let listener: PortListener | undefined;
    let gone: string | undefined;
    const refused = (code: 'link/closed' | 'link/unreachable', what: string): StallmarkError =>
      new StallmarkError([{ code, what, fix: 'Call again.' }]);
    socket.on('error', (error) => {
      reject(refused('link/unreachable', error.message));
    });
    socket.on('data', (chunk) => {
      if (listener === undefined) early.push(chunk);
      else listener.bytes(chunk);
    });
    socket.on('close', () => {
      gone ??= 'the other end closed the connection.';
      listener?.closed(gone);
    });
    socket.on('connect', () => {
      socket.setNoDelay(true);
      resolve({
        name: `tcp 127.0.0.1:${port}`,
        tellsEnd: true,
        write: (bytes) =>
          new Promise((done, fail) => {
            if (gone !== undefined) {
              fail(refused('link/closed', gone));
              return;
            }
            socket.write(bytes, (error) => {
              if (error === undefined || error === null) done();
              else fail(refused('link/closed', error.message));
            });
          }),
        listen: (to) => {
          listener = to;
          for (const chunk of early.splice(0)) to.bytes(chunk);
          if (gone !== undefined) to.closed(gone);
        },
        close: () => {
          gone ??= 'closed here.';
          socket.destroy();
          return Promise.resolve();
        },
      });
    });
  });
}
