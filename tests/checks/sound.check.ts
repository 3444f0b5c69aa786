import { expect, test } from 'vitest';
import {
  REFERENCE_PRESSURE,
  soundLevel,
  soundSpectrum,
  sumOfLevels,
  thirdOctaves,
  weightingLevel,
  withoutBackground,
  type Weighting,
} from '../../src/scoring/weighting.js';
import { lcgNormal } from '../support/lcg.js';
import { expectClose, rowsOf, type Row } from '../support/rows.js';

const row = rowsOf('sound');

interface Table {
  readonly table_dB: number[];
  readonly formula_dB_at_exact: number[];
}
interface Allowed {
  readonly formula: number;
  readonly table: number;
}

/** Exact centres of the 34 thirds of an octave from 10 Hz to 20 kHz. */
const centres = Array.from({ length: 34 }, (_, i) => 1000 * 10 ** ((i - 20) / 10));

for (const [id, weighting] of [
  ['K-1', 'A'],
  ['K-3', 'C'],
] as const) {
  test(`${id}: ${weighting}-weighting at 34 third-octave centres, formula and printed table`, () => {
    const { expected, tolerance } = row(id) as unknown as {
      expected: Table;
      tolerance: Allowed;
    };
    const found = centres.map((f) => weightingLevel(weighting, f));
    expectClose(found, expected.formula_dB_at_exact, { abs: tolerance.formula });
    expectClose(found, expected.table_dB, { abs: tolerance.table });
    expect(weightingLevel(weighting, 0)).toBe(-Infinity);
  });
}

test('K-1: the centres are the exact ones of the row', () => {
  const { inputs } = row('K-1') as Row<{ exact_Hz: number[] }, unknown>;
  expectClose(centres, inputs.exact_Hz, { abs: 5e-7 }); // printed to six decimals
});

test('K-4: energy sum, weighted sum of octaves, background correction', () => {
  const { inputs, expected, tolerance } = row('K-4') as Row<
    { L_dB: number[]; A_dB: number[]; with_source: number; background: number },
    { sum: number; A_sum: number; two_equal_add: number; background_corrected: number }
  >;
  const weighted = inputs.L_dB.map((level, i) => level + (inputs.A_dB[i] ?? NaN));
  expectClose(
    [
      sumOfLevels(inputs.L_dB) ?? NaN,
      sumOfLevels(weighted) ?? NaN,
      (sumOfLevels([70, 70]) ?? NaN) - 70,
      withoutBackground(inputs.with_source, inputs.background) ?? NaN,
    ],
    [expected.sum, expected.A_sum, expected.two_equal_add, expected.background_corrected],
    tolerance,
  );
  expect(sumOfLevels([])).toBeUndefined();
  expect(sumOfLevels([60, NaN])).toBeUndefined();
  expect(withoutBackground(48, 48)).toBeUndefined();
});

const RATE = 48_000;

/** A sine of a level in dB with a whole number of cycles in 2¹⁶ samples. */
function tone(cycles: number, level: number): Float64Array {
  const size = Math.SQRT2 * REFERENCE_PRESSURE * 10 ** (level / 20);
  return Float64Array.from(
    { length: 65_536 },
    (_, n) => size * Math.sin((2 * Math.PI * cycles * n) / 65_536),
  );
}

test('a tone of 94 dB reads 94 dB less its weighting, at seven frequencies', () => {
  for (const cycles of [43, 137, 500, 1365, 5461, 10_923, 20_000]) {
    const frequency = (cycles * RATE) / 65_536;
    for (const weighting of ['A', 'C', 'Z'] as Weighting[]) {
      const wanted = 94 + weightingLevel(weighting, frequency);
      // A Hann window spreads a line over three bins; across ±0.7 Hz the weighting bends this little.
      expectClose([soundLevel(tone(cycles, 94), RATE, weighting) ?? NaN], [wanted], { abs: 0.01 });
    }
  }
});

test('the power of all bins is the mean square of the windowed record (Parseval)', () => {
  const noise = lcgNormal(3);
  const pressure = Float64Array.from({ length: 65_536 }, () => 0.1 * noise());
  const mean = pressure.reduce((sum, v) => sum + v, 0) / pressure.length;
  let [squares, weights] = [0, 0];
  pressure.forEach((v, n) => {
    const w = 0.5 - 0.5 * Math.cos((2 * Math.PI * n) / pressure.length);
    squares += (w * (v - mean)) ** 2;
    weights += w * w;
  });
  const sum = soundSpectrum(pressure, RATE)?.power.reduce((total, p) => total + p, 0) ?? NaN;
  expectClose([sum], [squares / weights], { rel: 1e-12 });
});

test('thirds of an octave add up to the level, and a tone is in its own third', () => {
  const spectrum = soundSpectrum(tone(1365, 80), RATE);
  if (spectrum === undefined) throw new Error('no spectrum');
  const bands = thirdOctaves(spectrum, 'A', { low: 100, high: 10_000 });
  expect(bands.length).toBe(21);
  const loudest = bands.reduce((a, b) => ((b.level ?? -Infinity) > (a.level ?? -Infinity) ? b : a));
  expectClose([loudest.centre], [1000], { rel: 1e-12 });
  const total = sumOfLevels(bands.flatMap(({ level }) => level ?? [])) ?? NaN;
  expectClose([total], [soundLevel(tone(1365, 80), RATE, 'A') ?? NaN], { abs: 1e-6 });
});

test('silence, a short record and one with a hole have no level', () => {
  expect(soundLevel(new Float64Array(65_536), RATE, 'A')).toBeUndefined();
  expect(soundLevel(new Float64Array(63).fill(1), RATE, 'A')).toBeUndefined();
  const holed = tone(1365, 94);
  holed[777] = NaN;
  expect(soundLevel(holed, RATE, 'Z')).toBeUndefined();
  expect(soundLevel(tone(1365, 94), NaN, 'A')).toBeUndefined();
});
