import type { Quantity } from '../base/units.js';
import { CHANNELS } from '../bench/bench.js';
import type { Block, Channel } from '../bench/bench.js';
import type { Settings } from '../procedure/procedure.js';
import type { ClockFit, Take } from './capture.js';

/** What a take should become. */
export interface TakePlan {
  readonly settings: Settings;
  /** Samples a second. */
  readonly rate: Quantity<'Hz'>;
  /** Samples that the waveform lasts. */
  readonly expected: number;
}

/**
 * Gathers the blocks of one take. Every buffer is allocated before the first block is asked for.
 *
 * Samples that never came stay NaN and are listed as gaps; nothing is ever filled in. A block that
 * starts before the last one ended, or beyond the end of the take, is left out and counted.
 *
 * @param blocks - In the order of arrival. Ends by itself or throws at its own deadline; is closed
 * when `onBlock` throws, and when it brings more than a second of samples that have no place.
 * @param onBlock - Called with each block that brings new samples, and waited for, before the next
 * is asked for. A block that brings none must not keep the dead-man fed and is not handed on.
 * @returns The take, whole or not: `screen` judges it.
 * @throws Whatever `blocks` or `onBlock` throws.
 *
 * Check: tests/unit/record.test.ts.
 */
export async function record(
  blocks: AsyncIterable<Block>,
  plan: TakePlan,
  onBlock: (block: Block) => void | Promise<void>,
): Promise<Take> {
  const recording = new Recording(plan);
  let left = plan.expected + plan.rate; // blocks: each brings a sample, or is one of those left out
  for await (const block of blocks) {
    if (recording.add(block)) await onBlock(block);
    left -= 1;
    if (left <= 0 || recording.misplaced > plan.rate) break;
  }
  return recording.end();
}

/**
 * Cuts a take that a stop ended to the samples that came: it was not to last longer. Gaps before its
 * end stay.
 */
export function cutAtEnd(take: Take): Take {
  const { gaps, expected } = take;
  const last = gaps.at(-1);
  if (last === undefined || last.at + last.samples < expected) return take;
  const channels = Object.entries(take.channels).map(([name, samples]) => [
    name,
    samples.subarray(0, last.at),
  ]);
  return {
    ...take,
    channels: Object.fromEntries(channels) as Take['channels'],
    expected: last.at,
    gaps: gaps.slice(0, -1),
  };
}

class Recording {
  misplaced = 0;
  readonly #plan: TakePlan;
  readonly #buffers: Readonly<Record<Channel, Float32Array>>;
  readonly #present = new Set<Channel>();
  readonly #gaps: { at: number; samples: number }[] = [];
  readonly #line = new ClockLine();
  #next = 0;
  #opened: number | undefined;
  #device: Take['device'] = { updates: 0, missing: 0, time: 0, fault: 0 };

  constructor(plan: TakePlan) {
    this.#plan = plan;
    const buffer = (): Float32Array => new Float32Array(plan.expected).fill(NaN);
    const buffers = CHANNELS.map((channel) => [channel, buffer()] as const);
    this.#buffers = Object.fromEntries(buffers) as Record<Channel, Float32Array>;
  }

  /** Stores a block and tells whether it brought anything new. */
  add({ start, samples, device, opened }: Block): boolean {
    this.#opened ??= opened;
    const length = Math.max(0, ...CHANNELS.map((channel) => samples[channel]?.length ?? 0));
    this.#report(device);
    const { expected, rate } = this.#plan;
    const inPlace = Number.isSafeInteger(start) && start >= this.#next && start < expected;
    if (!inPlace || length === 0) {
      this.misplaced += length;
      return false;
    }
    const end = Math.min(start + length, expected);
    this.misplaced += start + length - end;
    if (start > this.#next) this.#gaps.push({ at: this.#next, samples: start - this.#next });
    for (const channel of CHANNELS) {
      const values = samples[channel];
      if (values === undefined) continue;
      this.#present.add(channel);
      this.#buffers[channel].set(values.subarray(0, end - start), start);
    }
    this.#next = end;
    this.#line.add((start + length) / rate, device.time);
    return true;
  }

  /** The last report counts, but a fault once seen stays. */
  #report(device: Block['device']): void {
    const { updates, missing, linkLost, gap, jitter, duty, time, fault } = device;
    this.#device = {
      updates,
      missing,
      ...(linkLost === undefined ? {} : { linkLost }),
      ...(gap === undefined ? {} : { gap }),
      ...(jitter === undefined ? {} : { jitter }),
      ...(duty === undefined ? {} : { duty }),
      time,
      fault: this.#device.fault || fault,
    };
  }

  end(): Take {
    const { settings, rate, expected } = this.#plan;
    const lost = expected - this.#next;
    if (lost > 0) this.#gaps.push({ at: this.#next, samples: lost });
    const present = CHANNELS.filter((channel) => this.#present.has(channel));
    const clock = this.#line.fit();
    return {
      settings,
      rate,
      channels: Object.fromEntries(present.map((channel) => [channel, this.#buffers[channel]])),
      expected,
      gaps: this.#gaps,
      misplaced: this.misplaced,
      ...(this.#opened === undefined ? {} : { opened: this.#opened }),
      ...(clock === undefined ? {} : { clock }),
      device: this.#device,
    };
  }
}

/**
 * Least squares of device time over sample time.
 *
 * Check: tests/unit/record.test.ts.
 */
class ClockLine {
  readonly #points: { readonly sample: number; readonly device: number }[] = [];

  add(sample: number, device: number): void {
    this.#points.push({ sample, device });
  }

  fit(): ClockFit | undefined {
    const points = this.#points;
    if (points.length < 3) return undefined;
    const mean = (values: readonly number[]): number =>
      values.reduce((sum, value) => sum + value, 0) / values.length;
    const sample = mean(points.map((point) => point.sample));
    const device = mean(points.map((point) => point.device));
    let [square, product] = [0, 0];
    for (const point of points) {
      square += (point.sample - sample) ** 2;
      product += (point.sample - sample) * (point.device - device);
    }
    const slope = product / square;
    const departures = points.map((point) =>
      Math.abs(point.device - device - slope * (point.sample - sample)),
    );
    return { skew: slope - 1, departure: departures.reduce((a, b) => Math.max(a, b), 0) };
  }
}
