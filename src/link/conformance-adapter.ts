import { type ChildProcessWithoutNullStreams, spawn } from 'node:child_process';
import { systemClock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import {
  type AdapterBlock,
  FRAME_KINDS,
  FrameCutter,
  readBlock,
  writeFrame,
} from './conformance-frame.js';

/** Members of a control message. */
export type Message = Readonly<Record<string, unknown>>;

/** An event with the instant at which it came, ms of this computer. */
export interface AdapterEvent {
  readonly at: number;
  readonly message: Message;
}

/** How an adapter ended, and when, ms of this computer. */
export interface AdapterExit {
  readonly status: number | null;
  readonly at: number;
}

/** ms until a request that nobody answers is given up. */
const REQUEST_DEADLINE = 1000;
/** ms until an adapter must have ended by itself. */
export const EXIT_DEADLINE = 500;
/** ms for which what an adapter wrote last is waited for after its end. */
const LAST_WORDS = 200;
const MOST_EVENTS = 20_000;
const MOST_BLOCKS = 20_000;
/** Characters of standard error that are kept. */
const MOST_TEXT = 2000;

/**
 * One run of an adapter, as the conformance suite talks to it. Time is that of this computer: what is
 * measured is a process, which no clock of ours can move by hand.
 */
export class AdapterProcess {
  readonly events: AdapterEvent[] = [];
  readonly blocks: AdapterBlock[] = [];
  /** ms of this computer at which each block came. */
  readonly blocksAt: number[] = [];
  exit: AdapterExit | undefined;
  private readonly replies = new Map<number, Message>();
  private readonly waiting = new Set<() => void>();
  private readonly cutter = new FrameCutter();
  private readonly child: ChildProcessWithoutNullStreams;
  private sequence = 0;
  private id = 0;
  private broken: Error | undefined;
  private text = '';

  constructor(command: NonEmpty<string>) {
    const [program, ...args] = command;
    // A group of its own: Ctrl-C reaches this program alone, which then has power taken off in order.
    this.child = spawn(program, args, { stdio: ['pipe', 'pipe', 'pipe'], detached: true });
    this.child.stdout.on('data', (chunk: Buffer) => {
      this.arrived(chunk);
    });
    this.child.stderr.on('data', (chunk: Buffer) => {
      this.text = `${this.text}${chunk.toString()}`.slice(-MOST_TEXT);
    });
    // An adapter that ended takes nothing; that it ended is told by `exit`.
    this.child.stdin.on('error', () => undefined);
    this.child.on('error', (error) => {
      const what = `"${program}" cannot be started: ${error.message}.`;
      const fix = 'Write the command as the shell would find it.';
      this.broken = new StallmarkError([{ code: 'link/unreachable', what, fix }]);
      this.ended(null, this.now());
    });
    // What it wrote last may still be on its way: the end counts when that was read, or soon after.
    this.child.on('exit', (status) => {
      const at = this.now();
      this.child.once('close', () => {
        this.ended(status, at);
      });
      setTimeout(() => {
        this.ended(status, at);
      }, LAST_WORDS).unref();
    });
  }

  /** ms of this computer. */
  now(): number {
    return systemClock.monotonic();
  }

  /** What it wrote to standard error last. */
  get complaint(): string {
    return plain(this.text.trim().split('\n').slice(-1).join(''));
  }

  /**
   * Sends a request and waits for its reply, whatever it says.
   *
   * @throws link/silent, link/closed, link/garbled.
   */
  async ask(does: string, members: Message = {}, deadline = REQUEST_DEADLINE): Promise<Message> {
    const id = this.post(does, members);
    return this.answer(id, does, deadline);
  }

  /** Sends a request that must be granted. @throws link/refused and what `ask` throws. */
  async grant(does: string, members: Message = {}, deadline = REQUEST_DEADLINE): Promise<Message> {
    return granted(does, await this.ask(does, members, deadline));
  }

  /** Sends a request without waiting. @returns Its id. */
  post(does: string, members: Message = {}): number {
    const id = this.id++;
    this.control({ id, do: does, ...members });
    return id;
  }

  /** Waits for the reply to a request. */
  async answer(id: number, does: string, deadline = REQUEST_DEADLINE): Promise<Message> {
    await this.until(() => this.replies.has(id), deadline);
    const reply = this.replies.get(id);
    this.replies.delete(id);
    if (reply !== undefined) return reply;
    if (this.broken !== undefined) throw this.broken;
    if (this.exit !== undefined) throw this.gone(`while "${does}" was asked`);
    const what = `"${does}" was not answered within ${deadline} ms.`;
    const fix = 'Answer every request with its id under "re", also those that are refused.';
    throw new StallmarkError([{ code: 'link/silent', what, fix }]);
  }

  control(message: Message): void {
    this.raw(this.frame(FRAME_KINDS.control, Buffer.from(JSON.stringify(message))));
  }

  /** Sends one part of a waveform: torque in N·m, one value per update. */
  waveform(part: number, values: readonly number[]): void {
    const payload = Buffer.alloc(8 + 8 * values.length);
    payload.writeUInt32LE(part, 0);
    values.forEach((value, i) => payload.writeDoubleLE(value, 8 + 8 * i));
    this.raw(this.frame(FRAME_KINDS.waveform, payload));
  }

  /** The next frame of this direction, counted, not yet sent. */
  frame(kind: number, payload: Uint8Array, announced = payload.length): Buffer {
    return writeFrame(kind, this.sequence++, payload, announced);
  }

  /** Leaves out one number of the count, as if a frame was lost. */
  skip(): void {
    this.sequence++;
  }

  raw(bytes: Uint8Array): void {
    if (this.child.stdin.writable) this.child.stdin.write(bytes);
  }

  /** Ends its standard input. */
  endInput(): void {
    this.child.stdin.end();
  }

  /** Lets go of all it reads and writes at once, as the system does for a runner that was killed. */
  abandon(): void {
    this.child.stderr.destroy(); // first, so that no last word finds its way
    this.child.stdout.destroy();
    this.child.stdin.destroy();
  }

  /** Asks the system to end it. */
  terminate(): void {
    this.child.kill('SIGTERM');
  }

  /** Stops, or goes on, to read what it writes. */
  setReading(reads: boolean): void {
    if (reads) this.child.stdout.resume();
    else this.child.stdout.pause();
  }

  /**
   * Waits until a condition holds; looks each time something arrives.
   *
   * @returns Whether it holds; also when the time is over or the adapter has gone.
   */
  until(holds: () => boolean, ms: number): Promise<boolean> {
    return new Promise((resolve) => {
      const look = (): void => {
        if (holds() || this.exit !== undefined || this.broken !== undefined) finish();
      };
      const finish = (): void => {
        clearTimeout(timer);
        this.waiting.delete(look);
        resolve(holds());
      };
      const timer = setTimeout(finish, ms);
      this.waiting.add(look);
      look();
    });
  }

  /** Waits until it has ended; undefined when it has not by then. */
  async ends(ms = EXIT_DEADLINE): Promise<AdapterExit | undefined> {
    await this.until(() => this.exit !== undefined, ms + LAST_WORDS);
    return this.exit;
  }

  /** First event of this name, if it came. */
  event(name: string): AdapterEvent | undefined {
    return this.events.find(({ message }) => message['event'] === name);
  }

  /** Throws what is wrong with what it wrote, if anything. @throws link/garbled, link/gap, link/duplicate */
  assertSound(): void {
    if (this.broken !== undefined) throw this.broken;
  }

  /** Ends it: asks for power off, ends its input, then kills it. Never throws. */
  async dispose(): Promise<void> {
    this.setReading(true);
    if (this.exit === undefined && this.broken === undefined) {
      const id = this.post('makeSafe', { how: 'off' });
      await this.until(() => this.replies.has(id), 300);
    }
    this.endInput();
    if ((await this.gives(EXIT_DEADLINE)) || this.child.pid === undefined) return;
    this.terminate();
    if (await this.gives(EXIT_DEADLINE)) return;
    this.child.kill('SIGKILL');
    await this.gives(EXIT_DEADLINE);
  }

  /** Waits for the end of the process, also when what it wrote is void. */
  private async gives(ms: number): Promise<boolean> {
    this.broken = undefined;
    return (await this.ends(ms)) !== undefined;
  }

  private gone(when: string): StallmarkError {
    const status = String(this.exit?.status ?? 'none');
    const last = this.complaint === '' ? '' : ` It wrote: ${this.complaint}`;
    const what = `The adapter ended with status ${status} ${when}.${last}`;
    const fix = 'Keep the adapter alive until "bye" or the end of its input.';
    return new StallmarkError([{ code: 'link/closed', what, fix }]);
  }

  private ended(status: number | null, at: number): void {
    this.exit ??= { status, at };
    this.wake();
  }

  private arrived(chunk: Buffer): void {
    if (this.broken !== undefined) return;
    try {
      for (const frame of this.cutter.push(chunk)) {
        if (frame.kind === FRAME_KINDS.samples) this.sampled(readBlock(frame.payload));
        else this.told(readControl(frame.payload));
      }
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      this.broken = error; // thrown by whoever waits, or by `assertSound`
    }
    this.wake();
  }

  private sampled(block: AdapterBlock): void {
    keep(this.blocks, block, MOST_BLOCKS);
    keep(this.blocksAt, this.now(), MOST_BLOCKS);
  }

  private told(message: Message): void {
    const re = message['re'];
    if (typeof re === 'number') this.replies.set(re, message);
    else keep(this.events, { at: this.now(), message }, MOST_EVENTS);
  }

  private wake(): void {
    for (const look of [...this.waiting]) look();
  }
}

/** Returns a reply that grants its request. @throws link/refused */
export function granted(does: string, reply: Message): Message {
  if (reply['ok'] === true) return reply;
  const what = `"${does}" was refused: ${shown(reply['code'])}, ${shown(reply['what'])}.`;
  const fix = 'Grant it here, or find what the device has against it.';
  throw new StallmarkError([{ code: 'link/refused', what, fix }]);
}

/** A value from outside in a sentence. */
export function shown(value: unknown): string {
  if (value === undefined) return 'nothing';
  const text = plain(typeof value === 'string' ? value : JSON.stringify(value));
  return text.length > 120 ? `${text.slice(0, 120)}…` : text;
}

/** Text from outside without characters that drive a terminal. */
export function plain(text: string): string {
  return text.replace(/[\p{Cc}\p{Cf}\u2028\u2029]/gu, ' ');
}

function keep<T>(list: T[], one: T, most: number): void {
  if (list.length < most) list.push(one);
}

function readControl(payload: Buffer): Message {
  const read = parsed(payload);
  if (typeof read === 'object' && read !== null && !Array.isArray(read)) return read as Message;
  const what = `A control frame holds "${payload.toString().slice(0, 60)}", which is no JSON object.`;
  const fix =
    'Write one JSON object in UTF-8 into each control frame; NaN and Infinity are no JSON.';
  throw new StallmarkError([{ code: 'link/garbled', what, fix }]);
}

function parsed(payload: Buffer): unknown {
  try {
    return JSON.parse(payload.toString('utf8')) as unknown;
  } catch {
    return undefined; // told by the caller, with what it read
  }
}
