import fc from 'fast-check';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import {
  hertz,
  inertia,
  newtonMetre,
  second,
  torquePerRadian,
  viscous,
} from '../../src/base/units.js';
import type { Capture, Screened, Take } from '../../src/capture/capture.js';
import type { Pattern, Stage } from '../../src/procedure/procedure.js';
import { CHARACTERISTICS, GATES } from '../../src/scoring/catalogue.js';
import { firstDescent, fitPolynomial, smoothCurve } from '../../src/scoring/curve.js';
import {
  correlate,
  delayFromAngles,
  fitShape,
  leastDelayError,
  parabolicPeak,
  unwrap,
} from '../../src/scoring/delay.js';
import { envelope } from '../../src/scoring/envelope.js';
import { butterworth, filterOnce, savitzkyGolay, zeroPhase } from '../../src/scoring/filter.js';
import { leastMovingMean } from '../../src/scoring/heat.js';
import { histogramLevels, plateauLevel } from '../../src/scoring/levels.js';
import {
  deviationsFrom,
  fitLine,
  greatestMagnitude,
  lagOneAutocorrelation,
  leastSquares,
  loopArea,
  loopWidths,
  mean,
  range,
  standardDeviation,
  type Line,
  type LineKind,
} from '../../src/scoring/line.js';
import { measured } from '../../src/scoring/reading.js';
import { averageResponse } from '../../src/scoring/response.js';
import { fitSine, fitSineAndFrequency } from '../../src/scoring/sine.js';
import { slipOf } from '../../src/scoring/slip.js';
import {
  bandPower,
  blockMeans,
  coherenceOf,
  figuresOf,
  lineOf,
  linesByPeriod,
  responseOf,
  welch,
} from '../../src/scoring/spectrum.js';
import {
  findTransition,
  fitOnset,
  overshoot,
  settledAt,
  smoothed,
  undershootBefore,
} from '../../src/scoring/transition.js';
import { soundLevel, soundSpectrum, thirdOctaves } from '../../src/scoring/weighting.js';
import { captureOf, context, KT, stageOf, takeOf } from '../support/made-capture.js';
import { lcgNormal } from '../support/lcg.js';
import * as made from '../support/patterns.js';

/**
 * What a function promises for odd samples:
 * refuses – undefined as soon as a sample is not finite; never a number that is not finite
 * local   – may read what lies clear of a bad sample; undefined or NaN, never another number that is not finite
 * number  – NaN stands for "no value", always when a sample is not finite; never ±Infinity
 * carries – samples in, samples out: finite ones stay finite, and a bad one still shows
 */
type Promise_ = 'refuses' | 'local' | 'number' | 'carries';

interface Case {
  readonly name: string;
  readonly promise: Promise_;
  readonly call: (y: Float64Array) => unknown;
}

const ramp = (n: number, scale = 1): Float64Array =>
  Float64Array.from({ length: n }, (_, i) => scale * i);
const filter = butterworth(4, 50, 1000);
const unit = { low: 0, high: 1 };
const ones = (n: number): Float64Array => new Float64Array(n).fill(1);

const cases: readonly Case[] = [
  { name: 'mean', promise: 'number', call: (y) => mean(y) },
  { name: 'standardDeviation', promise: 'number', call: (y) => standardDeviation(y) },
  { name: 'range', promise: 'number', call: (y) => range(y) },
  { name: 'lagOneAutocorrelation', promise: 'number', call: (y) => lagOneAutocorrelation(y) },
  { name: 'plateauLevel', promise: 'local', call: (y) => plateauLevel(y, 0, y.length) },
  { name: 'leastMovingMean', promise: 'local', call: (y) => measured(leastMovingMean(y, 3)) },
  { name: 'overshoot', promise: 'number', call: (y) => overshoot(y, unit) },
  { name: 'undershootBefore', promise: 'number', call: (y) => undershootBefore(y, unit, y.length) },
  { name: 'bandPower', promise: 'number', call: (y) => bandPower(ramp(y.length), y, 0, Infinity) },
  { name: 'greatestMagnitude', promise: 'carries', call: (y) => [greatestMagnitude(y)] },
  { name: 'loopArea', promise: 'carries', call: (y) => [loopArea(ramp(y.length), y)] },
  {
    name: 'leastSquares',
    promise: 'refuses',
    call: (y) => leastSquares([ones(y.length), ramp(y.length)], y),
  },
  ...(['terminal', 'least-squares', 'through-zero', 'minimax'] as LineKind[]).flatMap(
    (kind): Case[] => [
      {
        name: `fitLine ${kind}`,
        promise: 'refuses',
        call: (y) => fitLine(kind, ramp(y.length), y),
      },
      {
        name: `fitLine ${kind}, odd x`,
        promise: 'refuses',
        call: (y) => fitLine(kind, y, ramp(y.length)),
      },
    ],
  ),
  { name: 'histogramLevels', promise: 'refuses', call: histogramLevels },
  {
    name: 'findTransition',
    promise: 'local',
    call: (y) => {
      const found = findTransition(y, unit);
      return found && [found.half, found.at(0.1), found.at(0.5), found.at(0.9)].map((v) => v ?? 0);
    },
  },
  { name: 'settledAt', promise: 'local', call: (y) => settledAt(y, unit, 0.05) },
  { name: 'fitOnset', promise: 'refuses', call: (y) => fitOnset(ramp(y.length, 1e-4), y) },
  {
    name: 'fitPolynomial',
    promise: 'refuses',
    call: (y) => fitPolynomial(ramp(y.length), y, 2, 2),
  },
  {
    name: 'fitPolynomial, odd x',
    promise: 'refuses',
    call: (y) => fitPolynomial(y, ramp(y.length), 2, 2),
  },
  {
    name: 'firstDescent',
    promise: 'local',
    call: (y) => firstDescent({ frequency: ramp(y.length), value: y }, 0.5),
  },
  {
    name: 'smoothCurve',
    promise: 'local',
    call: (y) => smoothCurve({ frequency: ramp(y.length), value: y }).value,
  },
  {
    name: 'smoothCurve, odd f',
    promise: 'local',
    call: (y) => smoothCurve({ frequency: y, value: ramp(y.length) }).value,
  },
  { name: 'fitSine', promise: 'refuses', call: (y) => fitSine(y, 1000, 37) },
  {
    name: 'fitSineAndFrequency',
    promise: 'refuses',
    call: (y) => fitSineAndFrequency(y, 1000, 37),
  },
  {
    name: 'fitShape',
    promise: 'refuses',
    call: (y) =>
      fitShape(y, ramp(y.length, 1e-3), (t) => Math.sin(200 * t), { start: 0.001, skew: 0 }),
  },
  {
    name: 'delayFromAngles',
    promise: 'local',
    call: (y) =>
      delayFromAngles({
        frequency: ramp(y.length),
        angle: y,
        coherence: y.map(() => 0.9),
        averages: 16,
      }),
  },
  {
    name: 'parabolicPeak',
    promise: 'local',
    call: (y) => parabolicPeak(y[0] ?? 0, y[1] ?? 0, y[2] ?? 0),
  },
  {
    name: 'leastDelayError',
    promise: 'local',
    call: (y) =>
      y.some((v) => v !== 0) && Number.isFinite(leastDelayError(y, 1))
        ? leastDelayError(y, 1)
        : undefined,
  },
  {
    name: 'correlate',
    promise: 'carries',
    call: (y) => correlate(y, y, { from: 0, to: 2 }, 'zero'),
  },
  { name: 'unwrap', promise: 'carries', call: (y) => unwrap(y) },
  {
    name: 'deviationsFrom',
    promise: 'carries',
    call: (y) => deviationsFrom({ slope: 1, intercept: 0 }, ramp(y.length), y),
  },
  { name: 'loopWidths', promise: 'carries', call: (y) => loopWidths(ramp(y.length), y) },
  { name: 'filterOnce', promise: 'carries', call: (y) => filterOnce(filter.sections, y) },
  { name: 'zeroPhase', promise: 'carries', call: (y) => zeroPhase(filter, y) },
  {
    name: 'savitzkyGolay',
    promise: 'local',
    call: (y) => savitzkyGolay(y, 5, 2).map((v) => (Number.isNaN(v) ? 0 : v)),
  },
  { name: 'smoothed', promise: 'carries', call: (y) => smoothed(y, 2) },
  {
    name: 'lineOf',
    promise: 'carries',
    call: (y) => (y.length === 0 ? [] : lineOf(y, ones(y.length), 0.1)),
  },
  {
    name: 'linesByPeriod',
    promise: 'carries',
    call: (y) =>
      y.length === 0 ? [] : linesByPeriod(y, { start: 0, period: y.length, periods: 1 }, [1]),
  },
  {
    name: 'slipOf',
    promise: 'local',
    call: (y) => slipOf(y, { start: 0, period: Math.floor(y.length / 2), periods: 2 }),
  },
  { name: 'blockMeans', promise: 'carries', call: (y) => blockMeans(y, 0, y.length, 1) },
  {
    name: 'welch',
    promise: 'local',
    call: (y) => {
      const found = welch(y, y, { rate: 1000, segment: 16, overlap: 8 });
      return [found.xx, found.yy, coherenceOf(found)];
    },
  },
  {
    name: 'responseOf',
    promise: 'local',
    call: (y) => responseOf(welch(y, y, { rate: 1000, segment: 16, overlap: 8 })),
  },
  {
    name: 'averageResponse',
    promise: 'local',
    call: (y) => {
      const line = { re: y, im: y };
      const { coherence } = averageResponse(ramp(y.length), [line, line], [line, line]);
      return coherence;
    },
  },
  {
    name: 'figuresOf of a window times samples',
    promise: 'local',
    call: (y) => measured(figuresOf(y).noiseBandwidth),
  },
  { name: 'envelope', promise: 'refuses', call: envelope },
  { name: 'soundSpectrum', promise: 'local', call: (y) => soundSpectrum(y, 48_000) },
  { name: 'soundLevel', promise: 'local', call: (y) => soundLevel(y, 48_000, 'A') },
  {
    name: 'thirdOctaves',
    promise: 'local',
    call: (y) => {
      const spectrum = soundSpectrum(y, 48_000);
      return (
        spectrum && thirdOctaves(spectrum, 'A', { low: 1000, high: 8000 }).map((b) => b.level ?? 0)
      );
    },
  },
];

/** Every number in a result, however deep. */
function numbersIn(result: unknown): readonly number[] {
  if (typeof result === 'number') return [result];
  if (ArrayBuffer.isView(result)) return Array.from(result as Float64Array);
  if (Array.isArray(result)) return result.flatMap(numbersIn);
  if (typeof result === 'object' && result !== null)
    return Object.values(result).flatMap(numbersIn);
  return [];
}

function expectPromise({ promise, call }: Case, y: Float64Array): void {
  const result = call(y);
  const found = numbersIn(result);
  const clean = y.every(Number.isFinite);
  const infinite = found.filter((v) => v === Infinity || v === -Infinity);
  switch (promise) {
    case 'refuses':
      expect(found.filter((v) => !Number.isFinite(v))).toEqual([]);
      if (!clean) expect(result).toBeUndefined();
      return;
    case 'local':
      expect(infinite).toEqual([]);
      return;
    case 'number':
      expect(infinite).toEqual([]);
      if (!clean) expect(result).toBeNaN();
      return;
    case 'carries':
      expect(found.every(Number.isFinite)).toBe(clean);
      return;
    default:
      throw new Error(promise satisfies never);
  }
}

const step = Float64Array.from({ length: 64 }, (_, i) => (i < 20 ? 0 : i < 30 ? (i - 19) / 11 : 1));
const spoilt = (at: number, by: number): Float64Array => step.map((v, i) => (i === at ? by : v));
const odd: readonly (readonly [string, Float64Array])[] = [
  ['no sample', new Float64Array(0)],
  ['one sample', Float64Array.of(3)],
  ['two samples', Float64Array.of(3, 4)],
  ['zeros', new Float64Array(64)],
  ['a constant', new Float64Array(64).fill(0.1)],
  ['all clipped high', new Float64Array(64).fill(20)],
  ['a sine clipped flat', step.map((_, i) => Math.max(-0.3, Math.min(0.3, Math.sin(0.2 * i))))],
  ['a step', step],
  ['a step reversed', step.slice().reverse()],
  ['only NaN', new Float64Array(64).fill(NaN)],
  ['NaN first', spoilt(0, NaN)],
  ['NaN in the edge', spoilt(25, NaN)],
  ['NaN last', spoilt(63, NaN)],
  ['+∞ in the edge', spoilt(25, Infinity)],
  ['−∞ on the plateau', spoilt(40, -Infinity)],
  ['+∞ and −∞', spoilt(25, Infinity).map((v, i) => (i === 40 ? -Infinity : v))],
];

for (const one of cases) {
  test(`${one.name} keeps its promise (${one.promise}) on ${odd.length} odd arrays`, () => {
    for (const [what, y] of odd) {
      expect(() => {
        expectPromise(one, y);
      }, what).not.toThrow();
    }
  });

  test(`${one.name} keeps it on arrays drawn from a seed`, () => {
    const sample = fc.oneof(
      { weight: 20, arbitrary: fc.double({ min: -1e6, max: 1e6, noNaN: true }) },
      { weight: 1, arbitrary: fc.constantFrom(NaN, Infinity, -Infinity, 0, 5e-324) },
    );
    fc.assert(
      fc.property(fc.array(sample, { minLength: 3, maxLength: 80 }), (list) => {
        expectPromise(one, Float64Array.from(list));
      }),
      { seed: 20261125, numRuns: 100 },
    );
  });
}

test('odd arrays that have a right answer get it', () => {
  const flat = new Float64Array(64).fill(20);
  expect([mean(flat), standardDeviation(flat), range(flat)]).toEqual([20, 0, 0]);
  expect(mean(Float64Array.of(3))).toBe(3);
  expect(mean(new Float64Array(0))).toBeNaN();
  expect(standardDeviation(Float64Array.of(3))).toBeNaN();
  expect(lagOneAutocorrelation(flat)).toBeNaN();
  expect(findTransition(step.slice().reverse(), unit)).toBeUndefined();
  expect(findTransition(step.slice().reverse(), { low: 1, high: 0 })?.half).toBeCloseTo(38.5, 12);
  expect(findTransition(flat, unit)).toBeUndefined();
  expect([overshoot(step, unit), settledAt(new Float64Array(64).fill(1), unit, 0.05)]).toEqual([
    0, 0,
  ]);
  expect(histogramLevels(flat)).toBeUndefined();
  expect(fitLine('least-squares', flat, step)).toBeUndefined();
  expect(fitLine('minimax', ramp(64), flat)).toEqual({ slope: 0, intercept: 20 });
  expect(
    welch(Float64Array.of(3), Float64Array.of(3), { rate: 1, segment: 16, overlap: 8 }).segments,
  ).toBe(0);
  expect([...zeroPhase(filter, flat)].every((v) => Math.abs(v - 20) < 1e-9)).toBe(true);
  expect([...smoothed(flat, 5)].every((v) => Math.abs(v - 20) < 1e-12)).toBe(true);
  expect(
    leastDelayError(
      flat.map(() => 0),
      0.01,
    ),
  ).toBe(Infinity);
});

test('a transition is still read beside a hole elsewhere, and refused with the hole in it', () => {
  expect(findTransition(spoilt(50, NaN), unit)?.half).toBeCloseTo(24.5, 12);
  expect(findTransition(spoilt(24, NaN), unit)).toBeUndefined();
  expect(findTransition(spoilt(20, NaN), unit)?.at(0.1)).toBeUndefined();
  expect(settledAt(spoilt(29, NaN), unit, 0.05)).toBeUndefined();
});

test('the narrowest strip is that of all pairs of points, in any order and with equal abscissas', () => {
  const allPairs = (x: Float64Array, y: Float64Array): number => {
    let least = Infinity;
    for (let i = 0; i < x.length; i++) {
      for (let j = 0; j < i; j++) {
        const slope = ((y[j] ?? NaN) - (y[i] ?? NaN)) / ((x[j] ?? NaN) - (x[i] ?? NaN));
        if (Number.isFinite(slope))
          least = Math.min(least, range(y.map((v, k) => v - slope * (x[k] ?? NaN))));
      }
    }
    return least;
  };
  const point = fc.tuple(fc.integer({ min: -6, max: 6 }), fc.integer({ min: -50, max: 50 }));
  fc.assert(
    fc.property(fc.array(point, { minLength: 2, maxLength: 25 }), (points) => {
      const x = Float64Array.from(points, ([at]) => at);
      const y = Float64Array.from(points, ([, value]) => value);
      const line = fitLine('minimax', x, y);
      if (line === undefined) {
        expect(range(x)).toBe(0);
        return;
      }
      const deviation = greatestMagnitude(deviationsFrom(line, x, y));
      expect(deviation).toBeCloseTo(allPairs(x, y) / 2, 9);
    }),
    { seed: 20261125, numRuns: 300 },
  );
});

const N = 10_000_000;
const long = new Float64Array(N);
const time = new Float64Array(N);
for (let i = 0; i < N; i++) {
  long[i] = (i < N / 2 ? 0 : 1) + 0.1 * Math.sin(0.01 * i);
  time[i] = i / N;
}
const turn = 0.01 / (2 * Math.PI); // cycles a sample of the ripple on the step

/** Greatest distance of the long record from a line. */
function farthestFrom(line: Line | undefined): number {
  if (line === undefined) return NaN;
  let most = 0;
  for (let i = 0; i < N; i++) {
    const at = line.slope * (time[i] as number) + line.intercept;
    most = Math.max(most, Math.abs((long[i] as number) - at));
  }
  return most;
}

/** What each function makes of ten million samples, or of a million where a pass costs much. */
const longCases: readonly (readonly [string, () => unknown, unknown])[] = [
  ['mean', () => mean(long), 0.5],
  ['standardDeviation', () => standardDeviation(long), Math.sqrt(0.255)],
  ['range', () => range(long), 1.2],
  ['lagOneAutocorrelation', () => lagOneAutocorrelation(long), 1],
  ['greatestMagnitude', () => greatestMagnitude(long), 1.1],
  ['leastSquares', () => leastSquares([time], long)?.coefficients[0], 1.125],
  ['fitLine terminal', () => fitLine('terminal', time, long)?.slope, 1],
  ['fitLine least-squares', () => fitLine('least-squares', time, long)?.slope, 1.5],
  ['fitLine through-zero', () => fitLine('through-zero', time, long)?.slope, 1.125],
  ['fitLine minimax', () => farthestFrom(fitLine('minimax', time, long)), 0.6],
  ['loopArea', () => loopArea(time, long), 0],
  // The modes of a sine are its ends: −0.1 or 0.1 below, 0.9 or 1.1 above.
  ['histogramLevels', () => Math.abs(histogramLevels(long)?.low ?? NaN), 0.1],
  ['plateauLevel', () => plateauLevel(long, 0, N / 2), 0],
  ['findTransition', () => (findTransition(long, unit)?.half ?? NaN) / N, 0.5],
  ['overshoot', () => overshoot(long, unit), 0.1],
  ['settledAt', () => settledAt(long, unit, 0.2), N / 2],
  ['smoothed', () => smoothed(long, 2).length, N],
  ['fitOnset', () => fitOnset(time, long), undefined],
  ['leastMovingMean', () => leastMovingMean(long, 1000), -0.0168],
  ['fitSine', () => fitSine(long.subarray(0, N / 2), 1, turn)?.amplitude, 0.1],
  ['correlate', () => correlate(long, long, { from: 0, to: 0 }, 'zero')[0], 0.505 * N],
  ['unwrap', () => unwrap(long).length, N],
  ['filterOnce', () => filterOnce(filter.sections, long).at(-1), long[N - 1]],
  [
    'welch',
    () => welch(long, long, { rate: 1, segment: 4096, overlap: 0 }).segments,
    Math.floor(N / 4096),
  ],
  [
    'linesByPeriod',
    () => linesByPeriod(long, { start: 0, period: N / 10, periods: 10 }, [1]).length,
    10,
  ],
  [
    'lineOf',
    () => Math.hypot(...Object.values(lineOf(long, new Float64Array(N / 2).fill(1), turn))),
    0.1,
  ],
  ['blockMeans', () => blockMeans(long, 0, 10, N / 10)[9], 1],
  ['bandPower', () => bandPower(time, long, 0, 1), 0.5],
  ['firstDescent', () => firstDescent({ frequency: time, value: long.map((v) => -v) }, -0.5), 0.5],
  ['soundLevel', () => soundLevel(long, 48_000, 'Z') !== undefined, true],
  ['zeroPhase of a million', () => zeroPhase(filter, long.subarray(0, N / 10)).length, N / 10],
  [
    'fitPolynomial of a million',
    () => fitPolynomial(time.subarray(0, N / 10), long.subarray(0, N / 10), 0, 2)?.length,
    3,
  ],
  ['envelope of a million', () => envelope(long.subarray(0, N / 10))?.[N / 20], 0.1],
];

test(
  `${longCases.length} functions take ten million samples, without a crash or a hang`,
  { timeout: 300_000 },
  () => {
    for (const [name, call, wanted] of longCases) {
      const found = call();
      // To one part in a hundred: what is held here is that they come back, with the right answer.
      if (typeof wanted === 'number') {
        expect(Math.abs((found as number) - wanted), name).toBeLessThanOrEqual(
          0.01 * Math.max(1, Math.abs(wanted)),
        );
      } else expect(found, name).toBe(wanted);
    }
  },
);

test('a curve of more than ten thousand lines is refused by name', () => {
  const curve = { frequency: time.subarray(0, 10_001), value: long.subarray(0, 10_001) };
  expect(() => smoothCurve(curve)).toThrow(StallmarkError);
  expect(() => smoothCurve(curve)).toThrow('document/value');
});

/** One short pattern of each kind that a characteristic or gate can be read from. */
const patterns: Readonly<Record<Pattern['kind'], Pattern>> = {
  hold: made.hold(2, 1.5),
  ramp: made.ramp(-2, 2, 1),
  step: made.step([-3, 0, 3, 0, -3], { hold: 0.2, repeat: 2 }),
  triangle: made.triangle(2, 1, 2),
  staircase: made.staircase(100, made.sine(2, 2, 1.5)),
  burst: {
    kind: 'burst',
    amplitude: newtonMetre(2),
    frequency: hertz(10),
    cycles: 8,
    window: 'hann',
  },
  chirp: made.chirp(1, 50, 1, 'logarithmic'),
  sine: made.sine(2, 5, 1.6),
  multisine: made.multisine({
    lines: 12,
    period: second(0.5),
    periods: 6,
    draws: 2,
    from: hertz(2),
  }),
  'pseudo-random': made.pseudoRandom(7, 100, 2),
  recorded: made.staircase(100, made.recorded([0, 1, 2, 1, 0, -1, -2, -1, 0, 1, 2, 1, 0], 10)),
  silence: {
    kind: 'silence',
    level: newtonMetre(2),
    before: second(0.3),
    silent: second(0.3),
    after: second(0.3),
  },
  'virtual-spring': {
    kind: 'virtual-spring',
    stiffness: { from: torquePerRadian(20), to: torquePerRadian(40), factor: 1.4 },
    damping: viscous(0.3),
    wheel: { inertia: inertia(0.03), drag: viscous(0.03) },
    kick: newtonMetre(0.5),
    dwell: second(0.5),
    limit: newtonMetre(4),
  },
  list: made.list(made.hold(0, 0.5), made.sine(2, 5, 1)),
};

type Spoil = (samples: Float32Array) => Float32Array | undefined;

const spoils: readonly (readonly [string, Spoil])[] = [
  ['as it is', (x) => x],
  ['missing', () => undefined],
  ['empty', () => new Float32Array(0)],
  ['one sample', (x) => x.slice(0, 1)],
  ['cut short', (x) => x.slice(0, Math.floor(x.length / 3))],
  ['zeros', (x) => new Float32Array(x.length)],
  ['constant', (x) => new Float32Array(x.length).fill(1.25)],
  ['clipped flat', (x) => x.map((v) => Math.max(-0.5, Math.min(0.5, v)))],
  ['reversed', (x) => x.slice().reverse()],
  ['one NaN', (x) => x.map((v, i) => (i === Math.floor(x.length / 2) ? NaN : v))],
  ['all NaN', (x) => new Float32Array(x.length).fill(NaN)],
  ['one infinite', (x) => x.map((v, i) => (i === Math.floor(x.length / 2) ? Infinity : v))],
];

function spoiltTake(take: Take, spoil: Spoil, all: boolean): Take {
  const channels = Object.entries(take.channels).flatMap(([name, samples]) => {
    const left = name === 'command' && !all ? samples : spoil(samples);
    return left === undefined ? [] : [[name, left] as const];
  });
  return { ...take, channels: Object.fromEntries(channels) };
}

/** A value for each option that has no default. */
const demanded = (options: (typeof CHARACTERISTICS)[number]['options']): Record<string, number> =>
  Object.fromEntries(
    Object.entries(options).map(([name, option]) => [name, option.default ?? 0.1] as const),
  );

const taken = new Map<Pattern['kind'], readonly [Take, ...Take[]]>();

function takesOf(kind: Pattern['kind']): readonly [Take, ...Take[]] {
  const known = taken.get(kind);
  if (known !== undefined) return known;
  const pattern = patterns[kind];
  const noise = lcgNormal(17);
  const take = (smoothing: number): Take => {
    const plain = takeOf({ pattern, settings: { smoothing, fixture: 'coupled' } });
    const command = plain.channels.command ?? new Float32Array(0);
    let late = 0;
    const torque = command.map(
      (v) => (late += (v - late) / (20 + 10 * smoothing)) + 0.002 * noise(),
    );
    const sound = command.map(() => 0.01 * noise());
    return {
      ...plain,
      channels: { ...plain.channels, torque, current: torque.map((v) => v / KT), sound },
    };
  };
  const made_ = [take(0), take(1), take(2)] as const;
  taken.set(kind, made_);
  return made_;
}

const inAll = ['missing', 'empty', 'one sample', 'reversed', 'all NaN', 'one infinite'];
const trials = spoils.flatMap(([what, spoil]) => [
  { all: false, what, spoil },
  ...(inAll.includes(what) ? [{ all: true, what: `${what}, command too`, spoil }] : []),
]);

interface Trial {
  readonly where: string;
  readonly capture: Screened<Capture>;
  readonly settings: Stage['takes'];
}

const tried = new Map<Pattern['kind'], readonly Trial[]>();

/** The takes of one kind of pattern, spoilt in every way. */
function trialsOf(kind: Pattern['kind']): readonly Trial[] {
  const known = tried.get(kind);
  if (known !== undefined) return known;
  const all = trials.map((trial): Trial => {
    const [first, ...more] = takesOf(kind).map((take) => spoiltTake(take, trial.spoil, trial.all));
    if (first === undefined) throw new Error('no take');
    const settings = [first.settings, ...more.map((take) => take.settings)] as const;
    return {
      where: `from ${kind}, channels ${trial.what}`,
      capture: captureOf(first, ...more),
      settings,
    };
  });
  tried.set(kind, all);
  return all;
}

/** Runs one, with its name in front of whatever it throws. */
function named<T>(where: string, run: () => T): T {
  try {
    return run();
  } catch (error) {
    throw new Error(where, { cause: error });
  }
}

test(
  'no characteristic throws or gives a value that is not finite, whatever the channels hold',
  { timeout: 300_000 },
  () => {
    let values = 0;
    for (const entry of CHARACTERISTICS) {
      for (const kind of entry.from) {
        const power = entry.power === 'off' ? 'off' : 'on';
        const base = stageOf(patterns[kind], demanded(entry.options), power);
        const [reading] = base.reads;
        if (reading === undefined) throw new Error('no reading');
        for (const { where, capture, settings } of trialsOf(kind)) {
          const outcome = named(`${entry.id} ${where}`, () =>
            entry.score(capture, { ...base, takes: settings }, reading, context),
          );
          if (outcome.kind === 'not-evaluated') {
            expect(outcome.reason, `${entry.id} ${where}`).not.toBe('');
            continue;
          }
          values += 1;
          const { value, spread = 0 } = outcome;
          expect([value, spread].every(Number.isFinite), `${entry.id} ${where}`).toBe(true);
        }
      }
    }
    expect(values).toBeGreaterThan(100); // good captures are among them, and most have a value
  },
);

test('no gate throws or tells of a number that is not finite', { timeout: 300_000 }, () => {
  for (const rule of GATES) {
    for (const kind of rule.from) {
      const stage = stageOf(patterns[kind], {}, rule.power === 'off' ? 'off' : 'on');
      for (const { where, capture } of trialsOf(kind)) {
        const { observed, allowed, margin } = named(`${rule.id} ${where}`, () =>
          rule.judge(capture, stage, demanded(rule.options), context),
        );
        const numbers = [observed, allowed, margin];
        expect(numbers.every(Number.isFinite), `${rule.id} ${where}`).toBe(true);
      }
    }
  }
});
