import { kernelFor, type Kernel } from './kernel.js';
import { plainKernel } from './plain.js';

type Signal = Float32Array | Float64Array;

/** Complex values, real and imaginary parts apart. */
export interface Complex {
  readonly re: Float64Array;
  readonly im: Float64Array;
}

/** What stands before the first and after the last sample: zeros, or the record once more. */
export type Ends = 'zero' | 'periodic';

const KEPT = 2 ** 16; // elements: larger tables and workspaces are not kept for another time
const tables = new Map<number, Float64Array>();

/** exp(−j2πk/size) for k = 0 … 3/4 · size, real and imaginary parts in turn. */
function turnsOf(size: number): Float64Array {
  const known = tables.get(size);
  if (known !== undefined) return known;
  const turns = new Float64Array(2 * size);
  for (let k = 0; 4 * k <= 3 * size; k++) {
    turns[2 * k] = Math.cos((2 * Math.PI * k) / size);
    turns[2 * k + 1] = -Math.sin((2 * Math.PI * k) / size);
  }
  if (size <= KEPT) tables.set(size, turns);
  return turns;
}

/** Places in a workspace for transforms of one size. */
interface Desk {
  readonly kernel: Kernel;
  readonly heap: Float64Array;
  readonly size: number;
  readonly turns: number;
  readonly z: number;
  readonly spare: number;
  /** One record of `size` samples each. */
  readonly x: number;
  readonly y: number;
  /** Four doubles for each element, 0. */
  readonly sums: number;
  readonly weights: number;
}

/** @param work - Samples that will be transformed in all. */
function deskFor(size: number, work: number): Desk {
  const kernel = size > KEPT ? plainKernel() : kernelFor(work);
  const heap = kernel.workspace(17 * size);
  const [turns, z, spare, x, y] = [0, 2 * size, 6 * size, 10 * size, 11 * size];
  const [sums, weights] = [12 * size, 16 * size];
  heap.set(turnsOf(size), turns);
  heap.fill(0, sums, weights);
  return { kernel, heap, size, turns, z, spare, x, y, sums, weights };
}

/** Copies x[from … from + count) to a place of the workspace. */
function fetch(heap: Float64Array, place: number, x: Signal, span: Span): void {
  const { from, count, ends } = span;
  if (ends === 'periodic') {
    const start = ((from % x.length) + x.length) % x.length;
    let done = 0;
    while (done < count) {
      const at = done === 0 ? start : 0;
      const part = x.subarray(at, at + count - done);
      heap.set(part, place + done);
      done += part.length;
    }
    return;
  }
  const [first, last] = [Math.max(0, from), Math.max(0, from + count)];
  const part = x.subarray(first, last);
  const before = Math.min(count, first - from);
  heap.fill(0, place, place + before);
  heap.set(part, place + before);
  heap.fill(0, place + before + part.length, place + count);
}

interface Span {
  readonly from: number;
  readonly count: number;
  readonly ends: Ends;
}

/**
 * Transforms real samples, zero-padded to `size`: even and odd samples in two lanes, put together by
 * butterflies of two.
 *
 * @param size - A power of two, 2 or more, not less than the number of samples.
 * @returns Bins 0 … size/2.
 */
export function forwardReal(samples: Signal, size: number): Complex {
  const half = size / 2;
  const desk = deskFor(half, size);
  const { kernel, heap, z } = desk;
  heap.fill(0, z, z + 4 * half);
  for (let i = 0; i < samples.length; i++) heap[z + 4 * (i >> 1) + (i & 1)] = samples[i] as number;
  const at = kernel.transform(z, desk.spare, desk.turns, half);
  const turns = turnsOf(size);
  const re = new Float64Array(half + 1);
  const im = new Float64Array(half + 1);
  for (let k = 0; k <= half; k++) {
    const from = at + 4 * (k % half);
    const [wr, wi] = [turns[2 * k] as number, turns[2 * k + 1] as number];
    const [or, oi] = [heap[from + 1] as number, heap[from + 3] as number];
    re[k] = (heap[from] as number) + (wr * or - wi * oi);
    im[k] = (heap[from + 2] as number) + (wr * oi + wi * or);
  }
  return { re, im };
}

/** Turns bins 0 … size/2 back into real samples: the inverse of `forwardReal`. */
export function inverseReal(spectrum: Complex): Float64Array {
  const half = spectrum.re.length - 1;
  const size = 2 * half;
  const desk = deskFor(half, size);
  const { kernel, heap, z } = desk;
  const turns = turnsOf(size);
  for (let k = 0; k < half; k++) {
    const [ar, ai] = [spectrum.re[k] as number, spectrum.im[k] as number];
    // Bin k + half is the conjugate of bin half − k.
    const [br, bi] = [spectrum.re[half - k] as number, -(spectrum.im[half - k] as number)];
    const [wr, wi] = [turns[2 * k] as number, turns[2 * k + 1] as number];
    const [dr, di] = [ar - br, ai - bi];
    // Real and imaginary parts exchanged: the transform is then the inverse one.
    heap[z + 4 * k] = ai + bi;
    heap[z + 4 * k + 1] = wr * di - wi * dr;
    heap[z + 4 * k + 2] = ar + br;
    heap[z + 4 * k + 3] = wr * dr + wi * di;
  }
  const at = kernel.transform(z, desk.spare, desk.turns, half);
  const samples = new Float64Array(size);
  for (let i = 0; i < size; i++)
    samples[i] = (heap[at + 4 * (i >> 1) + 2 + (i & 1)] as number) / size;
  return samples;
}

/** Which segments of two records are transformed and multiplied. */
export interface Segments {
  /** A power of two, 2 or more. */
  readonly size: number;
  readonly segments: number;
  /** From the start of a segment to the start of the next, samples. */
  readonly step: number;
  /** Samples of x and of y in a segment, `size` at most; the rest is 0. */
  readonly length: readonly [number, number];
  /** How much later the segments of y start than those of x. */
  readonly lag: number;
  /** What stands beyond the ends of y; beyond those of x stands 0. */
  readonly ends: Ends;
  /** Segments are freed of their mean and weighted, when given; as long as both segments. */
  readonly weights?: Float64Array;
}

/** Sums over segments at bins 0 … size/2: |X|², |Y|², conj(X) · Y. */
export interface CrossSums {
  readonly xx: Float64Array;
  readonly yy: Float64Array;
  readonly xy: Complex;
}

/**
 * Adds up the powers and products of the transforms of segments.
 *
 * Two neighbouring segments are the real and imaginary part of one complex record, x and y its two
 * lanes, so a transform serves four segments, and what rounds off in a large x does not leak into a
 * small y. With S the product of such transforms, the two segments together have
 * (S[k] + conj(S[size − k]))/2: they need not be told apart.
 */
export function crossSums(x: Signal, y: Signal, plan: Segments): CrossSums {
  const { size, segments, length, weights } = plan;
  const desk = deskFor(size, segments * size);
  const { kernel, heap, z } = desk;
  if (weights !== undefined) heap.set(weights, desk.weights);
  for (let k = 0; k < segments; k += 2) {
    for (const part of [0, 1]) {
      const there = k + part < segments;
      const from = (k + part) * plan.step;
      const n = there ? Math.max(...length) : 0;
      if (there) {
        const start = from + plan.lag;
        fetch(heap, desk.x, x, { from, count: length[0], ends: 'zero' });
        fetch(heap, desk.y, y, { from: start, count: length[1], ends: plan.ends });
        heap.fill(0, desk.x + length[0], desk.x + n);
        heap.fill(0, desk.y + length[1], desk.y + n);
      }
      kernel.interleave(z + 2 * part, desk.x, desk.y, n, size);
      if (weights !== undefined && there) kernel.weigh(z + 2 * part, desk.weights, n);
    }
    kernel.gather(desk.sums, kernel.transform(z, desk.spare, desk.turns, size), size);
  }
  return folded(heap.subarray(desk.sums, desk.sums + 4 * size), size);
}

function folded(sums: Float64Array, size: number): CrossSums {
  const bins = size / 2 + 1;
  const fold = (lane: number, sign: 1 | -1): Float64Array =>
    Float64Array.from({ length: bins }, (_, k) => {
      const mirror = (size - k) % size;
      return ((sums[4 * k + lane] as number) + sign * (sums[4 * mirror + lane] as number)) / 2;
    });
  return { xx: fold(0, 1), yy: fold(1, 1), xy: { re: fold(2, 1), im: fold(3, -1) } };
}

/**
 * Convolves a record with taps: y[i] = Σ taps[j] · x[from + i − j], i = 0 … count − 1.
 *
 * Blocks overlap by the length of the taps, and four of them share one transform there and one back.
 * One NaN spoils four blocks: it never hides, but it reaches further than in a plain sum.
 */
export function convolve(x: Signal, taps: Float64Array, span: Span): Float64Array {
  const size = powerOfTwo(Math.min(8 * taps.length, taps.length + span.count));
  const desk = deskFor(size, span.count);
  const { kernel, heap, z } = desk;
  const spectrum = desk.sums;
  tapSpectrum(desk, taps, spectrum);
  const lead = taps.length - 1;
  const step = size - lead;
  const out = new Float64Array(span.count);
  for (let done = 0; done < span.count; done += 4 * step) {
    for (const part of [0, 1]) {
      const from = span.from + done + 2 * part * step - lead;
      fetch(heap, desk.x, x, { from, count: size, ends: span.ends });
      fetch(heap, desk.y, x, { from: from + step, count: size, ends: span.ends });
      kernel.interleave(z + 2 * part, desk.x, desk.y, size, size);
    }
    const there = kernel.transform(z, desk.spare, desk.turns, size);
    kernel.multiply(there, spectrum, size);
    const back = kernel.transform(there, z + desk.spare - there, desk.turns, size);
    for (const part of [0, 1]) {
      // Parts come back exchanged: the first two blocks are in the imaginary part.
      kernel.separate(back + 4 * lead + 2 * (1 - part), desk.x, desk.y, step);
      [desk.x, desk.y].forEach((place, lane) => {
        const start = done + (2 * part + lane) * step;
        const count = Math.max(0, Math.min(step, span.count - start));
        out.set(heap.subarray(place, place + count), Math.min(start, span.count));
      });
    }
  }
  return out;
}

function tapSpectrum(desk: Desk, taps: Float64Array, place: number): void {
  const { kernel, heap, size, z, x } = desk;
  heap.set(taps, x);
  heap.fill(0, z, z + 4 * size);
  kernel.interleave(z, x, x, taps.length, size);
  const at = kernel.transform(z, desk.spare, desk.turns, size);
  for (let k = 0; k < size; k++) {
    heap[place + 2 * k] = (heap[at + 4 * k] as number) / size;
    heap[place + 2 * k + 1] = (heap[at + 4 * k + 2] as number) / size;
  }
}

/** The least power of two, 2 or more, that is not less than `length`. */
export function powerOfTwo(length: number): number {
  return 2 ** Math.max(1, Math.ceil(Math.log2(length)));
}

/** Correlates two records at lags from … to: R[k] = Σ x[n] · y[n + k]. */
export function correlateBlocks(
  x: Signal,
  y: Signal,
  lags: { readonly from: number; readonly to: number; readonly ends: Ends },
): Float64Array {
  const count = lags.to - lags.from + 1;
  const size = Math.max(256, powerOfTwo(2 * count));
  const step = size - count + 1;
  const segments = Math.ceil(x.length / step);
  const plan = { size, step, length: [step, size], lag: lags.from, ends: lags.ends } as const;
  const sums = crossSums(x, y, { ...plan, segments });
  return inverseReal(sums.xy).subarray(0, count);
}
