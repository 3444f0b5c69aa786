import { BYTES } from './bytes.js';
import { plainKernel } from './plain.js';

/**
 * The inner loops of scoring. Two kernels have them: `plain.ts` in TypeScript and `assembly/kernel.ts` in
 * WebAssembly with two lanes. Both add in the same order, so their results are the same to the last
 * bit, and either can be left out.
 *
 * All loops work in one workspace and take places in it, counted in doubles; x, y, z … stand for
 * places. A complex element takes four doubles: real lane 0, real lane 1, imaginary lane 0,
 * imaginary lane 1; so one transform serves two complex, or four real, records.
 */
export interface Kernel {
  readonly name: 'plain' | 'wasm';

  /** Makes room for `length` doubles. What was in it, and earlier views of it, count no more. */
  workspace(length: number): Float64Array;

  /**
   * Transforms `size` elements: Σ z[n] · exp(−j2πkn/size), after Stockham: passes of four-point
   * butterflies, and one of two points when `size` is an odd power of two, from one place into another
   * and back, in natural order throughout.
   *
   * @param turns - exp(−j2πk/size) for k = 0 … 3/4 · size, real and imaginary parts in turn.
   * @returns `from` or `spare`: where the result is. The other holds nothing of use.
   */
  transform(from: number, spare: number, turns: number, size: number): number;

  /**
   * Puts n values of x and of y into the lanes of one part of z and zeros after them up to `size`.
   *
   * @param z - Place of the elements for the real part; two doubles later for the imaginary part.
   */
  interleave(z: number, x: number, y: number, n: number, size: number): void;

  /** Copies n elements of one part of z back: lane 0 to x, lane 1 to y. */
  separate(z: number, x: number, y: number, n: number): void;

  /** Takes the mean of n values off each lane of one part of z and multiplies with the weights. */
  weigh(z: number, weights: number, n: number): void;

  /**
   * Adds for each element |X|², |Y|² and conj(X) · Y to four sums; X is lane 0, Y lane 1.
   */
  gather(sums: number, z: number, size: number): void;

  /**
   * Multiplies both lanes with a spectrum (real and imaginary part in turn) and exchanges real and
   * imaginary parts: transformed again, that is the inverse transform, exchanged.
   */
  multiply(z: number, spectrum: number, size: number): void;

  /** Writes the means of x and y and their sums of squares and products about the means. */
  moments(out: number, x: number, y: number, n: number): void;

  /**
   * One round of a sine fit over `block` samples: sums of products of the columns cos, sin, 1 and
   * turn = (t0 + t) · (b · cos − a · sin), and of the columns with rest = y − a · cos − b · sin − offset.
   *
   * @param out - cc, cs, c1, ct, ss, s1, st, 1t, tt, rest·c, rest·s, rest·1, rest·t, rest².
   * @param table - Rows of `block` values: cos wi, sin wi, 1, t; 0 after the last sample.
   * @param block - Even.
   * @param given - cos and sin at the first sample, a, b, offset, t0.
   */
  project(out: number, y: number, table: number, block: number, given: number): void;

  /** Writes the least and the greatest value; NaN when there is one among them. */
  extremes(out: number, x: number, n: number): void;

  /**
   * Counts values in bins of one width: `bins` counts of the values at even places, as many of those at
   * odd places, and after them the lower end and the width.
   *
   * @param x - None NaN, none below the lower end; what lies above the last bin counts in it.
   */
  count(counts: number, bins: number, x: number, n: number): void;
}

/** Below this many samples a start of WebAssembly costs more than it saves. */
const LONG = 16_384;

const plain = plainKernel();
let fast: Kernel | undefined;

/** Chooses the kernel for so much work; WebAssembly is started by the first long record. */
export function kernelFor(samples: number): Kernel {
  if (samples < LONG) return plain;
  fast ??= wasmKernel() ?? plain;
  return fast;
}

/** Starts the WebAssembly kernel, or returns undefined where there is none or none with lanes. */
export function wasmKernel(): Kernel | undefined {
  if (typeof WebAssembly === 'undefined') return undefined;
  const bytes = Uint8Array.from(atob(BYTES), (letter) => letter.charCodeAt(0));
  if (!WebAssembly.validate(bytes)) return undefined;
  const instance = new WebAssembly.Instance(new WebAssembly.Module(bytes));
  const { memory, ...loops } = instance.exports as unknown as Loops; // made from assembly/kernel.ts
  let heap = new Float64Array(memory.buffer);
  const workspace = (length: number): Float64Array => {
    if (length > heap.length) {
      memory.grow(Math.ceil(((length - heap.length) * heap.BYTES_PER_ELEMENT) / PAGE));
      heap = new Float64Array(memory.buffer);
    }
    return heap;
  };
  return { name: 'wasm', workspace, ...loops };
}

const PAGE = 65_536; // bytes

interface Loops extends Omit<Kernel, 'name' | 'workspace'> {
  readonly memory: WebAssembly.Memory;
}
