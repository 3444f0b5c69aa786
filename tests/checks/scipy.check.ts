import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { fitPolynomial } from '../../src/scoring/curve.js';
import { correlate, fitShape, unwrap } from '../../src/scoring/delay.js';
import { envelope } from '../../src/scoring/envelope.js';
import {
  butterworth,
  filterOnce,
  gainOf,
  savitzkyGolay,
  zeroPhase,
} from '../../src/scoring/filter.js';
import { leastMovingMean } from '../../src/scoring/heat.js';
import { histogramLevels } from '../../src/scoring/levels.js';
import {
  deviationsFrom,
  fitLine,
  greatestMagnitude,
  lagOneAutocorrelation,
  leastSquares,
  loopArea,
  mean,
  range,
  standardDeviation,
} from '../../src/scoring/line.js';
import { fitSine, fitSineAndFrequency } from '../../src/scoring/sine.js';
import {
  bandPower,
  blockMeans,
  coherenceOf,
  figuresOf,
  lineOf,
  linesByPeriod,
  responseOf,
  welch,
  windowOf,
  type WindowKind,
} from '../../src/scoring/spectrum.js';
import { criticalStiffness } from '../../src/scoring/stability.js';
import { smoothed } from '../../src/scoring/transition.js';
import { coverageFactor } from '../../src/scoring/uncertainty.js';
import { weightingLevel } from '../../src/scoring/weighting.js';
import { lcg } from '../support/lcg.js';

/** A few values of many: where they stand, how large the largest of all is, and their sum. */
interface Some {
  readonly at: readonly number[];
  readonly values: readonly number[];
  readonly peak: number;
  readonly sum: number;
}

interface Entry<I, E> {
  readonly id: string;
  readonly inputs: I;
  readonly expected: E;
}

interface Made {
  readonly scipy: string;
  readonly numpy: string;
  readonly python: string;
  readonly seeds: Readonly<Record<string, number>>;
}

const reference = JSON.parse(
  readFileSync(new URL('scipy-reference.json', import.meta.url), 'utf8'),
) as { readonly made: Made; readonly rows: readonly Entry<unknown, unknown>[] };

/** The entries of one kind; fails when there is none, so that no comparison is skipped. */
function entries<I, E>(kind: string): readonly [Entry<I, E>, ...Entry<I, E>[]] {
  const [first, ...rest] = reference.rows.filter(
    ({ id }) => id === kind || id.startsWith(`${kind}-`),
  ) as readonly Entry<I, E>[];
  if (first === undefined) throw new Error(`no entry ${kind}`);
  return [first, ...rest];
}

const CLOSE = 1e-9; // of the peak

/** Holds values to 1e-9 of the largest of the expected ones. */
function expectPeak(
  found: ArrayLike<number>,
  wanted: ArrayLike<number>,
  peak = greatestMagnitude(wanted),
): void {
  expect(found.length).toBe(wanted.length);
  const apart = Array.from(found, (v, i) => Math.abs(v - (wanted[i] as number)));
  expect(Math.max(...apart) / peak).toBeLessThanOrEqual(CLOSE);
}

/** Holds a whole array to the values kept of it and to its sum. */
function expectSome(found: ArrayLike<number>, { at, values, peak, sum }: Some): void {
  expectPeak(
    at.map((i) => found[i] as number),
    values,
    peak,
  );
  const total = Array.from(found).reduce((a, b) => a + b, 0);
  expect(Math.abs(total - sum)).toBeLessThanOrEqual(CLOSE * peak * found.length);
}

const series = (seed: string, length: number): Float64Array => {
  const next = lcg(reference.made.seeds[seed] ?? NaN);
  return Float64Array.from({ length }, () => next());
};

/** White x; y is x smoothed, three samples late, with noise. */
const x = series('x', 4096).map((u) => u - 0.5);
const noise = series('noise of y', 4096);
let state = 0;
const y = x.map((_, n) => {
  state = 0.75 * state + 0.25 * (x[n - 3] ?? 0);
  return state + 0.05 * ((noise[n] ?? NaN) - 0.5);
});

test('the reference names what made it', () => {
  expect(reference.made).toMatchObject({ scipy: '1.17.1', numpy: '2.4.6', python: '3.11.7' });
});

test('Welch densities, coherence and H1 in three segmentations, one of them zero-padded', () => {
  type Named = 'frequency' | 'xx' | 'yy' | 'xy_re' | 'xy_im' | 'coherence' | 'h1_re' | 'h1_im';
  const all = entries<{ fs: number; segment: number; overlap: number }, Record<Named, Some>>(
    'welch',
  );
  expect(all.length).toBe(3);
  for (const { inputs, expected } of all) {
    const found = welch(x, y, { ...inputs, rate: inputs.fs });
    const response = responseOf(found);
    expectSome(found.frequency, expected.frequency);
    expectSome(found.xx, expected.xx);
    expectSome(found.yy, expected.yy);
    expectSome(found.xy.re, expected.xy_re);
    expectSome(found.xy.im, expected.xy_im);
    expectSome(coherenceOf(found), expected.coherence);
    expectSome(response.re, expected.h1_re);
    expectSome(response.im, expected.h1_im);
  }
});

test('five windows, periodic and symmetric, and their noise bandwidth', () => {
  const all = entries<
    { length: [number, number] },
    { periodic: number[]; symmetric: number[]; noise_bandwidth: number }
  >('window');
  for (const { id, inputs, expected } of all) {
    const kind = id.slice('window-'.length) as WindowKind;
    const [even, odd] = inputs.length;
    const periodic = windowOf(kind, even);
    expectPeak(periodic, expected.periodic);
    expectPeak(windowOf(kind, odd, 'symmetric'), expected.symmetric);
    expectPeak([figuresOf(periodic).noiseBandwidth], [expected.noise_bandwidth]);
  }
});

test('single lines under a flat top and the power of a band', () => {
  const [flat] = entries<{ bins: number[] }, { amplitude: number[] }>('flattop-lines');
  const top = windowOf('flattop', y.length);
  const found = flat.inputs.bins.map((bin) => {
    const { re, im } = lineOf(y, top, bin / y.length);
    return Math.hypot(re, im);
  });
  expectPeak(found, flat.expected.amplitude);
  const [band] = entries<{ from: number; to: number }, { power: number }>('band-power');
  const { frequency, yy } = welch(y, y, { rate: 1000, segment: y.length, overlap: 0 });
  const power = bandPower(frequency, yy, band.inputs.from, band.inputs.to);
  expectPeak([power], [band.expected.power]);
});

interface Lines {
  readonly period: number;
  readonly periods: number;
  readonly bins: number[];
}
interface Amplitudes {
  readonly re: number[][];
  readonly im: number[][];
}

test('lines of eight periods of noise, the highest so high that no sample may be averaged', () => {
  const [{ inputs, expected }] = entries<Lines, Amplitudes>('lines-of-periods');
  const found = linesByPeriod(y, { start: 0, ...inputs }, inputs.bins);
  found.forEach(({ re, im }, p) => {
    expectPeak(re, expected.re[p] ?? []);
    expectPeak(im, expected.im[p] ?? []);
  });
});

test('lines of a multisine, read from blocks of five samples', () => {
  const [{ inputs, expected }] = entries<Lines, Amplitudes>('thinned-lines');
  const turns = series('phases', 6).map((u) => 2 * Math.PI * u);
  const { period, periods, bins } = inputs;
  const wave = Float64Array.from({ length: period * periods }, (_, n) =>
    bins.reduce(
      (sum, bin, k) =>
        sum + (k + 1) * Math.cos((2 * Math.PI * bin * n) / period + (turns[k] ?? NaN)),
      0,
    ),
  );
  const found = linesByPeriod(wave, { start: 0, period, periods }, bins);
  found.forEach(({ re, im }, p) => {
    expectPeak(re, expected.re[p] ?? []);
    expectPeak(im, expected.im[p] ?? []);
  });
});

interface Design {
  readonly order: number;
  readonly cutoff: number;
  readonly rate: number;
}

test('Butterworth responses of order 1 to 7, in the band and beyond it', () => {
  const all = entries<Design, { frequency: number[]; re: number[]; im: number[] }>('butterworth');
  expect(all.length).toBe(10);
  for (const { inputs, expected } of all) {
    const { sections } = butterworth(inputs.order, inputs.cutoff, inputs.rate);
    const gains = expected.frequency.map((f) => gainOf(sections, f, inputs.rate));
    expectPeak(
      gains.map(({ re }) => re),
      expected.re,
      1,
    );
    expectPeak(
      gains.map(({ im }) => im),
      expected.im,
      1,
    );
  }
});

test('filtering once from rest, and forwards and backwards with reflected ends', () => {
  const all = entries<Design & { n: number; padlen: number }, { zero_phase: Some; once: Some }>(
    'zero-phase',
  );
  expect(all.length).toBe(5);
  for (const { inputs, expected } of all) {
    const filter = butterworth(inputs.order, inputs.cutoff, inputs.rate);
    const record = y.slice(0, inputs.n);
    expectSome(filterOnce(filter.sections, record), expected.once);
    expectSome(zeroPhase(filter, record), expected.zero_phase);
  }
});

test('group delay as the slope of our angle', () => {
  const [{ inputs, expected }] = entries<Design & { w: number[] }, { delay: number[] }>(
    'group-delay',
  );
  const { sections } = butterworth(inputs.order, inputs.cutoff, inputs.rate);
  const angle = (w: number): number => {
    const { re, im } = gainOf(sections, w, 2 * Math.PI);
    return Math.atan2(im, re);
  };
  const h = 2e-3; // five points: the rest of the series is h⁴, 1.6e-11
  const found = inputs.w.map((w) => {
    const [a, b, c, d] = unwrap(Float64Array.of(-2, -1, 1, 2).map((k) => angle(w + k * h)));
    return -((a ?? NaN) - 8 * (b ?? NaN) + 8 * (c ?? NaN) - (d ?? NaN)) / (12 * h);
  });
  expectPeak(found, expected.delay);
});

test('parabolas after Savitzky and Golay; the quick one leaves the ends as they are', () => {
  const all = entries<{ half: number; n: number; degree: number }, { filtered: Some }>(
    'savitzky-golay',
  ).filter(({ inputs }) => inputs.degree === 2);
  expect(all.length).toBe(3);
  for (const { inputs, expected } of all) {
    const { half, n } = inputs;
    const record = y.slice(0, n);
    const found = smoothed(record, half);
    const { at, values, peak } = expected.filtered;
    const inside = at.flatMap((i, k) => (i >= half && i < n - half ? [k] : []));
    expect(inside.length).toBeGreaterThan(35);
    expectPeak(
      inside.map((k) => found[at[k] ?? -1] ?? NaN),
      inside.map((k) => values[k] ?? NaN),
      peak,
    );
    // Three samples leave a parabola no freedom: nothing is smoothed, and it is not meant for that.
    const length = 2 * half + 1;
    if (inputs.degree <= length - 2) {
      expectSome(savitzkyGolay(record, length, inputs.degree), expected.filtered);
    }
    // The reference fits a polynomial to each end; `smoothed` leaves the ends as they are.
    expect([...found.slice(0, half), ...found.slice(n - half)]).toEqual([
      ...record.slice(0, half),
      ...record.slice(n - half),
    ]);
  }
});

test('the slope of a local cubic, ends included', () => {
  const [{ inputs, expected }] = entries<
    { half: number; n: number; degree: number },
    { filtered: Some }
  >('savitzky-golay-slope');
  const { half, n, degree } = inputs;
  const { at, values, peak } = expected.filtered;
  const found = at.map((i) => {
    const from = Math.min(Math.max(i - half, 0), n - 1 - 2 * half);
    const places = Float64Array.from({ length: 2 * half + 1 }, (_, k) => from + k);
    return fitPolynomial(places, y.subarray(from, from + 2 * half + 1), i, degree)?.[1] ?? NaN;
  });
  expectPeak(found, values, peak);
});

test('envelope by the Hilbert transform, of 4096 samples and of 1000 continued by zeros', () => {
  const all = entries<{ n: number }, { envelope: Some }>('envelope');
  expect(all.length).toBe(2);
  for (const { inputs, expected } of all) {
    expectSome(envelope(y.slice(0, inputs.n)) ?? [], expected.envelope);
  }
});

interface Sine {
  readonly a: number;
  readonly b: number;
  readonly offset: number;
  readonly residual: number;
  readonly frequency?: number;
}

test('sine fits of three and of four parameters', () => {
  const record = series('sine', 1000).map(
    (u, n) => 2.3 * Math.cos(2 * Math.PI * 37.21 * (n / 1000) + 0.7) + 0.4 + 0.2 * (u - 0.5),
  );
  for (const { inputs, expected } of entries<{ rate: number; frequency: number }, Sine>('sine-3')) {
    const fit = fitSine(record, inputs.rate, inputs.frequency);
    expectPeak(
      [fit?.a ?? NaN, fit?.b ?? NaN, fit?.offset ?? NaN, fit?.residual ?? NaN],
      [expected.a, expected.b, expected.offset, expected.residual],
    );
  }
  const [{ inputs, expected }] = entries<{ rate: number; start: number }, Sine>('sine-4');
  const fit = fitSineAndFrequency(record, inputs.rate, inputs.start);
  expectPeak(
    [fit?.a ?? NaN, fit?.b ?? NaN, fit?.offset ?? NaN, fit?.residual ?? NaN],
    [expected.a, expected.b, expected.offset, expected.residual],
  );
  expectPeak([fit?.frequency ?? NaN], [expected.frequency ?? NaN]);
});

test('a straight line with its standard deviations, a cubic, and two other lines', () => {
  const places = Float64Array.from({ length: 60 }, (_, i) => i / 10);
  const random = series('line', 60);
  const values = places.map((p, i) => 1.7 * p - 0.3 + 0.2 * ((random[i] ?? NaN) - 0.5));
  const [straight] = entries<
    unknown,
    Record<'slope' | 'intercept' | 'slope_deviation' | 'intercept_deviation', number>
  >('linregress');
  const wanted = straight.expected;
  const line = fitLine('least-squares', places, values);
  expectPeak([line?.slope ?? NaN], [wanted.slope]);
  expectPeak([line?.intercept ?? NaN], [wanted.intercept]);
  const fit = leastSquares([places, new Float64Array(60).fill(1)], values);
  expectPeak(fit?.coefficients ?? [], [wanted.slope, wanted.intercept]);
  expectPeak(fit?.deviations ?? [], [wanted.slope_deviation, wanted.intercept_deviation]);
  const [cubic] = entries<{ at: number; degree: number }, { coefficients: number[] }>('polyfit');
  const found = fitPolynomial(places, values, cubic.inputs.at, cubic.inputs.degree);
  expectPeak(found ?? [], cubic.expected.coefficients);
  const [others] = entries<
    unknown,
    Record<'through_zero' | 'minimax_slope' | 'minimax_intercept' | 'minimax_deviation', number>
  >('other-lines');
  const zero = fitLine('through-zero', places, values);
  expectPeak([zero?.slope ?? NaN], [others.expected.through_zero]);
  const narrow = fitLine('minimax', places, values) ?? { slope: NaN, intercept: NaN };
  const deviation = greatestMagnitude(deviationsFrom(narrow, places, values));
  expectPeak(
    [narrow.slope, narrow.intercept, deviation],
    [
      others.expected.minimax_slope,
      others.expected.minimax_intercept,
      others.expected.minimax_deviation,
    ],
  );
});

test('mean, deviation, range, autocorrelation, state levels, means of blocks, least moving mean', () => {
  const [moments] = entries<
    unknown,
    Record<'mean' | 'deviation' | 'range' | 'autocorrelation', number>
  >('moments');
  const wanted = moments.expected;
  expectPeak([mean(y)], [wanted.mean], wanted.deviation);
  expectPeak([standardDeviation(y)], [wanted.deviation]);
  expectPeak([range(y)], [wanted.range]);
  expectPeak([lagOneAutocorrelation(y)], [wanted.autocorrelation]);
  const levels = histogramLevels(
    series('levels', 1000).map((u, i) => (i < 450 ? -1 : 3) + 0.3 * (u - 0.5)),
  );
  const [modes] = entries<unknown, { low: number; high: number }>('histogram');
  expectPeak([levels?.low ?? NaN, levels?.high ?? NaN], [modes.expected.low, modes.expected.high]);
  const [blocks] = entries<Record<'from' | 'count' | 'block', number>, { means: number[] }>(
    'block-means',
  );
  const { from, count, block } = blocks.inputs;
  expectPeak(blockMeans(y, from, count, block), blocks.expected.means);
  const [moving] = entries<{ length: number }, { least: number }>('moving-mean');
  expectPeak([leastMovingMean(y, moving.inputs.length)], [moving.expected.least]);
});

test('area of a rough loop', () => {
  const [{ expected }] = entries<unknown, { area: number }>('loop-area');
  const turn = (i: number): number => (2 * Math.PI * i) / 40;
  const u = Array.from({ length: 40 }, (_, i) => 3 * Math.cos(turn(i)) + 0.1 * (y[i] ?? NaN));
  const v = Array.from({ length: 40 }, (_, i) => 2 * Math.sin(turn(i) + 0.3) + 0.1 * (x[i] ?? NaN));
  expectPeak([loopArea(u, v)], [expected.area]);
});

test('unwrapped angles', () => {
  const [{ expected }] = entries<unknown, { unwrapped: Some }>('unwrap');
  let sum = 0;
  const walk = series('walk', 300).map((u) => (sum += 5.5 * (u - 0.5)));
  const wrapped = walk.map((angle) => Math.atan2(Math.sin(angle), Math.cos(angle)));
  expectSome(unwrap(wrapped), expected.unwrapped);
});

test('correlation with zeros beyond the ends, and of a record that repeats', () => {
  const [{ inputs, expected }] = entries<
    { n: number; from: number; to: number },
    { zero: number[]; periodic: number[] }
  >('correlate');
  const [a, b] = [x.slice(0, inputs.n), y.slice(0, inputs.n)];
  expectPeak(correlate(a, b, inputs, 'zero'), expected.zero);
  expectPeak(correlate(a, b, inputs, 'periodic'), expected.periodic);
});

test('delay and gain of a known shape in noise', () => {
  const [{ inputs, expected }] = entries<
    { n: number; rate: number; frequency: number; start: number },
    { delay: number; gain: number; residual: number }
  >('shape');
  const turn = 2 * Math.PI * inputs.frequency;
  const time = Float64Array.from({ length: inputs.n }, (_, n) => n / inputs.rate);
  const random = series('shape', inputs.n);
  const record = time.map(
    (t, i) => 1.3 * Math.sin(turn * (t - 0.0043)) + 0.2 * ((random[i] ?? NaN) - 0.5),
  );
  // The chord that stands for the slope is, for a sine, the slope times a constant: same optimum.
  const fit = fitShape(record, time, (t) => Math.sin(turn * t), { start: inputs.start, skew: 0 });
  expectPeak([fit?.delay ?? NaN], [expected.delay]);
  expectPeak([fit?.gain ?? NaN, fit?.residual ?? NaN], [expected.gain, expected.residual]);
});

test("factors of Student's and of the normal distribution", () => {
  const [{ inputs, expected }] = entries<
    { share: number[]; freedom: number[] },
    { factor: number[][]; normal: number[] }
  >('student');
  inputs.share.forEach((share, i) => {
    inputs.freedom.forEach((freedom, k) => {
      expectPeak([coverageFactor(share, freedom)], [expected.factor[i]?.[k] ?? NaN]);
    });
    expectPeak([coverageFactor(share, Infinity)], [expected.normal[i] ?? NaN]);
  });
});

test('A- and C-weighting as an analogue filter of four corner frequencies', () => {
  for (const kind of ['A', 'C'] as const) {
    const [{ inputs, expected }] = entries<{ frequency: number[] }, { level: number[] }>(
      `weighting-${kind}`,
    );
    expectPeak(
      inputs.frequency.map((f) => weightingLevel(kind, f)),
      expected.level,
    );
  }
});

test('greatest stable stiffness and the frequency of the swing there', () => {
  const [{ inputs, expected }] = entries<
    Record<'J' | 'b' | 'B' | 'T' | 'delay' | 'loop', number> & { smoothing: number[] },
    { edges: [number, number][] }
  >('critical-stiffness');
  const { J: inertia, b: damping, B, T: period, delay, loop, smoothing } = inputs;
  const found = smoothing.map((cutoff) => {
    const poles = [loop, ...(cutoff > 0 ? [cutoff, cutoff] : [])];
    return criticalStiffness({ inertia, damping }, B, { period, delay, poles });
  });
  found.forEach((edge, i) => {
    const [stiffness, frequency] = expected.edges[i] ?? [NaN, NaN];
    expectPeak([edge?.stiffness ?? NaN], [stiffness]);
    expectPeak([edge?.frequency ?? NaN], [frequency]);
  });
});
