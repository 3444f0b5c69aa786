import { createServer, type Server, type Socket } from 'node:net';
import { type Clock, systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { Port, PortListener } from '../link/port.js';
import type { ModbusDescription } from '../procedure/links.js';
import type { EmulatedStand } from './stand.js';

/** ms from one count of the heartbeat to the next. */
const HEARTBEAT_PERIOD = 20;
/** Bytes of the header before the unit, and of the longest frame. */
const HEADER = 6;
const LONGEST_FRAME = 260;
/** Peers that are answered at a time. */
const MOST_PEERS = 8;
/** Bytes that a peer may leave untaken before it is hung up on. */
const MOST_UNTAKEN = 4096;

/** Exception codes. Source: Modbus Application Protocol V1.1b3, 7 (from memory). */
const EXCEPTION = { function: 1, address: 2, value: 3, target: 11 } as const;

type Lines = Pick<EmulatedStand, 'lines'>;

/**
 * Listens as the safety controller of a stand, by Modbus TCP. The server of the library would not do: it
 * cannot take a free port and bounds no buffer.
 *
 * @param place - Port 0 takes a free one.
 * @returns Where it listens, as `127.0.0.1:40123`, and what ends it and every connection.
 * @throws link/unreachable when the address cannot be taken.
 */
export async function serveModbus(
  place: ModbusDescription['place'],
  description: ModbusDescription,
  stand: Lines,
  clock: Clock = systemClock,
): Promise<{ readonly address: string; close(): Promise<void> }> {
  const peers = new Set<Socket>();
  const server = createServer({ noDelay: true }, (socket) => {
    peers.add(socket);
    socket.on('close', () => peers.delete(socket));
    answerModbus(new SocketPort(socket), description, stand, clock);
  });
  server.maxConnections = MOST_PEERS;
  const port = await listening(server, place);
  return {
    address: `${place.host}:${port}`,
    close: () =>
      new Promise((resolve) => {
        server.close(() => {
          resolve();
        });
        for (const peer of peers) peer.destroy();
      }),
  };
}

/**
 * Answers on a port as the safety controller of a stand: function 2 for the discrete inputs of the
 * lines, function 4 for the heartbeat, which counts up every 20 ms. Of a contradictory line both inputs
 * are on. What is no frame of the protocol closes the port.
 *
 * Source: Modbus Application Protocol V1.1b3, 6.2, 6.4, 7; Messaging on TCP/IP V1.0b, 3.1 (from memory).
 * Check: tests/checks/modbus.check.ts.
 */
export function answerModbus(
  port: Port,
  description: ModbusDescription,
  stand: Lines,
  clock: Clock = systemClock,
): void {
  const frame = Buffer.alloc(LONGEST_FRAME);
  let filled = 0;
  const take = (chunk: Uint8Array): void => {
    // Each turn takes a byte, so the number of turns is that of the bytes.
    for (const byte of chunk) {
      frame[filled] = byte;
      filled += 1;
      if (filled < HEADER) continue;
      const length = frame.readUInt16BE(4);
      if (frame.readUInt16BE(2) !== 0 || length < 2 || HEADER + length > LONGEST_FRAME) {
        void port.close();
        return;
      }
      if (filled < HEADER + length) continue;
      const reply = replyTo(frame.subarray(0, filled), description, stand, clock);
      filled = 0;
      // A peer that is gone or takes nothing gets no more; it calls again when it wants to.
      port.write(reply).catch(() => port.close());
    }
  };
  port.listen({ bytes: take, closed: () => undefined });
}

function replyTo(
  request: Buffer,
  description: ModbusDescription,
  stand: Lines,
  clock: Clock,
): Buffer {
  const code = request[7] ?? 0;
  const answer =
    request[6] === description.unit ? pduOf(request, description, stand, clock) : EXCEPTION.target;
  const pdu = typeof answer === 'number' ? [code | 0x80, answer] : [code, answer.length, ...answer];
  const reply = Buffer.alloc(HEADER + 1 + pdu.length);
  request.copy(reply, 0, 0, HEADER + 1);
  reply.writeUInt16BE(1 + pdu.length, 4);
  reply.set(pdu, HEADER + 1);
  return reply;
}

/** Values asked for, byte by byte, or the exception. */
function pduOf(
  request: Buffer,
  description: ModbusDescription,
  stand: Lines,
  clock: Clock,
): readonly number[] | number {
  const code = request[7];
  if (code !== 2 && code !== 4) return EXCEPTION.function;
  if (request.length !== 12) return EXCEPTION.value;
  const from = request.readUInt16BE(8);
  const count = request.readUInt16BE(10);
  if (count < 1 || count > (code === 2 ? 2000 : 125)) return EXCEPTION.value;
  if (code === 4) {
    if (from !== description.heartbeat || count !== 1) return EXCEPTION.address;
    const beat = Math.floor(clock.monotonic() / HEARTBEAT_PERIOD) % 0x1_0000;
    return [beat >> 8, beat & 0xff];
  }
  const inputs = inputsOf(description, stand);
  const bytes = new Array<number>(Math.ceil(count / 8)).fill(0);
  for (let i = 0; i < count; i += 1) {
    const isOn = inputs.get(from + i);
    if (isOn === undefined) return EXCEPTION.address;
    if (isOn) bytes[i >> 3] = (bytes[i >> 3] ?? 0) | (1 << (i & 7));
  }
  return bytes;
}

/** Discrete inputs by address. */
function inputsOf({ lines }: ModbusDescription, stand: Lines): ReadonlyMap<number, boolean> {
  const now = stand.lines();
  const inputs = new Map<number, boolean>();
  const put = (pair: readonly [number, number] | undefined, state: string, safe: string): void => {
    if (pair === undefined) return;
    inputs.set(pair[1], state !== safe);
    inputs.set(pair[0], state === safe || state === 'contradictory');
  };
  put(lines.guard, now.guard, 'closed');
  put(lines.emergencyStop, now.emergencyStop, 'released');
  put(lines.presence, now.presence, 'held');
  put(lines.coupling, now.coupling ?? 'seated', 'seated');
  return inputs;
}

function listening(server: Server, place: ModbusDescription['place']): Promise<number> {
  const address = `${place.host}:${place.port}`;
  return new Promise((resolve, reject) => {
    server.once('error', ({ message }) => {
      const what = `The address ${address} cannot be listened at: ${message}.`;
      const fix = 'End what listens there, or give another address.';
      reject(new StallmarkError([{ code: 'link/unreachable', what, fix }]));
    });
    server.listen(place.port, place.host, () => {
      const found = server.address();
      resolve(typeof found === 'object' && found !== null ? found.port : place.port);
    });
  });
}

/** An accepted connection as a port. */
class SocketPort implements Port {
  readonly name: string;
  readonly tellsEnd = true;

  constructor(private readonly socket: Socket) {
    this.name = `tcp ${socket.remoteAddress ?? 'gone'}:${socket.remotePort ?? 0}`;
  }

  write(bytes: Uint8Array): Promise<void> {
    this.socket.write(bytes);
    if (this.socket.writableLength > MOST_UNTAKEN) this.socket.destroy();
    return Promise.resolve();
  }

  listen(listener: PortListener): void {
    this.socket.on('data', (chunk: Buffer) => {
      listener.bytes(chunk);
    });
    let reason = 'the peer hung up';
    this.socket.on('error', ({ message }) => {
      reason = message;
    });
    this.socket.on('close', () => {
      listener.closed(reason);
    });
  }

  close(): Promise<void> {
    this.socket.destroy();
    return Promise.resolve();
  }
}
