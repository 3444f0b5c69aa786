import { createServer, type Server, type Socket } from 'node:net';
import { type Clock, systemClock } from '../base/clock.js';
import { problem } from '../bench/refusal.js';
import { DevicePort } from './device-port.js';
import type { PausingPort } from './nastiness.js';

/** Where a server listens. */
export interface ListenPlace {
  readonly host: string;
  /** 0 takes a free one. */
  readonly port: number;
}

export interface Listening {
  /** E.g. `127.0.0.1:40123`. */
  readonly address: string;
  /** Ends it and every connection. */
  close(): Promise<void>;
}

/**
 * Listens by TCP and hands out a port for each peer that calls. A peer too many is hung up on.
 *
 * @param options - Peers at a time, one by default.
 * @throws link/unreachable when the address cannot be taken.
 */
export async function listenTcp(
  place: ListenPlace,
  called: (port: PausingPort) => void,
  { most = 1, clock = systemClock }: { readonly most?: number; readonly clock?: Clock } = {},
): Promise<Listening> {
  const peers = new Set<PausingPort>();
  let isOver = false;
  const server = createServer({ noDelay: true, allowHalfOpen: true }, (socket) => {
    socket.on('error', ignored); // it closes as well
    // The end of the peer before may have arrived together with this call: it is heard of first.
    setImmediate(() => {
      if (isOver || peers.size >= most || socket.destroyed) {
        socket.destroy();
        return;
      }
      const port = socketPort(socket, clock, () => peers.delete(port));
      peers.add(port);
      called(port);
    });
  });
  const port = await bound(server, place);
  return {
    address: `${place.host}:${port}`,
    close: async () => {
      isOver = true;
      const ended = new Promise<void>((resolve) => {
        server.close(() => {
          resolve();
        });
      });
      await Promise.all([...peers].map((peer) => peer.close()));
      await ended;
    },
  };
}

const ignored = (): void => undefined;

function bound(server: Server, { host, port }: ListenPlace): Promise<number> {
  return new Promise((resolve, reject) => {
    server.once('error', ({ message }) => {
      const what = `The address ${host}:${port} cannot be listened at: ${message}.`;
      reject(problem('link/unreachable', what, 'End what listens there, or give another address.'));
    });
    server.listen(port, host, () => {
      const found = server.address();
      resolve(typeof found === 'object' && found !== null ? found.port : port);
    });
  });
}

/** Makes a port of a socket. @param gone - Told when the connection is over. */
export function socketPort(socket: Socket, clock: Clock, gone = ignored): DevicePort {
  const name = `tcp ${socket.remoteAddress ?? 'gone'}:${socket.remotePort ?? 0}`;
  const release = (): void => {
    gone();
    if (socket.writableLength > 0) socket.destroy();
    else socket.destroySoon();
  };
  return new DevicePort({ name, input: socket, output: socket, release }, clock);
}
