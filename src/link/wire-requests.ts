import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Clock } from '../base/clock.js';
import type { ErrorCode } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import type { Members } from './message-reader.js';

/** ms until a request without its reply is given up. */
export const REPLY_DEADLINE = 250;
/** ms of one wait at most, so that none goes on long after its answer. */
const SLICE = 250;
/** Requests that may wait for the one under way, and that may be left without a reply. */
const MOST_WAITING = 32;

/** What is asked of an adapter. */
export interface Order {
  readonly do: string;
  /** Besides `do` and `id`. */
  readonly members?: Readonly<Record<string, unknown>>;
  /** ms after the last frame of the order; `REPLY_DEADLINE` where nothing else is said. */
  readonly deadline?: number;
  /** Payloads of waveform frames that follow the order. */
  readonly waveform?: Iterable<Uint8Array>;
  /** Goes at once and gives up whatever was asked before. */
  readonly isStop?: boolean;
}

/** The answer to a request. */
export type Answer =
  | { readonly kind: 'reply'; readonly re: number; readonly members: Members }
  | { readonly kind: 'refusal'; readonly re: number; readonly code: string; readonly what: string };

interface Pending {
  readonly id: number;
  readonly do: string;
  resolve(members: Members): void;
  reject(error: StallmarkError): void;
}

/** Hands frames over; never throws: what goes wrong ends the session. */
export type SendFrame = (kind: 'control' | 'waveform', payload: Uint8Array) => Promise<void>;

/**
 * The requests of one conversation: one under way at a time, each with a deadline. A reply that comes
 * after its request was given up is never taken for that to another.
 */
export class WireRequests {
  private pending: Pending | undefined;
  private nextId = 1;
  /** Requests that were given up, by id: what they asked. */
  private readonly owed = new Map<number, string>();
  /** Counts stops: what was asked before is given up. */
  private stops = 0;
  private waiting = 0;
  private tail: Promise<unknown> = Promise.resolve();
  private ended: StallmarkError | undefined;

  constructor(
    private readonly name: string,
    private readonly clock: Clock,
    private readonly send: SendFrame,
  ) {}

  /** Asks as soon as what was asked before is answered; a stop at once. */
  async ask(order: Order): Promise<Members> {
    if (this.ended !== undefined) throw this.ended;
    if (order.isStop === true) this.giveUp();
    const { stops, tail } = this;
    const isFull = this.waiting >= MOST_WAITING || this.owed.size >= MOST_WAITING;
    if (isFull && order.isStop !== true) {
      const what = `${this.name} has ${this.waiting + this.owed.size} requests to answer.`;
      throw failure('link/stalled', what, 'See why it is so slow.');
    }
    this.waiting += 1;
    const asked = (order.isStop === true ? Promise.resolve() : tail).then(() => {
      if (this.ended !== undefined) throw this.ended;
      if (stops !== this.stops) throw this.overtaken(order.do);
      return this.put(order);
    });
    this.tail = asked.catch(() => undefined);
    try {
      return await asked;
    } finally {
      this.waiting -= 1;
    }
  }

  /**
   * Takes an answer.
   *
   * @returns What a request was that was given up before; or that nobody ever asked for this.
   */
  hear(answer: Answer): { readonly late: string } | 'unasked' | undefined {
    const { re } = answer;
    if (re < 1 || re >= this.nextId) return 'unasked';
    if (this.pending?.id !== re) {
      const late = this.owed.get(re);
      this.owed.delete(re);
      return late === undefined ? undefined : { late };
    }
    const pending = this.settle();
    if (answer.kind === 'reply') pending?.resolve(answer.members);
    else pending?.reject(this.refusal(answer.code, answer.what));
    return undefined;
  }

  /** Whether the reply to a request of this kind, which was given up, may still come. */
  isOwed(what: string): boolean {
    return [...this.owed.values()].includes(what);
  }

  /** Id of the request that was made last. */
  get last(): number {
    return this.nextId - 1;
  }

  /** No reply will come: whoever waits for one is told why. */
  end(why: StallmarkError): void {
    this.ended = why;
    this.settle()?.reject(why);
  }

  private async put(order: Order): Promise<Members> {
    const id = this.nextId++;
    const answer = new Promise<Members>((resolve, reject) => {
      this.pending = { id, do: order.do, resolve, reject };
    });
    answer.catch(() => undefined); // whoever asked hears of it below
    await this.send('control', json({ id, do: order.do, ...order.members }));
    for (const payload of order.waveform ?? []) {
      if (this.pending?.id !== id) break; // refused, or overtaken by a stop
      await this.send('waveform', payload);
    }
    void this.expire(id, order);
    return answer;
  }

  /** Gives a request up when its reply does not come in time. */
  private async expire(id: number, order: Order): Promise<void> {
    const { deadline = REPLY_DEADLINE } = order;
    const until = this.clock.monotonic() + deadline;
    while (this.pending?.id === id) {
      const left = until - this.clock.monotonic();
      if (left <= 0) break;
      await this.clock.wait(Math.min(left, SLICE));
      await nextTurn(); // a reply that arrived while this program was held up is no late one
    }
    if (this.pending?.id !== id) return;
    const what = `${this.name} did not answer "${order.do}" within ${deadline} ms.`;
    this.drop(failure('link/silent', what, 'See what keeps it from answering.'));
  }

  private giveUp(): void {
    this.stops += 1;
    if (this.pending !== undefined) this.drop(this.overtaken(this.pending.do));
  }

  /** Gives up what is under way; its reply may still come. */
  private drop(why: StallmarkError): void {
    const pending = this.settle();
    if (pending === undefined) return;
    this.owed.set(pending.id, pending.do);
    pending.reject(why);
  }

  private settle(): Pending | undefined {
    const { pending } = this;
    this.pending = undefined;
    return pending;
  }

  private overtaken(asked: string): StallmarkError {
    const what = `"${asked}" was given up by ${this.name}, because the bench is made safe.`;
    const fix = 'Acknowledge the warnings again, then start the run.';
    return failure('bench/permit-void', what, fix);
  }

  private refusal(code: string, what: string): StallmarkError {
    const said = `${this.name} refused: ${what} (${code}).`;
    if (/\bversion$/u.test(code)) {
      return failure('link/version', said, 'Install an adapter of this version.');
    }
    return failure('link/refused', said, 'Do as it says, then start anew.');
  }
}

/** A control message as bytes. */
export function json(members: Readonly<Record<string, unknown>>): Uint8Array {
  return new TextEncoder().encode(JSON.stringify(members));
}

function failure(code: ErrorCode, what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}
