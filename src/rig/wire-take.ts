import type { ErrorCode } from '../base/codes.js';
import { BLOCK_SECONDS, type Channel } from '../bench/bench.js';
import type { SampleFrame } from '../link/wire-samples.js';
import type { TakeOrder } from './rig.js';

/** s that the clock of a device and its samples may drift apart from one block to the next. */
export const CLOCK_JUMP = 5e-3;

/** What is wrong with a block, in a clause that follows the name of the link. */
export interface TakeFault {
  readonly code: Extract<
    ErrorCode,
    'link/garbled' | 'link/gap' | 'link/duplicate' | 'link/clock' | 'link/ability'
  >;
  readonly what: string;
}

/**
 * What is known of one take: which block comes next, where its samples begin, and what its clock said.
 * Samples that were lost are no problem here: they show in `start`, and captures deal with them.
 */
export class WireTake {
  private next = 0;
  /** Index after the last sample. */
  private reached = 0;
  private clock = 0;
  /** s by which the clock is ahead of the samples. */
  private ahead: number | undefined;
  private opened: number | undefined;
  private over = false;

  constructor(
    readonly number: number,
    private readonly order: TakeOrder,
    private readonly channels: readonly Channel[],
  ) {}

  /** Whether the adapter said that no more comes. */
  get isOver(): boolean {
    return this.over;
  }

  /** Notes that the adapter said so. */
  end(): void {
    this.over = true;
  }

  /** Whether the take is whole with this block; after a stop only the adapter tells its end. */
  isWholeWith({ start, values, channels, opened }: SampleFrame): boolean {
    return opened === undefined && start + values.length / channels >= this.order.samples;
  }

  /**
   * Holds a block against the ones before.
   *
   * @returns What is wrong with it; then it is not taken.
   */
  add(frame: SampleFrame): TakeFault | undefined {
    const found = this.orderProblem(frame) ?? this.sizeProblem(frame) ?? this.clockProblem(frame);
    if (found !== undefined) return found;
    const count = frame.values.length / frame.channels;
    this.next = frame.block + 1;
    this.reached = frame.start + count;
    this.ahead = frame.clock - this.reached / this.order.rate;
    this.clock = frame.clock;
    this.opened ??= frame.opened;
    return undefined;
  }

  private orderProblem({ block, start }: SampleFrame): TakeFault | undefined {
    const { next, reached } = this;
    if (this.over) return told('link/garbled', `sent block ${block} after the end of its take`);
    if (block < next) {
      return told('link/duplicate', `sent block ${block} again; block ${next} is the next`);
    }
    if (block > next) return told('link/gap', `sent block ${block}; block ${next} is the next`);
    if (start < reached) {
      const what = `sent sample ${start} again; sample ${reached} is the next`;
      return told('link/duplicate', what);
    }
    return undefined;
  }

  private sizeProblem({ start, channels, values, opened }: SampleFrame): TakeFault | undefined {
    const { samples, rate, afterStop = 0 } = this.order;
    const count = values.length / channels;
    const most = Math.max(1, Math.round(BLOCK_SECONDS * rate));
    if (channels !== this.channels.length) {
      const what = `sent a block of ${channels} channels; it named ${this.channels.length}`;
      return told('link/garbled', what);
    }
    if (count > most) {
      const what = `sent a block of ${count} samples at ${rate} Hz; at most ${most} keep torque watched`;
      return told('link/ability', what);
    }
    if (start + count > samples + afterStop) {
      const what = `sent samples up to ${start + count}; the take has ${samples + afterStop}`;
      return told('link/garbled', what);
    }
    const isMoved = this.opened !== undefined && opened !== this.opened;
    if (isMoved || (opened !== undefined && opened > start + count)) {
      const known = this.opened === undefined ? '' : ` after ${this.opened}`;
      return told('link/garbled', `marks sample ${opened ?? 'none'} as that of a stop${known}`);
    }
    return undefined;
  }

  private clockProblem({ start, channels, values, clock }: SampleFrame): TakeFault | undefined {
    if (clock < this.clock) {
      return told(
        'link/clock',
        `has a clock that went back from ${this.clock.toFixed(6)} s to ${clock.toFixed(6)} s`,
      );
    }
    if (this.ahead === undefined) return undefined;
    const ahead = clock - (start + values.length / channels) / this.order.rate;
    const jump = ahead - this.ahead;
    if (Math.abs(jump) <= CLOCK_JUMP) return undefined;
    const ms = (1000 * jump).toFixed(1);
    const what = `has a clock that moved by ${ms} ms against its samples within one block; at most ${1000 * CLOCK_JUMP} ms are allowed`;
    return told('link/clock', what);
  }
}

/** Takes the interleaved values of a block apart, by channel. */
export function samplesOf(
  { values, channels: width }: Pick<SampleFrame, 'values' | 'channels'>,
  channels: readonly Channel[],
): Partial<Readonly<Record<Channel, Float32Array>>> {
  return Object.fromEntries(
    channels.map((channel, offset) => [channel, everyNth(values, width, offset)]),
  );
}

/** Every `width`-th value from `offset` on. */
function everyNth(values: Float32Array, width: number, offset: number): Float32Array {
  const own = new Float32Array(values.length / width);
  let at = offset;
  for (let i = 0; i < own.length; i++, at += width) own[i] = values[at] ?? 0;
  return own;
}

const told = (code: TakeFault['code'], what: string): TakeFault => ({ code, what });
