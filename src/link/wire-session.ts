import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Clock } from '../base/clock.js';
import type { ErrorCode } from '../base/codes.js';
import { StallmarkError, throwIfAny, unreachable, type Problem } from '../base/error.js';
import { MessageReader } from './message-reader.js';
import type { Port } from './port.js';
import { LinesKeeper, OLDEST_LINES, type AgedLines } from './lines-keeper.js';
import { SampleQueue } from './sample-queue.js';
import { json, REPLY_DEADLINE, WireRequests, type Answer, type Order } from './wire-requests.js';
import { FrameDecoder, FrameEncoder, type Frame, type FrameKind } from './wire-frame.js';
import {
  readHello,
  readLines,
  readMessage,
  WIRE_PROTOCOL,
  type Hello,
  type WireEvent,
} from './wire-message.js';
import { decodeSamples, type SampleFrame } from './wire-samples.js';

/** ms for the first answer: a program has to start before it. */
const HELLO_DEADLINE = 2000;

/** Who is told what comes unasked. */
export interface SessionListener {
  /** Safety lines are kept by the session and told as well. */
  event(event: WireEvent, session: WireSession): void;
  /** Looks at a block before it is kept. @returns Whether it belongs to the take that is read. */
  samples(frame: SampleFrame, session: WireSession): boolean;
  /** Told the reply to a request that was given up: what was asked, and whether it was done. */
  late?(asked: string, isDone: boolean): void;
}

/**
 * A conversation with one adapter: one request at a time, each with a deadline; events and samples in
 * between. A late reply is dropped, never taken for that to another request. Anything that is not in
 * the language ends the session and closes the port, whereupon an adapter drops its torque by rule;
 * from then on every request is refused with what went wrong.
 */
export class WireSession {
  /** Blocks of the take that is read. */
  readonly samples = new SampleQueue();
  private readonly encoder = new FrameEncoder();
  private readonly decoder = new FrameDecoder((frame) => {
    this.hear(frame);
  });
  private readonly lines: LinesKeeper;
  private readonly requests: WireRequests;
  private found: StallmarkError | undefined;
  private closing: Promise<void> | undefined;
  private alarm: () => void = () => undefined;

  /** @param name - As the adapter is called in sentences, e.g. `The link "stand"`. */
  constructor(
    readonly name: string,
    private readonly port: Port,
    private readonly clock: Clock,
    private readonly listener: SessionListener,
  ) {
    this.lines = new LinesKeeper(clock);
    this.requests = new WireRequests(name, clock, (kind, payload) => this.send(kind, payload));
    port.listen({
      bytes: (chunk) => {
        this.push(chunk);
      },
      closed: (reason, code = 'link/closed') => {
        const how = code === 'link/closed' ? 'hung up' : 'was given up';
        const what = `${this.name} ${how}: ${reason}.`;
        const fix = 'See what it says, check its cable and its power, then open the bench again.';
        this.end({ code, what, fix });
      },
    });
  }

  /** Why nothing more can be asked. */
  get failure(): StallmarkError | undefined {
    return this.found;
  }

  /** Whether the other end learns at once that it was let go. */
  get tellsEnd(): boolean {
    return this.port.tellsEnd;
  }

  /** Resolves when a session that ended has let go of its port. */
  async gone(): Promise<void> {
    await this.closing;
  }

  /** Greets the adapter. @throws link/version, link/garbled, link/silent … */
  hello(): Promise<Hello> {
    const order = {
      ...{ do: 'hello', deadline: HELLO_DEADLINE },
      members: { protocol: [WIRE_PROTOCOL], runner: 'stallmark' },
    };
    return this.request(order, (from) => {
      const protocol = from.number('protocol');
      if (from.found.length === 0 && protocol !== WIRE_PROTOCOL) {
        const what = `${this.name} speaks version ${protocol} of the protocol; version ${WIRE_PROTOCOL} is spoken here.`;
        throw this.fail({ code: 'link/version', what, fix: 'Install an adapter of this version.' });
      }
      return readHello(from);
    });
  }

  /**
   * Asks for something and reads the reply.
   *
   * @param read - Reads the reply; when it finds anything wrong, the session ends.
   * @throws link/silent, link/refused, link/garbled, why the session ended, or bench/permit-void when
   * a stop overtook it.
   */
  async request<T>(order: Order, read: (from: MessageReader) => T): Promise<T> {
    const from = new MessageReader(await this.requests.ask(order));
    const value = read(from);
    throwIfAny(this.garbled(from.found));
    return value;
  }

  /** Whether the reply to a request of this kind, which was given up, may still come. */
  isOwed(asked: string): boolean {
    return this.requests.isOwed(asked);
  }

  /** Says something that has no reply. Never waits, never throws; what goes wrong ends the session. */
  post(members: Readonly<Record<string, unknown>>): void {
    if (this.found === undefined) void this.send('control', json(members));
  }

  /** Waits for the next block. @returns `undefined` when the take is over. @throws link/silent and others. */
  async nextSamples(): Promise<SampleFrame | undefined> {
    const until = this.clock.monotonic() + REPLY_DEADLINE;
    for (;;) {
      this.refuseGone();
      const next = this.samples.take();
      if (next !== undefined) return next === 'over' ? undefined : next;
      const left = until - this.clock.monotonic();
      if (left <= 0) break;
      const failed = new Promise<void>((resolve) => (this.alarm = resolve));
      await Promise.race([this.samples.changed(), failed, this.clock.wait(left).then(turn)]);
    }
    const what = `${this.name} sent no samples for ${REPLY_DEADLINE} ms.`;
    throw failure('link/silent', what, 'Check its cable and its power, then start anew.');
  }

  /** Safety lines with their age, s; all open when nobody told them within `OLDEST_LINES`. */
  async readLines(): Promise<AgedLines> {
    if (this.lines.age() > OLDEST_LINES) await nextTurn(); // what arrived while this program was held up
    return this.lines.read();
  }

  /** Asks for the safety lines, where no event told them yet. */
  async askLines(): Promise<void> {
    const asked = this.clock.monotonic();
    await this.request({ do: 'interlocks' }, (from) => {
      this.lines.tell(readLines(from), asked - 1000 * from.number('age_s', 0));
    });
  }

  /** Ends the session for what was found wrong. @returns The error, to be thrown. */
  fail(...problems: readonly [Problem, ...Problem[]]): StallmarkError {
    return this.end(...problems);
  }

  /** Lets go of the adapter. Never throws. */
  async close(): Promise<void> {
    const what = `${this.name} was closed by this program.`;
    this.end({ code: 'link/closed', what, fix: 'Open it again.' });
    await this.closing;
  }

  private async send(kind: FrameKind, payload: Uint8Array): Promise<void> {
    try {
      if (this.found === undefined) await this.port.write(this.encoder.next(kind, payload));
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      this.end(...error.problems);
    }
  }

  private push(chunk: Uint8Array): void {
    if (this.found !== undefined) return;
    this.decoder.push(chunk);
    const { fault } = this.decoder;
    if (fault === undefined) return;
    const fix = 'Look at the adapter and its line; nothing after this can be believed.';
    this.end({ code: fault.code, what: `${this.name} ${fault.what}.`, fix });
  }

  private hear({ kind, payload }: Frame): void {
    if (this.found !== undefined) return;
    switch (kind) {
      case 'control':
        this.hearMessage(payload);
        return;
      case 'samples':
        this.hearSamples(payload);
        return;
      case 'waveform':
        this.void(['sent a waveform, which only this program does']);
        return;
      default:
        unreachable(kind);
    }
  }

  private hearMessage(payload: Uint8Array): void {
    const message = readMessage(payload);
    switch (message.kind) {
      case 'garbled':
        this.void(message.found);
        return;
      case 'event':
        if (message.event.is === 'lines') {
          this.lines.tell(message.event.lines, this.clock.monotonic());
        }
        this.listener.event(message.event, this);
        return;
      case 'reply':
      case 'refusal':
        this.hearAnswer(message);
        return;
      default:
        unreachable(message);
    }
  }

  private hearAnswer(answer: Answer): void {
    const heard = this.requests.hear(answer);
    if (heard === 'unasked') {
      const { last } = this.requests;
      this.void([`answered request ${answer.re}; ${last} was asked last`]);
    } else if (heard !== undefined) {
      this.listener.late?.(heard.late, answer.kind === 'reply');
    }
  }

  private hearSamples(payload: Uint8Array): void {
    const frame = decodeSamples(payload);
    if (typeof frame === 'string') {
      this.void([frame]);
      return;
    }
    if (!this.listener.samples(frame, this) || this.samples.add(frame)) return;
    const what = `Block ${frame.block} of ${this.name} found no room: nobody read the ones before it.`;
    const fix = 'See what keeps this computer busy, then start anew.';
    this.end({ code: 'link/gap', what, fix });
  }

  private void(found: readonly string[]): void {
    const [first, ...rest] = this.garbled(found);
    if (first !== undefined) this.end(first, ...rest);
  }

  /** Ends the session when anything is wrong with a message. */
  private garbled(found: readonly string[]): readonly Problem[] {
    const fix = 'Correct the adapter: procedures/links/README.md tells its language.';
    const problems = found.map((what): Problem => ({
      code: 'link/garbled',
      what: `${this.name} ${what}.`,
      fix,
    }));
    const [first, ...rest] = problems;
    if (first !== undefined) this.end(first, ...rest);
    return problems;
  }

  /** Ends the session once; the first reason stays. */
  private end(...problems: readonly [Problem, ...Problem[]]): StallmarkError {
    if (this.found !== undefined) return this.found;
    const found = new StallmarkError(problems);
    this.found = found;
    this.lines.forget();
    this.closing = this.port.close();
    this.requests.end(found);
    this.alarm();
    return found;
  }

  private refuseGone(): void {
    if (this.found !== undefined) throw this.found;
  }
}

const turn = (): Promise<void> => nextTurn();

function failure(code: ErrorCode, what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}
