import { readFileSync } from 'node:fs';
import { afterEach, expect, test, vi } from 'vitest';
import { fitPolynomial } from '../../src/scoring/curve.js';
import { correlate, shifted } from '../../src/scoring/delay.js';
import { savitzkyGolay } from '../../src/scoring/filter.js';
import { fitLine } from '../../src/scoring/line.js';
import { fitSine, fitSineAndFrequency } from '../../src/scoring/sine.js';
import { compiledKernel, KERNEL } from '../../src/kernel/compile-kernel.js';
import { kernelFor, wasmKernel, type Kernel } from '../../src/kernel/kernel.js';
import { plainKernel } from '../../src/kernel/plain.js';
import { extremesOf, histogramOf, momentsOf, sineSums } from '../../src/kernel/sums.js';
import {
  convolve,
  crossSums,
  forwardReal,
  inverseReal,
  powerOfTwo,
  type Ends,
} from '../../src/kernel/transforms.js';
import { lcgNormal } from '../support/lcg.js';

const noise = (length: number, seed = 1): Float64Array => {
  const next = lcgNormal(seed);
  return Float64Array.from({ length }, () => next());
};
const at = (x: ArrayLike<number>, i: number): number => x[i] ?? NaN;
const peak = (x: Float64Array): number => x.reduce((most, v) => Math.max(most, Math.abs(v)), 0);
/** Greatest difference over the peak of the second; NaN when one is NaN or lengths differ. */
const apart = (a: Float64Array, b: Float64Array): number => {
  if (a.length !== b.length) return NaN;
  return b.length === 0 ? 0 : peak(a.map((v, i) => v - at(b, i))) / Math.max(peak(b), 1e-300);
};

function wasm(): Kernel {
  const kernel = wasmKernel();
  if (kernel === undefined) throw new Error('no WebAssembly here');
  return kernel;
}

afterEach(() => {
  vi.unstubAllGlobals();
  vi.resetModules();
});

/** Runs one loop of both kernels over the same workspace and compares all of it, bit for bit. */
function expectSameBits(loop: (kernel: Kernel) => unknown, contents: Float64Array): void {
  const [first, second] = [plainKernel(), wasm()].map((kernel) => {
    kernel.workspace(contents.length).set(contents);
    const answer = loop(kernel);
    return { answer, heap: kernel.workspace(0).slice(0, contents.length) };
  });
  expect(second?.answer).toEqual(first?.answer);
  const different = first?.heap.findIndex((value, i) => !Object.is(value, second?.heap[i]));
  expect(different).toBe(-1);
}

const LOOPS: Readonly<Record<string, (kernel: Kernel, n: number) => unknown>> = {
  interleave: (k, n) => {
    k.interleave(2, 6000, 8000, n, n + 3);
  },
  separate: (k, n) => {
    k.separate(2, 6000, 8000, n);
  },
  weigh: (k, n) => {
    k.weigh(2, 6000, n);
  },
  gather: (k, n) => {
    k.gather(6000, 0, n);
  },
  multiply: (k, n) => {
    k.multiply(0, 6000, n);
  },
  moments: (k, n) => {
    k.moments(0, 6000, 8000, n);
  },
  extremes: (k, n) => {
    k.extremes(0, 6000, n);
  },
  project: (k, n) => {
    k.project(0, 6000, 8000, n + (n % 2), 100);
  },
};

for (const [name, loop] of Object.entries(LOOPS)) {
  test(`${name}: both kernels agree to the last bit for 1, 2, 3, 7, 64 and 1001 elements`, () => {
    for (const n of [1, 2, 3, 7, 64, 1001])
      expectSameBits((kernel) => loop(kernel, n), noise(14_000, n));
  });

  test(`${name}: both kernels agree on what is not finite`, () => {
    const contents = noise(14_000);
    contents[6003] = NaN;
    contents[8002] = Infinity;
    contents[5] = -Infinity;
    expectSameBits((kernel) => loop(kernel, 64), contents);
  });
}

test('count: both kernels agree, and what lies above the last bin counts in it', () => {
  for (const n of [1, 2, 7, 1000]) {
    const contents = noise(4000, n).map(Math.abs);
    contents.set([0, 0.1], 2 * 20);
    expectSameBits((kernel) => {
      kernel.count(0, 20, 2000, n);
    }, contents);
  }
});

test('transform: both kernels agree to the last bit for every size up to 4096', () => {
  for (let size = 1; size <= 4096; size *= 2) {
    expectSameBits(
      (kernel) => kernel.transform(2 * size, 6 * size, 0, size),
      noise(10 * size, size),
    );
  }
});

/** Bins 0 … size/2 by the definition. */
function definition(x: Float64Array, size: number): { re: Float64Array; im: Float64Array } {
  const turn = (k: number, n: number): number => (2 * Math.PI * ((k * n) % size)) / size;
  const bins = { length: size / 2 + 1 };
  const re = Float64Array.from(bins, (_, k) =>
    x.reduce((sum, v, n) => sum + v * Math.cos(turn(k, n)), 0),
  );
  const im = Float64Array.from(bins, (_, k) =>
    x.reduce((sum, v, n) => sum - v * Math.sin(turn(k, n)), 0),
  );
  return { re, im };
}

test('the transform of real samples is its definition, from 2 to 1024, with and without zeros after', () => {
  for (let size = 2; size <= 1024; size *= 2) {
    for (const length of new Set([0, 1, size - 1, size])) {
      const x = noise(length, size + 1);
      const [found, right] = [forwardReal(x, size), definition(x, size)];
      const scale = Math.max(1, peak(right.re), peak(right.im));
      expect(peak(found.re.map((v, k) => v - at(right.re, k))) / scale).toBeLessThan(1e-14);
      expect(peak(found.im.map((v, k) => v - at(right.im, k))) / scale).toBeLessThan(1e-14);
      const padded = new Float64Array(size);
      padded.set(x);
      expect(peak(inverseReal(found).map((v, n) => v - at(padded, n)))).toBeLessThan(1e-14);
    }
  }
});

test('a transform longer than any table that is kept', () => {
  const size = 2 ** 18;
  const x = Float64Array.from({ length: size }, (_, n) =>
    Math.cos((2 * Math.PI * ((1000 * n) % size)) / size),
  );
  const { re, im } = forwardReal(x, size);
  expect(at(re, 1000)).toBeCloseTo(size / 2, 6);
  re[1000] = 0;
  expect(Math.max(peak(re), peak(im)) / size).toBeLessThan(1e-13);
});

/** Sums over segments one by one, by the definition of the transform. */
function segmentSums(x: Float64Array, y: Float64Array, segments: number) {
  const weights = Float64Array.from({ length: 30 }, (_, i) => 1 + (i % 7));
  const part = (r: Float64Array, from: number): Float64Array => {
    const cut = r.subarray(from, from + 30);
    const mean = cut.reduce((sum, v) => sum + v, 0) / 30;
    return cut.map((v, i) => at(weights, i) * (v - mean));
  };
  const [xx, yy, re, im] = [0, 1, 2, 3].map(() => new Float64Array(17)) as [
    Float64Array,
    Float64Array,
    Float64Array,
    Float64Array,
  ];
  for (let s = 0; s < segments; s++) {
    const [a, b] = [definition(part(x, 11 * s), 32), definition(part(y, 11 * s), 32)];
    for (let k = 0; k < 17; k++) {
      const [ar, ai, br, bi] = [at(a.re, k), at(a.im, k), at(b.re, k), at(b.im, k)];
      xx[k] = at(xx, k) + ar * ar + ai * ai;
      yy[k] = at(yy, k) + br * br + bi * bi;
      re[k] = at(re, k) + ar * br + ai * bi;
      im[k] = at(im, k) + ar * bi - ai * br;
    }
  }
  return { weights, xx, yy, re, im };
}

for (const segments of [0, 1, 2, 5]) {
  test(`sums over ${segments} segments are those of each segment; a small y beside a large x too`, () => {
    const x = noise(100, 3).map((v) => 1e9 * v);
    const y = noise(100, 4);
    const right = segmentSums(x, y, segments);
    const { weights } = right;
    const plan = { size: 32, segments, step: 11, length: [30, 30], lag: 0, ends: 'zero' } as const;
    const found = crossSums(x, y, { ...plan, weights });
    expect(apart(found.xx, right.xx)).toBeLessThan(1e-13);
    expect(apart(found.yy, right.yy)).toBeLessThan(1e-13);
    const scale = peak(right.re) + peak(right.im) + 1e-300;
    expect(peak(found.xy.re.map((v, k) => v - at(right.re, k))) / scale).toBeLessThan(1e-13);
    expect(peak(found.xy.im.map((v, k) => v - at(right.im, k))) / scale).toBeLessThan(1e-13);
  });
}

function plainSums(
  x: Float64Array,
  taps: Float64Array,
  from: number,
  count: number,
  ends: Ends,
): Float64Array {
  const n = x.length;
  return Float64Array.from({ length: count }, (_, i) =>
    taps.reduce((sum, tap, j) => {
      const place = from + i - j;
      const value = ends === 'zero' ? (x[place] ?? 0) : at(x, ((place % n) + n) % n);
      return sum + tap * value;
    }, 0),
  );
}

for (const [length, taps, from, count] of [
  [1, 1, 0, 1],
  [2, 3, 1, 2],
  [5, 30, -7, 40],
  [97, 7, 3, 97],
  [1000, 101, 50, 1000],
  [1000, 101, 980, 77],
  [1000, 1, 0, 0],
] as const) {
  test(`convolution of ${length} samples with ${taps} taps, ${count} values from ${from}`, () => {
    const [x, h] = [noise(length, 5), noise(taps, 6)];
    for (const ends of ['zero', 'periodic'] as const) {
      const found = convolve(x, h, { from, count, ends });
      expect(apart(found, plainSums(x, h, from, count, ends))).toBeLessThan(1e-13);
      expect(convolve(Float32Array.from(x), h, { from, count, ends })).toHaveLength(count);
    }
  });
}

test('convolution of nothing is nothing, or zeros', () => {
  const none = new Float64Array(0);
  expect([...convolve(none, noise(3), { from: 0, count: 2, ends: 'zero' })]).toEqual([0, 0]);
  expect(convolve(none, noise(3), { from: 0, count: 0, ends: 'periodic' })).toHaveLength(0);
});

for (const ends of ['zero', 'periodic'] as const) {
  test(`a long correlation is the sum of products, ends ${ends}`, () => {
    const [x, y] = [noise(3001, 7), noise(3001, 8)];
    const found = correlate(x, y, { from: -70, to: 130 }, ends);
    const right = Float64Array.from({ length: 201 }, (_, i) =>
      x.reduce((sum, v, n) => {
        const place = n + i - 70;
        return sum + v * (ends === 'zero' ? (y[place] ?? 0) : at(y, (place + 3001) % 3001));
      }, 0),
    );
    expect(apart(found, right)).toBeLessThan(1e-13);
  });
}

test('sums of squares about the mean keep their digits on a large offset', () => {
  for (const n of [1, 2, 3, 2048, 2049, 5001]) {
    const x = Float64Array.from({ length: n }, (_, i) => 2 ** 30 + (i % 2));
    const y = x.map((v) => 3 * (v - 2 ** 30));
    const ones = Math.floor(n / 2);
    const right = ones - (ones * ones) / n;
    const { meanX, xx, yy, xy } = momentsOf(x, y);
    expect(meanX - 2 ** 30).toBeCloseTo(ones / n, 6);
    expect(Math.abs(xx - right)).toBeLessThanOrEqual(1e-6 * right);
    expect(Math.abs(xy - 3 * right)).toBeLessThanOrEqual(1e-6 * right);
    expect(Math.abs(yy - 9 * right)).toBeLessThanOrEqual(1e-12 * right);
  }
});

test('histogram: each value in its bin, the greatest in the last', () => {
  for (const n of [2, 3, 2048, 5001]) {
    const x = noise(n, n);
    const found = histogramOf(x, 10);
    const [least, greatest] = [Math.min(...x), Math.max(...x)];
    const right = new Array<number>(10).fill(0);
    for (const v of x) {
      const bin = Math.min(9, Math.floor((v - least) / ((greatest - least) / 10)));
      right[bin] = at(right, bin) + 1;
    }
    expect([...(found?.counts ?? [])]).toEqual(right);
    expect([...extremesOf(x)]).toEqual([least, greatest]);
  }
});

test('histogram of nothing, of one value, of equal values, of NaN, of Infinity: none', () => {
  for (const x of [[], [1], [2, 2, 2], [1, NaN, 3], [1, Infinity]])
    expect(histogramOf(x, 10)).toBeUndefined();
  expect(extremesOf([])).toEqual([Infinity, -Infinity]);
  expect(extremesOf([1, NaN])).toEqual([NaN, NaN]);
});

test('a sine fit on 100 001 samples finds what was put in', () => {
  const w = (2 * Math.PI * 123.4) / 50_000;
  const y = Float64Array.from({ length: 100_001 }, (_, n) => {
    const angle = w * n;
    return 0.2 + 1.3 * Math.cos(angle) - 0.4 * Math.sin(angle);
  });
  const fit = fitSineAndFrequency(y, 50_000, 123.41);
  expect(fit?.frequency).toBeCloseTo(123.4, 10);
  expect(fit?.a).toBeCloseTo(1.3, 11);
  expect(fit?.b).toBeCloseTo(-0.4, 11);
  expect(fit?.offset).toBeCloseTo(0.2, 12);
  expect(fit?.residual).toBeLessThan(1e-11);
});

test('a sine fit says nothing about too few samples, no cycle, or what is not finite', () => {
  expect(fitSine(noise(3), 1000, 50)).toBeUndefined();
  expect(fitSine(noise(100), 1000, 0)).toBeUndefined();
  expect(fitSine(noise(100).fill(NaN, 50, 51), 1000, 50)).toBeUndefined();
  expect(fitSineAndFrequency(new Float64Array(100), 1000, 50)).toBeUndefined();
});

test('sums of a sine round over an odd record are those over its samples', () => {
  const y = noise(2051, 9);
  const { products, rest, squares } = sineSums(y, { w: 0.3, a: 0.5, b: -1, offset: 2 });
  const turn = (n: number): number => (n / 2050) * (-Math.cos(0.3 * n) - 0.5 * Math.sin(0.3 * n));
  const left = y.map((v, n) => v - 0.5 * Math.cos(0.3 * n) + Math.sin(0.3 * n) - 2);
  const sum = (term: (n: number) => number): number => y.reduce((s, _, n) => s + term(n), 0);
  const columns = [
    (n: number) => Math.cos(0.3 * n),
    (n: number) => Math.sin(0.3 * n),
    () => 1,
    turn,
  ];
  const right = columns.flatMap((p, i) => columns.slice(i).map((q) => sum((n) => p(n) * q(n))));
  right.forEach((value, k) => {
    expect(products[k]).toBeCloseTo(value, 9);
  });
  columns.forEach((p, k) => {
    expect(rest[k]).toBeCloseTo(
      sum((n) => p(n) * at(left, n)),
      9,
    );
  });
  expect(squares).toBeCloseTo(
    sum((n) => at(left, n) ** 2),
    8,
  );
});

test('Savitzky–Golay: the weights of seven samples and a parabola', () => {
  // Savitzky and Golay 1964, table I: (−2, 3, 6, 7, 6, 3, −2)/21 (from memory).
  const impulse = new Float64Array(21);
  impulse[10] = 21;
  const weights = savitzkyGolay(impulse, 7, 2).slice(7, 14);
  [-2, 3, 6, 7, 6, 3, -2].forEach((weight, i) => {
    expect(weights[i]).toBeCloseTo(weight, 13);
  });
});

test('Savitzky–Golay leaves a cubic alone up to the ends and fits noise like the polynomial', () => {
  const cubic = Float64Array.from(
    { length: 333 },
    (_, i) => 1 + i / 50 - (i / 90) ** 2 + (i / 200) ** 3,
  );
  expect(apart(savitzkyGolay(cubic, 101, 3), cubic)).toBeLessThan(1e-13);
  const x = noise(300, 11);
  const smooth = savitzkyGolay(x, 101, 3);
  const places = Float64Array.from({ length: 101 }, (_, i) => i);
  for (const [middle, from] of [
    [0, 0],
    [30, 0],
    [50, 0],
    [160, 110],
    [249, 199],
    [299, 199],
  ] as const) {
    const fit = fitPolynomial(places, x.slice(from, from + 101), middle - from, 3);
    expect(smooth[middle]).toBeCloseTo(fit?.[0] ?? NaN, 12);
  }
  expect([...savitzkyGolay(x.subarray(0, 50), 101, 3)].every(Number.isNaN)).toBe(true);
});

test('a shift by part of a sample is exact to 1e-12 up to 0.49 of the sample rate', () => {
  for (const cycles of [10, 1000, 1960]) {
    const turn = (2 * Math.PI) / 4000;
    const tone = (shift: number): Float64Array =>
      Float64Array.from({ length: 4000 }, (_, n) =>
        Math.cos(turn * ((cycles * n) % 4000) + turn * cycles * (shift % 4000) + 0.7),
      );
    for (const shift of [0, 3, 0.5, -12.3, 4000.25])
      expect(apart(shifted(tone(0), shift, 'periodic'), tone(shift))).toBeLessThan(1e-12);
  }
  expect(at(shifted(Float64Array.of(1, 2, 3), 1, 'zero'), 1)).toBeCloseTo(3, 14);
});

test('NaN is never hidden', () => {
  const x = noise(40_000);
  const bad = x.slice();
  bad[20_001] = NaN;
  const plan = { size: 1024, segments: 78, step: 512, length: [1024, 1024], lag: 0 } as const;
  const sums = crossSums(x, bad, { ...plan, ends: 'zero' });
  expect([...sums.yy, ...sums.xy.re, ...sums.xy.im].every(Number.isNaN)).toBe(true);
  expect([...sums.xx].some(Number.isNaN)).toBe(false);
  const span = { from: 50, count: 40_000, ends: 'zero' } as const;
  const smooth = convolve(bad, new Float64Array(101).fill(0.01), span);
  expect([...smooth.subarray(20_001 - 50, 20_001 + 51)].every(Number.isNaN)).toBe(true);
  expect(momentsOf(x, bad).xy).toBeNaN();
  expect(fitLine('least-squares', x, bad)).toBeUndefined();
  expect(correlate(x, bad, { from: -5, to: 5 }, 'zero').every(Number.isNaN)).toBe(true);
});

test('WebAssembly is started by a long record only', () => {
  expect(kernelFor(10_000).name).toBe('plain');
  expect(kernelFor(100_000).name).toBe('wasm');
});

test('without WebAssembly long records score the same to the last bit', async () => {
  const [x, y] = [noise(50_001, 12), noise(50_001, 13)];
  const plan = { size: 4096, segments: 22, step: 2048, length: [4096, 4096], lag: 0 } as const;
  const weights = noise(4096, 14);
  const answers = (
    sums: typeof import('../../src/kernel/sums.js'),
    transforms: typeof import('../../src/kernel/transforms.js'),
  ): unknown => [
    sums.momentsOf(x, y),
    sums.sineSums(x, { w: 0.1, a: 1, b: 2, offset: 3 }),
    sums.histogramOf(x, 100),
    transforms.crossSums(x, y, { ...plan, ends: 'zero', weights }),
    transforms.convolve(x, weights.subarray(0, 101), { from: 9, count: 50_001, ends: 'periodic' }),
    transforms.forwardReal(x, powerOfTwo(50_001)),
  ];
  const load = async (): Promise<unknown> =>
    answers(
      await import('../../src/kernel/sums.js'),
      await import('../../src/kernel/transforms.js'),
    );
  vi.resetModules();
  const fast = await load();
  vi.resetModules();
  vi.stubGlobal('WebAssembly', undefined);
  const plain = await load();
  const { kernelFor: chosen } = await import('../../src/kernel/kernel.js');
  expect(chosen(100_000).name).toBe('plain');
  expect(plain).toStrictEqual(fast);
});

test('ten million samples', () => {
  const n = 10_000_000;
  const x = Float32Array.from({ length: n }, (_, i) => i % 2);
  const { meanX, xx } = momentsOf(x, x);
  expect([meanX, xx]).toEqual([0.5, n / 4]);
  expect(histogramOf(x, 2)?.counts).toEqual(Float64Array.of(n / 2, n / 2));
  const span = { from: 1, count: n, ends: 'periodic' } as const;
  expect(peak(convolve(x, Float64Array.of(0.5, 0.5), span).map((v) => v - 0.5))).toBeLessThan(
    1e-14,
  );
});

test('the bytes of the kernel are those of its source', async () => {
  expect(readFileSync(KERNEL, 'utf8')).toBe(await compiledKernel());
});
