import { kernelFor } from './kernel.js';

type Signal = ArrayLike<number>;

const BLOCK = 2048; // samples: two records of them stay in the nearest cache

/** Copies a part of a record to a place of the workspace. */
function copy(heap: Float64Array, place: number, x: Signal, from: number, to: number): void {
  if (x instanceof Float64Array || x instanceof Float32Array) heap.set(x.subarray(from, to), place);
  else for (let i = from; i < to; i++) heap[place + i - from] = x[i] as number;
}

/** Means, and sums of squares and products about them. */
export interface Moments {
  readonly meanX: number;
  readonly meanY: number;
  readonly xx: number;
  readonly yy: number;
  readonly xy: number;
}

/**
 * Sums squares and products about the means in one pass, block by block.
 *
 * @param x - n ≥ 1 values. @param y - n values.
 *
 * Source: Chan, Golub & LeVeque 1979, updating of pairs of blocks (from memory).
 */
export function momentsOf(x: Signal, y: Signal): Moments {
  const kernel = kernelFor(x.length);
  const heap = kernel.workspace(2 * BLOCK + 5);
  const out = 2 * BLOCK;
  let [n, meanX, meanY, xx, yy, xy] = [0, 0, 0, 0, 0, 0];
  for (let from = 0; from < x.length; from += BLOCK) {
    const to = Math.min(x.length, from + BLOCK);
    copy(heap, 0, x, from, to);
    copy(heap, BLOCK, y, from, to);
    kernel.moments(out, 0, BLOCK, to - from);
    const dx = (heap[out] as number) - meanX;
    const dy = (heap[out + 1] as number) - meanY;
    const share = (to - from) / to;
    const weight = n * share;
    xx += (heap[out + 2] as number) + dx * dx * weight;
    yy += (heap[out + 3] as number) + dy * dy * weight;
    xy += (heap[out + 4] as number) + dx * dy * weight;
    meanX += dx * share;
    meanY += dy * share;
    n = to;
  }
  return { meanX, meanY, xx, yy, xy };
}

/** A guess that one round of a sine fit improves: a · cos wn + b · sin wn + offset. */
export interface SineGuess {
  /** rad a sample */
  readonly w: number;
  readonly a: number;
  readonly b: number;
  readonly offset: number;
}

/** Sums of products of the columns cos, sin, 1, turn and of what the guess leaves over. */
export interface SineSums {
  /** Upper triangle of the 4 × 4 products, row by row. */
  readonly products: Float64Array;
  /** Products of the columns with what is left over. */
  readonly rest: Float64Array;
  /** Sum of squares of what is left over. */
  readonly squares: number;
}

const SUMS = 14;

/**
 * Sums what one Gauss-Newton round of a sine fit needs. The column "turn" is the change of the sine
 * with its angle, growing over the record from 0 to 1 time the change at its end.
 *
 * Cosines and sines are taken from a table over one block, turned by the angle at its start: four
 * multiplications a sample, with nothing that builds up along the record.
 */
export function sineSums(y: Signal, guess: SineGuess): SineSums {
  const n = y.length;
  const { w, a, b, offset } = guess;
  const kernel = kernelFor(n);
  const heap = kernel.workspace(5 * BLOCK + SUMS + 6);
  const block = Math.min(BLOCK, n + (n % 2));
  const table = BLOCK;
  const given = 5 * BLOCK;
  const out = given + 6;
  const span = Math.max(1, n - 1);
  for (let i = 0; i < block; i++) {
    heap[table + i] = Math.cos(w * i);
    heap[table + block + i] = Math.sin(w * i);
    heap[table + 2 * block + i] = 1;
    heap[table + 3 * block + i] = i / span;
  }
  const total = new Float64Array(SUMS);
  for (let from = 0; from < n; from += block) {
    const count = Math.min(block, n - from);
    copy(heap, 0, y, from, from + count);
    if (count < block) {
      heap.fill(0, count, block);
      for (let row = 0; row < 4; row++)
        heap.fill(0, table + row * block + count, table + (row + 1) * block);
    }
    heap.set([Math.cos(w * from), Math.sin(w * from), a, b, offset, from / span], given);
    kernel.project(out, 0, table, block, given);
    for (let k = 0; k < SUMS; k++) total[k] = (total[k] as number) + (heap[out + k] as number);
  }
  const products = Float64Array.of(...total.subarray(0, 7), n, ...total.subarray(7, 9));
  return { products, rest: total.slice(9, 13), squares: total[13] as number };
}

/** The least and the greatest value: NaN when there is one among them, ±Infinity when there is none. */
export function extremesOf(x: Signal): readonly [least: number, greatest: number] {
  const kernel = kernelFor(x.length);
  const heap = kernel.workspace(BLOCK + 2);
  let [least, greatest] = [Infinity, -Infinity];
  for (let from = 0; from < x.length; from += BLOCK) {
    const to = Math.min(x.length, from + BLOCK);
    copy(heap, 0, x, from, to);
    kernel.extremes(BLOCK, 0, to - from);
    least = Math.min(least, heap[BLOCK] as number);
    greatest = Math.max(greatest, heap[BLOCK + 1] as number);
  }
  return [least, greatest];
}

/** Counts of a histogram, with its lower end and the width of one bin. */
export interface Histogram {
  readonly counts: Float64Array;
  readonly least: number;
  readonly width: number;
}

/**
 * Counts values in bins of one width from the least to the greatest.
 *
 * @returns undefined when all values are equal, there is none, or one is not finite.
 */
export function histogramOf(x: Signal, bins: number): Histogram | undefined {
  const kernel = kernelFor(x.length);
  const heap = kernel.workspace(BLOCK + 2 * bins + 2);
  const counts = BLOCK;
  const [least, greatest] = extremesOf(x);
  const width = (greatest - least) / bins;
  if (!(width > 0 && width < Infinity)) return undefined;
  heap.fill(0, counts, counts + 2 * bins);
  heap.set([least, width], counts + 2 * bins);
  for (let from = 0; from < x.length; from += BLOCK) {
    const to = Math.min(x.length, from + BLOCK);
    copy(heap, 0, x, from, to);
    kernel.count(counts, bins, 0, to - from);
  }
  const odd = heap.subarray(counts + bins, counts + 2 * bins);
  return {
    counts: heap.slice(counts, counts + bins).map((c, bin) => c + (odd[bin] as number)),
    least,
    width,
  };
}
