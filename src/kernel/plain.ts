import type { Kernel } from './kernel.js';

/**
 * The kernel in plain TypeScript: the reference for the one in WebAssembly, and in its place for short
 * records and where there is no WebAssembly. What each loop does is told in `kernel.ts`.
 */
export function plainKernel(): Kernel {
  let heap = new Float64Array(0);
  const workspace = (length: number): Float64Array => {
    if (length > heap.length) heap = new Float64Array(length);
    return heap;
  };
  return {
    name: 'plain',
    workspace,
    transform: (from, spare, turns, size) => transform(heap, from, spare, turns, size),
    interleave: (z, x, y, n, size) => {
      interleave(heap, z, x, y, n, size);
    },
    separate: (z, x, y, n) => {
      for (let i = 0; i < n; i++) {
        heap[x + i] = heap[z + 4 * i] as number;
        heap[y + i] = heap[z + 4 * i + 1] as number;
      }
    },
    weigh: (z, weights, n) => {
      for (const lane of LANES) weigh(heap, z + lane, weights, n);
    },
    gather: (sums, z, size) => {
      gather(heap, sums, z, size);
    },
    multiply: (z, spectrum, size) => {
      for (const lane of LANES) multiply(heap, z + lane, spectrum, size);
    },
    moments: (out, x, y, n) => {
      heap.set(moments(heap.subarray(x, x + n), heap.subarray(y, y + n)), out);
    },
    project: (out, y, table, block, given) => {
      heap.set(project(heap, y, table, block, given), out);
    },
    extremes: (out, x, n) => {
      heap.set(extremes(heap.subarray(x, x + n)), out);
    },
    count: (counts, bins, x, n) => {
      count(heap.subarray(counts, counts + 2 * bins + 2), bins, heap.subarray(x, x + n));
    },
  };
}

const LANES = [0, 1] as const;

function transform(
  heap: Float64Array,
  from: number,
  spare: number,
  turns: number,
  size: number,
): number {
  let [x, y, stride, n] = [from, spare, 1, size];
  for (; n >= 4; n /= 4) {
    for (const lane of LANES) fours(heap, { x: x + lane, y: y + lane, turns, n, stride });
    [x, y] = [y, x];
    stride *= 4;
  }
  if (n === 1) return x;
  const far = 4 * stride;
  for (let i = 0; i < far; i++) {
    const a = heap[x + i] as number;
    const b = heap[x + i + far] as number;
    heap[y + i] = a + b;
    heap[y + i + far] = a - b;
  }
  return y;
}

interface Pass {
  readonly x: number;
  readonly y: number;
  readonly turns: number;
  readonly n: number;
  readonly stride: number;
}

/** One pass of butterflies of four, on one lane. */
function fours(heap: Float64Array, pass: Pass): void {
  const { turns, n, stride } = pass;
  let { x, y } = pass;
  const quarter = n / 4;
  const row = 4 * stride;
  const far = row * quarter;
  for (let p = 0; p < quarter; p++) {
    const w = turns + 2 * p * stride;
    const [w1r, w1i] = [heap[w] as number, heap[w + 1] as number];
    const w2 = w + 2 * p * stride;
    const [w2r, w2i] = [heap[w2] as number, heap[w2 + 1] as number];
    const w3 = w2 + 2 * p * stride;
    const [w3r, w3i] = [heap[w3] as number, heap[w3 + 1] as number];
    for (const end = x + row; x < end; x += 4, y += 4) {
      const [ar, ai] = [heap[x] as number, heap[x + 2] as number];
      const [br, bi] = [heap[x + far] as number, heap[x + far + 2] as number];
      const [cr, ci] = [heap[x + 2 * far] as number, heap[x + 2 * far + 2] as number];
      const [dr, di] = [heap[x + 3 * far] as number, heap[x + 3 * far + 2] as number];
      const [acr, aci, bdr, bdi] = [ar + cr, ai + ci, br + dr, bi + di];
      const [amcr, amci, bmdr, bmdi] = [ar - cr, ai - ci, br - dr, bi - di];
      heap[y] = acr + bdr;
      heap[y + 2] = aci + bdi;
      const [r1, i1] = [amcr + bmdi, amci - bmdr];
      heap[y + row] = w1r * r1 - w1i * i1;
      heap[y + row + 2] = w1r * i1 + w1i * r1;
      const [r2, i2] = [acr - bdr, aci - bdi];
      heap[y + 2 * row] = w2r * r2 - w2i * i2;
      heap[y + 2 * row + 2] = w2r * i2 + w2i * r2;
      const [r3, i3] = [amcr - bmdi, amci + bmdr];
      heap[y + 3 * row] = w3r * r3 - w3i * i3;
      heap[y + 3 * row + 2] = w3r * i3 + w3i * r3;
    }
    y += 3 * row;
  }
}

function interleave(
  heap: Float64Array,
  z: number,
  x: number,
  y: number,
  n: number,
  size: number,
): void {
  for (let i = 0; i < n; i++) {
    heap[z + 4 * i] = heap[x + i] as number;
    heap[z + 4 * i + 1] = heap[y + i] as number;
  }
  for (let i = n; i < size; i++) heap.fill(0, z + 4 * i, z + 4 * i + 2);
}

function weigh(heap: Float64Array, z: number, weights: number, n: number): void {
  let [even, odd] = [0, 0];
  for (let i = 0; i < n; i += 2) even += heap[z + 4 * i] as number;
  for (let i = 1; i < n; i += 2) odd += heap[z + 4 * i] as number;
  const mean = (even + odd) / n;
  for (let i = 0; i < n; i++)
    heap[z + 4 * i] = (heap[weights + i] as number) * ((heap[z + 4 * i] as number) - mean);
}

function gather(heap: Float64Array, sums: number, z: number, size: number): void {
  for (let i = 0; i < 4 * size; i += 4) {
    const [xr, yr] = [heap[z + i] as number, heap[z + i + 1] as number];
    const [xi, yi] = [heap[z + i + 2] as number, heap[z + i + 3] as number];
    const to = sums + i;
    heap[to] = (heap[to] as number) + (xr * xr + xi * xi);
    heap[to + 1] = (heap[to + 1] as number) + (yr * yr + yi * yi);
    heap[to + 2] = (heap[to + 2] as number) + (xr * yr + xi * yi);
    heap[to + 3] = (heap[to + 3] as number) + (xr * yi - xi * yr);
  }
}

function multiply(heap: Float64Array, z: number, spectrum: number, size: number): void {
  for (let i = 0; i < size; i++) {
    const [re, im] = [heap[z + 4 * i] as number, heap[z + 4 * i + 2] as number];
    const [hr, hi] = [heap[spectrum + 2 * i] as number, heap[spectrum + 2 * i + 1] as number];
    heap[z + 4 * i] = hr * im + hi * re;
    heap[z + 4 * i + 2] = hr * re - hi * im;
  }
}

/** Adds as two lanes do: the values at even places, those at odd places, then both. */
function laneSum(n: number, term: (i: number) => number): number {
  const even = n - (n % 2);
  let [first, second] = [0, 0];
  for (let i = 0; i < even; i += 2) {
    first += term(i);
    second += term(i + 1);
  }
  return first + second + (even < n ? term(even) : 0);
}

function moments(x: Float64Array, y: Float64Array): readonly number[] {
  const n = x.length;
  const meanX = laneSum(n, (i) => x[i] as number) / n;
  const meanY = laneSum(n, (i) => y[i] as number) / n;
  const dx = x.map((value) => value - meanX);
  const dy = y.map((value) => value - meanY);
  const product = (a: Float64Array, b: Float64Array): number =>
    laneSum(n, (i) => (a[i] as number) * (b[i] as number));
  return [meanX, meanY, product(dx, dx), product(dy, dy), product(dx, dy)];
}

function project(
  heap: Float64Array,
  y: number,
  table: number,
  block: number,
  given: number,
): readonly number[] {
  const [c0, s0, a, b, offset, t0] = heap.subarray(given, given + 6) as unknown as SineGiven;
  const columns = Array.from({ length: 5 }, () => new Float64Array(block)) as unknown as Columns;
  const [cos, sin, one, turn, rest] = columns;
  for (let i = 0; i < block; i++) {
    const [c, s] = [heap[table + i] as number, heap[table + block + i] as number];
    const [cosine, sine] = [c0 * c - s0 * s, s0 * c + c0 * s];
    cos[i] = cosine;
    sin[i] = sine;
    one[i] = heap[table + 2 * block + i] as number;
    turn[i] = (t0 + (heap[table + 3 * block + i] as number)) * (b * cosine - a * sine);
    rest[i] = (heap[y + i] as number) - (a * cosine + b * sine) - offset * (one[i] as number);
  }
  const sum = (p: Float64Array): number => laneSum(block, (i) => p[i] as number);
  const product = (p: Float64Array, q: Float64Array): number =>
    laneSum(block, (i) => (p[i] as number) * (q[i] as number));
  return [
    product(cos, cos),
    product(cos, sin),
    sum(cos),
    product(cos, turn),
    product(sin, sin),
    sum(sin),
    product(sin, turn),
    sum(turn),
    product(turn, turn),
    product(rest, cos),
    product(rest, sin),
    sum(rest),
    product(rest, turn),
    product(rest, rest),
  ];
}

type SineGiven = readonly [number, number, number, number, number, number];
type Columns = readonly [Float64Array, Float64Array, Float64Array, Float64Array, Float64Array];

function extremes(x: Float64Array): readonly [number, number] {
  let [low, high] = [Infinity, -Infinity];
  for (const value of x) {
    low = Math.min(low, value);
    high = Math.max(high, value);
  }
  return [low, high];
}

function count(counts: Float64Array, bins: number, x: Float64Array): void {
  const [least, width] = [counts[2 * bins] as number, counts[2 * bins + 1] as number];
  for (let i = 0; i < x.length; i++) {
    const place = ((x[i] as number) - least) / width;
    const bin = Math.trunc(Math.min(bins - 1, place)) + (i % 2) * bins;
    counts[bin] = (counts[bin] as number) + 1;
  }
}
