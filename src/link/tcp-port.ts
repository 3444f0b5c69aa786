import { connect, type Socket } from 'node:net';
import { systemClock, type Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { OPEN_DEADLINE, type Port } from './port.js';
import { StreamPort } from './stream-port.js';

/** ms without traffic after which the system asks whether the other end is still there. */
const KEEP_ALIVE = 1000;
/** ms that bytes on their way get before the socket is let go. */
const LINGER = 250;

/**
 * Calls a device over TCP. Bytes go out at once; an other end that vanished without a word is noticed
 * by the deadlines of whoever asks it something.
 *
 * @throws link/unreachable
 */
export async function openTcpPort(
  host: string,
  port: number,
  clock: Clock = systemClock,
): Promise<Port> {
  const name = `tcp ${host}:${port}`;
  const socket = await called(name, host, port, clock);
  socket.setKeepAlive(true, KEEP_ALIVE);
  return new StreamPort(
    {
      ...{ name, tellsEnd: true, input: socket, output: socket },
      release: async () => {
        // Not `once` of node:events: an error of its last bytes would break the waiting.
        const gone = new Promise<void>((resolve) => {
          socket.once('close', () => {
            resolve();
          });
          if (socket.destroyed) resolve();
        });
        socket.destroySoon();
        await Promise.race([gone, clock.wait(LINGER)]);
        socket.destroy();
      },
    },
    clock,
  );
}

async function called(name: string, host: string, port: number, clock: Clock): Promise<Socket> {
  const socket = connect({ host, port, noDelay: true });
  try {
    await new Promise<void>((resolve, reject) => {
      socket.once('connect', resolve);
      socket.once('error', (error: NodeJS.ErrnoException) => {
        reject(refusal(name, host, error));
      });
      void clock.wait(OPEN_DEADLINE).then(() => {
        const what = `${name} did not answer the call within ${OPEN_DEADLINE} ms.`;
        reject(unreachable(what, 'Check the address, the cable and the power of the device.'));
      });
    });
  } catch (error) {
    socket.on('error', () => undefined); // already told
    socket.destroy();
    throw error;
  }
  socket.removeAllListeners('error');
  return socket;
}

function refusal(name: string, host: string, error: NodeJS.ErrnoException): StallmarkError {
  switch (error.code ?? '') {
    case 'ECONNREFUSED':
      return unreachable(
        `${name} refused the call: nobody listens there.`,
        'Start the device or its server, and check the port.',
      );
    case 'ENOTFOUND':
    case 'EAI_AGAIN':
      return unreachable(`The name ${host} is not known in this network.`, 'Check the host.');
    case 'EHOSTUNREACH':
    case 'ENETUNREACH':
      return unreachable(
        `No way leads to ${name}.`,
        'Check the cable and the network settings of this computer.',
      );
    case 'EACCES':
    case 'EPERM':
      return unreachable(
        `This computer does not let ${name} be called.`,
        'Have the firewall let it through.',
      );
    default:
      return unreachable(
        `${name} cannot be called: ${error.message}.`,
        'Check the address and the device.',
      );
  }
}

function unreachable(what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code: 'link/unreachable', what, fix }]);
}
