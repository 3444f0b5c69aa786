import type { Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { Noise } from '../bench/noise.js';
import { problem } from '../bench/refusal.js';
import type { Port, PortListener } from '../link/port.js';

/** How a link misbehaves, as `stallmark emulate --nasty` rehearses it. */
export interface Nastiness {
  /** ms by which bytes of either direction are late; their order stays. */
  readonly delay?: number;
  /** What a device says comes in pieces of 1 … 7 bytes. */
  readonly fragment?: true;
  /** What a device says within 20 ms comes at once. */
  readonly merge?: true;
  /** Bytes after which the device says nothing more; the link stays. */
  readonly silence?: number;
  /** Probability with which a byte from the device is another one. */
  readonly garbage?: number;
  /** Bytes after which the device hangs up. */
  readonly close?: number;
  /** What the device says is lost; it hears on. */
  readonly halfOpen?: true;
  /** The device takes no bytes. */
  readonly stall?: true;
}

/** A port whose far end may be told to stop sending. */
export interface PausingPort extends Port {
  /** Lets bytes wait in the system, or takes them again. */
  pause(isPaused: boolean): void;
}

/** A port that misbehaves, and can be told how while it runs. */
export interface NastyPort extends Port {
  /** Counts of bytes begin anew. */
  misbehave(nastiness: Nastiness): void;
}

/** Share of bytes that are wrong unless the plan says otherwise. */
const GARBAGE = 1e-3;
/** ms over which bytes are gathered to be merged. */
const GATHERING = 20;
/** ms: longest delay that makes sense to rehearse. */
const MOST_DELAY = 10_000;
/** Bytes that may wait in either direction. */
export const MOST_WAITING = 1 << 23;

const FORMS =
  'delay=MS, fragment, merge, silence[=BYTES], garbage[=PROBABILITY], close[=BYTES], half-open, stall';

/**
 * Reads how a link is to misbehave: a list with commas, e.g. `delay=30,fragment`. An empty one is none.
 *
 * @throws usage/argument
 */
export function readNastiness(spec: string): Nastiness {
  const words = spec.split(',').filter((word) => word !== '');
  return words.reduce<Nastiness>((all, word) => ({ ...all, ...one(word) }), {});
}

function one(word: string): Nastiness {
  const [name = '', value, ...more] = word.split('=');
  const number = (least: number, most: number, whole: boolean, otherwise?: number): number => {
    const read = value === undefined ? (otherwise ?? NaN) : value === '' ? NaN : Number(value);
    if (read >= least && read <= most && (!whole || Number.isInteger(read))) return read;
    throw refused(word);
  };
  if (more.length > 0) throw refused(word);
  if (value === undefined) {
    if (name === 'fragment' || name === 'merge' || name === 'stall') return { [name]: true };
    if (name === 'half-open') return { halfOpen: true };
  }
  switch (name) {
    case 'delay':
      return { delay: number(0, MOST_DELAY, false) };
    case 'garbage':
      return { garbage: number(0, 1, false, GARBAGE) };
    case 'silence':
    case 'close':
      return { [name]: number(0, Number.MAX_SAFE_INTEGER, true, 0) };
    default:
      throw refused(word);
  }
}

function refused(word: string): StallmarkError {
  return problem(
    'usage/argument',
    `"${word}" is no way for a link to misbehave.`,
    `Give a list of ${FORMS}.`,
  );
}

/**
 * Puts a misbehaving cable on a port of a device: what the device writes leaves late, in pieces, wrong or
 * not at all, and what it is sent comes late or never. Same seed, same calls: same bytes.
 *
 * While something is wrong a write resolves before its bytes have left; no more than 8 MiB waits in either
 * direction; whoever makes more wait is hung up on.
 */
export function nastyPort(
  port: Port | PausingPort,
  nastiness: Nastiness,
  seed: number,
  clock: Clock,
): NastyPort {
  return new Nasty(port, nastiness, seed, clock);
}

class Nasty implements NastyPort {
  readonly name: string;
  readonly tellsEnd: boolean;
  private readonly noise: Noise;
  private readonly leaving: Delayed;
  private readonly arriving: Delayed;
  private listener: PortListener | undefined;
  /** Bytes that the device wrote under this plan. */
  private written = 0;
  private isGood = true;
  private isClosed = false;

  constructor(
    private readonly port: Port | PausingPort,
    private plan: Nastiness,
    seed: number,
    clock: Clock,
  ) {
    this.name = port.name;
    this.tellsEnd = port.tellsEnd;
    this.noise = new Noise(`nasty/${seed}`);
    this.leaving = new Delayed(clock, (bytes) => this.send(bytes));
    this.arriving = new Delayed(clock, (bytes) => {
      this.listener?.bytes(bytes);
      return Promise.resolve();
    });
    this.misbehave(plan);
  }

  misbehave(nastiness: Nastiness): void {
    this.plan = nastiness;
    this.isGood = Object.keys(nastiness).length === 0;
    this.written = 0;
    const isStalled = nastiness.stall === true;
    if ('pause' in this.port) this.port.pause(isStalled);
    this.arriving.hold(isStalled, () => this.hangUp());
    if (nastiness.close === 0) void this.hangUp();
  }

  async write(bytes: Uint8Array): Promise<void> {
    if (this.isClosed) throw closed(this.name);
    if (this.isGood) return this.leave(bytes);
    const { silence = Infinity, close = Infinity, garbage = 0, halfOpen } = this.plan;
    const before = this.written;
    this.written += bytes.length;
    const limit = halfOpen === true ? 0 : Math.min(silence, close);
    const kept = bytes.slice(0, Math.max(0, limit - before)); // the caller may use its array again
    if (garbage > 0) this.spoil(kept, garbage);
    if (this.leaving.waiting + kept.length > MOST_WAITING) await this.hangUp();
    else if (kept.length > 0) await this.leave(kept);
    if (this.written >= close) await this.leaving.then(() => this.hangUp());
  }

  listen(listener: PortListener): void {
    this.listener = listener;
    this.port.listen({
      bytes: (chunk) => {
        if (this.arriving.waiting + chunk.length > MOST_WAITING) void this.hangUp();
        else void this.arriving.add(chunk, this.plan.delay ?? 0, () => this.hangUp());
      },
      closed: (reason) => {
        // What came before the end is heard before it; who takes nothing hears of the end alone.
        if (this.plan.stall === true) this.arriving.drop();
        void this.arriving.then(() => {
          listener.closed(reason); // which may still write
          this.isClosed = true;
          return Promise.resolve();
        });
      },
    });
    if (this.plan.stall === true && 'pause' in this.port) this.port.pause(true);
  }

  async close(): Promise<void> {
    this.isClosed = true;
    await this.leaving.then(() => this.hangUp());
  }

  private leave(bytes: Uint8Array): Promise<void> {
    const { delay = 0, merge } = this.plan;
    const isGathered = merge === true && this.leaving.waiting > 0;
    const late = merge === true ? delay + GATHERING : delay;
    return this.leaving.add(bytes, isGathered ? 0 : late, () => this.hangUp());
  }

  private async hangUp(): Promise<void> {
    this.isClosed = true;
    this.leaving.drop();
    await this.port.close();
  }

  private spoil(bytes: Uint8Array, garbage: number): void {
    for (let i = 0; i < bytes.length; i++) {
      if (this.noise.uniform() >= garbage) continue;
      bytes[i] = ((bytes[i] ?? 0) + 1 + Math.floor(255 * this.noise.uniform())) & 0xff;
    }
  }

  private async send(bytes: Uint8Array): Promise<void> {
    if (this.plan.fragment !== true) return this.port.write(bytes);
    const sent: Promise<void>[] = [];
    for (let at = 0; at < bytes.length;) {
      const length = 1 + Math.floor(7 * this.noise.uniform());
      sent.push(this.port.write(bytes.subarray(at, at + length)));
      at += length;
    }
    await Promise.all(sent);
  }
}

function closed(name: string): StallmarkError {
  return problem('link/closed', `${name} is closed.`, 'Call it again.');
}

/** One direction of a slow cable: bytes come out in their order, each no sooner than its delay. */
class Delayed {
  /** Bytes that wait. */
  waiting = 0;
  private chunks: { readonly bytes: Uint8Array; readonly due: number }[] = [];
  private isHeld = false;
  private isRunning = false;
  private readonly after: (() => Promise<void>)[] = [];

  constructor(
    private readonly clock: Clock,
    private readonly out: (bytes: Uint8Array) => Promise<void>,
  ) {}

  /**
   * @param lost - Told when bytes that waited could not be handed over; of others `add` itself tells.
   * @returns Resolves when they were taken on; where nothing is late, when they are out.
   */
  add(bytes: Uint8Array, delay: number, lost: () => Promise<void>): Promise<void> {
    const isIdle = !this.isRunning && !this.isHeld && this.chunks.length === 0;
    if (isIdle && delay === 0) return this.out(bytes);
    this.chunks.push({ bytes, due: this.clock.monotonic() + delay });
    this.waiting += bytes.length;
    void this.run(lost);
    return Promise.resolve();
  }

  /** Lets nothing out, or goes on. */
  hold(isHeld: boolean, lost: () => Promise<void>): void {
    this.isHeld = isHeld;
    if (!isHeld) void this.run(lost);
  }

  /** Does something once all that waits is out. */
  then(act: () => Promise<void>): Promise<void> {
    if (!this.isRunning && this.chunks.length === 0) return act();
    this.after.push(act);
    return Promise.resolve();
  }

  drop(): void {
    this.chunks = [];
    this.waiting = 0;
  }

  private async run(lost: () => Promise<void>): Promise<void> {
    if (this.isRunning) return;
    this.isRunning = true;
    for (;;) {
      const [first] = this.chunks;
      if (first === undefined || this.isHeld) break;
      const left = first.due - this.clock.monotonic();
      if (left > 0) await this.clock.wait(left);
      else await this.hand().catch(lost);
    }
    this.isRunning = false;
    if (this.chunks.length === 0) await Promise.all(this.after.splice(0).map((act) => act()));
  }

  /** Hands over all that is due, as one. */
  private async hand(): Promise<void> {
    const now = this.clock.monotonic();
    const count = this.chunks.findIndex(({ due }) => due > now);
    const due = this.chunks.splice(0, count < 0 ? this.chunks.length : count);
    const bytes = Buffer.concat(due.map((chunk) => chunk.bytes));
    this.waiting -= bytes.length;
    await this.out(bytes);
  }
}
