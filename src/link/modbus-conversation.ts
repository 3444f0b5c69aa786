import { connect, type Socket } from 'node:net';
import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Clock } from '../base/clock.js';
import type { ErrorCode } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import type { ModbusDescription } from '../procedure/links.js';
import { OPEN_DEADLINE } from './port.js';

/** Discrete inputs that one request of function 2 may ask for. */
export const MOST_INPUTS = 2000;
/** ms until a request without its whole reply is given up, and the connection with it. */
const REPLY_DEADLINE = 150;
/** Bytes of the longest reply: 6 of the header, the unit, 253 of the protocol data unit. */
const LONGEST_FRAME = 260;

/** Says where a controller is, e.g. `tcp 192.168.4.30:502 unit 1`. */
export function modbusPlace({ place, unit }: ModbusDescription): string {
  return `tcp ${place.host}:${place.port} unit ${unit}`;
}

function problem(code: ErrorCode, what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}

/** What is used of the client of the library. */
interface Client {
  readDiscreteInputs(from: number, count: number): Promise<{ readonly data: readonly boolean[] }>;
  readInputRegisters(from: number, count: number): Promise<{ readonly data: readonly number[] }>;
}

/**
 * Calls a controller. The library is loaded here, so that other benches do not.
 *
 * @throws link/unreachable
 */
export async function converse(
  description: ModbusDescription,
  clock: Clock,
): Promise<ModbusConversation> {
  const { default: library } = await import('modbus-serial');
  const socket = await called(description, clock);
  const conversation = new ModbusConversation(
    modbusPlace(description),
    description.unit,
    socket,
    clock,
  );
  const client = new library.default();
  client.setID(description.unit);
  client.on('error', (error) => {
    conversation.end('link/closed', String(error));
  });
  try {
    await client.linkTCP(socket, { port: description.place.port });
    conversation.client = client;
  } catch (error) {
    conversation.end('link/closed', String(error)); // told by whatever is asked
  }
  return conversation;
}

async function called(description: ModbusDescription, clock: Clock): Promise<Socket> {
  const { host, port } = description.place;
  const refused = (how: string) =>
    problem(
      'link/unreachable',
      `${modbusPlace(description)} cannot be called: ${how}.`,
      'See that the safety controller has power and that its address is right.',
    );
  const socket = connect({ host, port, noDelay: true });
  try {
    await new Promise<void>((resolve, reject) => {
      socket.once('connect', resolve);
      socket.on('error', (error) => {
        reject(refused(error.message));
      });
      void clock.wait(OPEN_DEADLINE).then(() => {
        reject(refused(`no answer within ${OPEN_DEADLINE} ms`));
      });
    });
  } catch (error) {
    socket.destroy();
    throw error;
  }
  return socket;
}

/** A request under way and what its reply must be. */
interface Pending {
  readonly transaction: number;
  readonly function: number;
  /** Bytes of values in the reply. */
  readonly values: number;
  reject(error: StallmarkError): void;
}

/**
 * One connection with one request at a time. Sees every byte before the library does and hangs up on
 * what is not the reply asked for: the library would wait for a better one.
 */
export class ModbusConversation {
  client: Client | undefined;
  /** Told once when the connection is over, also between two requests. */
  onEnd: (why: StallmarkError) => void = () => undefined;
  private readonly frame = Buffer.alloc(LONGEST_FRAME);
  private received = 0;
  private sent = 0;
  private pending: Pending | undefined;
  private ended: StallmarkError | undefined;

  constructor(
    private readonly place: string,
    private readonly unit: number,
    private readonly socket: Socket,
    private readonly clock: Clock,
  ) {
    socket.on('data', (chunk: Buffer) => {
      this.check(chunk);
    });
    socket.on('error', (error) => {
      this.end('link/closed', `broke off: ${error.message}`);
    });
    socket.on('close', () => {
      this.end('link/closed', 'hung up');
    });
  }

  /** @throws link/silent, link/garbled, link/refused, link/closed */
  async discreteInputs(from: number, count: number): Promise<readonly boolean[]> {
    const reply = await this.ask(2, Math.ceil(count / 8), (c) => c.readDiscreteInputs(from, count));
    return reply.data.slice(0, count);
  }

  /** @throws link/silent, link/garbled, link/refused, link/closed */
  async inputRegister(address: number): Promise<number | undefined> {
    const reply = await this.ask(4, 2, (client) => client.readInputRegisters(address, 1));
    return reply.data[0];
  }

  hangUp(): void {
    this.end('link/closed', 'was hung up on');
  }

  /** Gives up the connection, and the request under way with it. */
  end(code: 'link/silent' | 'link/garbled' | 'link/closed', what: string): void {
    if (this.ended !== undefined) return;
    this.ended = problem(
      code,
      `${this.place} ${what}.`,
      'Check the link to the safety controller.',
    );
    this.pending?.reject(this.ended);
    this.socket.destroy();
    this.onEnd(this.ended);
  }

  private async ask<T>(
    code: number,
    values: number,
    request: (client: Client) => Promise<T>,
  ): Promise<T> {
    if (this.ended !== undefined) throw this.ended;
    const { client } = this;
    if (client === undefined) throw new Error('asked before the library was there');
    this.sent += 1;
    this.received = 0;
    try {
      return await new Promise<T>((resolve, reject) => {
        // The library counts transactions of a connection from 1, modulo 256.
        const pending = { transaction: this.sent % 256, function: code, values, reject };
        this.pending = pending;
        // What arrived while this program was held up is no late reply.
        const late = this.clock.wait(REPLY_DEADLINE).then(() => nextTurn());
        void late.then(() => {
          if (this.pending !== pending) return;
          const known = `gave ${this.received} bytes of a reply to function ${code} within ${REPLY_DEADLINE} ms`;
          this.end('link/silent', known);
        });
        request(client).then(resolve, (error: unknown) => {
          const what = `${this.place} refused function ${code}: ${String(error)}.`;
          const fix = 'Write unit and addresses as the safety controller has them.';
          reject(problem('link/refused', what, fix));
        });
      });
    } finally {
      this.pending = undefined;
    }
  }

  private check(chunk: Buffer): void {
    if (this.ended !== undefined) return;
    const { pending, frame } = this;
    if (pending === undefined) {
      this.end('link/garbled', `sent ${chunk.length} bytes that nobody asked for`);
      return;
    }
    this.received += chunk.copy(frame, this.received);
    const isException = this.received > 7 && frame[7] === (pending.function | 0x80);
    const values = isException ? [] : [pending.values];
    const code = isException ? pending.function | 0x80 : pending.function;
    const length = isException ? 3 : 3 + pending.values;
    const expected = [0, pending.transaction, 0, 0, 0, length, this.unit, code, ...values];
    const odd = expected.findIndex((byte, i) => i < this.received && frame[i] !== byte);
    // The length is judged when the function is there: an exception is shorter.
    const isEarly = odd === 5 && this.received <= 7 && frame[5] === 3;
    if (odd >= 0 && !isEarly) {
      this.end(
        'link/garbled',
        `answered with ${frame[odd]} in place of ${expected[odd]} ${BYTES[odd]}`,
      );
    } else if (this.received > 6 + length || chunk.length > LONGEST_FRAME) {
      this.end('link/garbled', `answered with more than the ${6 + length} bytes asked for`);
    }
  }
}

/** What the bytes of a reply hold, for the sentence. */
const BYTES = [
  'in the transaction number',
  'in the transaction number',
  'in the protocol number',
  'in the protocol number',
  'in the length',
  'bytes of length',
  'as unit',
  'as function',
  'bytes of values',
] as const;
