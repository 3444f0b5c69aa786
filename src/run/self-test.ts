import { correlate, delayFromAngles } from '../scoring/delay.js';
import { fitLine, loopArea, standardDeviation } from '../scoring/line.js';
import { fitSine, fitSineAndFrequency } from '../scoring/sine.js';
import { lineOf, windowOf } from '../scoring/spectrum.js';
import { findTransition, overshoot, settledAt } from '../scoring/transition.js';
import { coverageFactor } from '../scoring/uncertainty.js';
import { weightingLevel } from '../scoring/weighting.js';
import type { Check } from '../readiness/readiness.js';
import { SOFTWARE } from './software.js';

/** The arithmetic that every score stands on; a test hands in one that is broken. */
export const ARITHMETIC = {
  ...{ findTransition, overshoot, settledAt, fitSine, fitSineAndFrequency, correlate },
  ...{ delayFromAngles, lineOf, windowOf, fitLine, loopArea, standardDeviation },
  ...{ coverageFactor, weightingLevel },
} as const;
export type Arithmetic = typeof ARITHMETIC;

/** A reference waveform or number with its known answer. */
interface ReferenceCase {
  readonly name: string;
  /** Where the answer comes from; row ids are those of tests/checks. */
  readonly source: string;
  readonly expected: number;
  /** Most that the answer may be off, same unit, with the reason behind it. */
  readonly tolerance: number;
  /** NaN when nothing was found. */
  readonly answer: (a: Arithmetic) => number;
}

const RATE = 20_000;
const UNIT = { low: 0, high: 1 } as const;

/** Samples of a function of time at the rate of the bench. */
const sampled = (of: (t: number) => number, seconds: number): Float64Array =>
  Float64Array.from({ length: Math.round(seconds * RATE) }, (_, i) => of(i / RATE));

/** First-order lag of 10 ms. */
const firstOrder = (): Float64Array => sampled((t) => -Math.expm1(-t / 0.01), 0.15);

/** Unit step of two poles at 100 rad/s with damping ratio ½. */
function ringing(): Float64Array {
  const [w, zeta] = [100, 0.5];
  const root = Math.sqrt(1 - zeta * zeta);
  return sampled((t) => {
    const wave = Math.cos(w * root * t) + (zeta / root) * Math.sin(w * root * t);
    return 1 - Math.exp(-zeta * w * t) * wave;
  }, 0.2);
}

/** 4096 samples of five lines with whole periods; a power of two, so long products go by transforms. */
const LINES = [
  [3, 1],
  [11, 0.8],
  [29, 0.6],
  [61, 0.5],
  [127, 0.4],
] as const;
const PERIOD = 4096;
const fiveLines = (late: number): Float64Array =>
  Float64Array.from({ length: PERIOD }, (_, n) =>
    LINES.reduce(
      (sum, [k, a]) => sum + a * Math.cos((2 * Math.PI * k * (n - late)) / PERIOD + k),
      0,
    ),
  );

/** 3·cos + 4·sin of 37.5 Hz on 1.25, at 1000 samples a second. */
const sine = (): Float64Array =>
  Float64Array.from({ length: 64 }, (_, n) => {
    const turn = (2 * Math.PI * 37.5 * n) / 1000;
    return 3 * Math.cos(turn) + 4 * Math.sin(turn) + 1.25;
  });

const CASES: readonly ReferenceCase[] = [
  {
    name: 'rise time of a first-order lag of 10 ms, s',
    source: 'A-1: τ·ln 9',
    expected: 0.01 * Math.log(9),
    tolerance: 1e-7, // a straight line between samples 50 µs apart: h²/8τ at either end
    answer: (a) => {
      const found = a.findTransition(firstOrder(), UNIT);
      return ((found?.at(0.9) ?? NaN) - (found?.at(0.1) ?? NaN)) / RATE;
    },
  },
  {
    name: 'settling of the same to 2 %, s',
    source: 'A-2: τ·ln 50',
    expected: 0.01 * Math.log(50),
    tolerance: 1e-7,
    answer: (a) => (a.settledAt(firstOrder(), UNIT, 0.02) ?? NaN) / RATE,
  },
  {
    name: 'overshoot of two poles with damping ratio ½',
    source: 'A-3: exp(−πζ/√(1 − ζ²))',
    expected: Math.exp((-Math.PI * 0.5) / Math.sqrt(0.75)),
    tolerance: 1e-6, // the peak falls between samples: (ω·h)²/8 of it
    answer: (a) => a.overshoot(ringing(), UNIT),
  },
  {
    name: 'rise time of a step of 8 N·m at 500 N·m/s, s',
    source: 'A-6: 0.8 · step/slew',
    expected: 0.0128,
    tolerance: 1e-12,
    answer: (a) => {
      const ramp = sampled((t) => Math.min(8, 500 * t), 0.04);
      const found = a.findTransition(ramp, { low: 0, high: 8 });
      return ((found?.at(0.9) ?? NaN) - (found?.at(0.1) ?? NaN)) / RATE;
    },
  },
  {
    name: 'settling of given samples to 2 %, samples',
    source: 'A-10',
    expected: 7.5,
    tolerance: 1e-12,
    answer: (a) => {
      const given = [0, 0, -0.5, 2, 8, 12, 11, 9.5, 10.1, 9.9, 10, 10, 10, 10];
      return a.settledAt(given, { low: 0, high: 10 }, 0.02) ?? NaN;
    },
  },
  {
    name: 'amplitude of a sine of known frequency',
    source: 'C-3: √(3² + 4²)',
    expected: 5,
    tolerance: 1e-10,
    answer: (a) => a.fitSine(sine(), 1000, 37.5)?.amplitude ?? NaN,
  },
  {
    name: 'frequency of a sine from a guess that is 1.6 % off, Hz',
    source: 'C-3, its own frequency',
    expected: 37.5,
    tolerance: 1e-9,
    answer: (a) => a.fitSineAndFrequency(sine(), 1000, 36.9)?.frequency ?? NaN,
  },
  {
    name: 'delay of a record with whole periods, samples',
    source: 'D-1: the greatest correlation stands at the delay',
    expected: 37,
    tolerance: 0,
    answer: (a) => {
      const range = { from: 0, to: 63 };
      const products = a.correlate(fiveLines(0), fiveLines(37), range, 'periodic');
      return products.indexOf(Math.max(...products));
    },
  },
  {
    name: 'product of the record with itself, by transforms',
    source: 'Parseval: n/2 · Σa²',
    expected: (PERIOD / 2) * LINES.reduce((sum, [, a]) => sum + a * a, 0),
    tolerance: 1e-8,
    answer: (a) =>
      a.correlate(fiveLines(0), fiveLines(37), { from: 0, to: 63 }, 'periodic')[37] ?? NaN,
  },
  {
    name: 'delay from the slope of the phase, s',
    source: 'D-10: φ = −2πfτ',
    expected: 1.23e-3,
    tolerance: 1e-15,
    answer: (a) => {
      const frequency = Float64Array.of(5, 15, 30, 50);
      const angle = frequency.map((f) => -2 * Math.PI * f * 1.23e-3);
      return a.delayFromAngles({
        frequency,
        angle,
        coherence: frequency.map(() => 0.9),
        averages: 4,
      }).delay;
    },
  },
  {
    name: 'ripple of 30 mN·m at 72 Hz on 3 N·m, N·m',
    source: 'a line of a whole number of cycles under a Hann window: its own amplitude',
    expected: 0.03,
    tolerance: 1e-12,
    answer: (a) => {
      const held = sampled((t) => 3 + 0.03 * Math.cos(2 * Math.PI * 72 * t), 0.5);
      const { re, im } = a.lineOf(held, a.windowOf('hann', held.length), 72 / RATE);
      return Math.hypot(re, im);
    },
  },
  {
    name: 'least-squares slope of given points',
    source: 'E-1: of the points 0, 1.1, 2.2, 3.1, 4',
    expected: 1,
    tolerance: 1e-12,
    answer: (a) => a.fitLine('least-squares', [0, 1, 2, 3, 4], [0, 1.1, 2.2, 3.1, 4])?.slope ?? NaN,
  },
  {
    name: 'area of a loop of ±0.2 over ±10',
    source: 'E-8: 2·Tc · stroke',
    expected: 8,
    tolerance: 1e-12,
    answer: (a) => Math.abs(a.loopArea([-10, 10, 10, -10], [-10.2, 9.8, 10.2, -9.8])),
  },
  {
    name: 'standard deviation of 1001 large values',
    source: 'F-10, certified value of a NIST set',
    expected: 0.1,
    tolerance: 1e-9, // 1e-8 of the value, as the check has it
    answer: (a) => {
      const values = Array.from({ length: 1001 }, (_, i) =>
        i === 0 ? 1000000.2 : i % 2 === 1 ? 1000000.1 : 1000000.3,
      );
      return a.standardDeviation(values);
    },
  },
  {
    name: 'coverage factor for 95.45 % and 10 degrees of freedom',
    source: 'G-3: JCGM 100, table G.2, two digits',
    expected: 2.28,
    tolerance: 0.005,
    answer: (a) => a.coverageFactor(0.9545, 10),
  },
  {
    name: 'A-weighting at 100 Hz, dB',
    source: 'K-1: IEC 61672-1 table, one digit',
    expected: -19.1,
    tolerance: 0.05,
    answer: (a) => a.weightingLevel('A', 100),
  },
];

/** One reference that was computed again. */
export interface SelfTested {
  readonly name: string;
  readonly source: string;
  readonly expected: number;
  readonly tolerance: number;
  /** NaN when nothing was found or the arithmetic threw. */
  readonly found: number;
  readonly ok: boolean;
  /** What the arithmetic threw, where it did. */
  readonly thrown?: string;
}

/** What the program found about itself. */
export interface SelfTestResult {
  /** Version with the digest of the files that run, and the issue of the scoring. */
  readonly software: typeof SOFTWARE;
  readonly references: readonly SelfTested[];
  readonly ok: boolean;
}

/**
 * Computes bundled references again whose answers are known from closed forms and published tables.
 * To be run once when a program starts; whoever starts it keeps the result and hands it on.
 *
 * @param arithmetic - What is tested; the program's own unless a test breaks it on purpose.
 *
 * Check: tests/unit/self-test.test.ts.
 */
export function selfTest(arithmetic: Arithmetic = ARITHMETIC): SelfTestResult {
  const references = CASES.map((reference) => tested(reference, arithmetic));
  return { software: SOFTWARE, references, ok: references.every(({ ok }) => ok) };
}

function tested(reference: ReferenceCase, arithmetic: Arithmetic): SelfTested {
  const { name, source, expected, tolerance } = reference;
  const told = { name, source, expected, tolerance };
  try {
    const found = reference.answer(arithmetic);
    return { ...told, found, ok: Math.abs(found - expected) <= tolerance };
  } catch (error) {
    // Whatever the arithmetic throws is the finding: the check fails and says so.
    const thrown = error instanceof Error ? error.message : String(error);
    return { ...told, found: NaN, ok: false, thrown };
  }
}

/**
 * The line of the readiness list on the program itself. Any answer that is off forbids testing; viewing
 * stays allowed.
 *
 * @param result - Of this start of the program; undefined when it was not run, which forbids testing too.
 */
export function selfTestCheck(result: SelfTestResult | undefined): Check {
  const check = { name: 'self-test', clear: 'quality engineer' } as const;
  if (result === undefined) {
    return {
      ...check,
      state: 'not run',
      found: 'the program has not tested itself since its start',
    };
  }
  const { references, software } = result;
  const program = `program ${software.version}, scoring issue ${software.scoring}`;
  const off = references.filter(({ ok }) => !ok);
  if (off.length === 0 && references.length > 0) {
    const found = `${String(references.length)} of ${String(references.length)} references found again; ${program}`;
    return { ...check, state: 'ok', found };
  }
  const told = off.map(
    ({ name, expected, tolerance, found, thrown }) =>
      `${name}: ${thrown ?? String(found)} where ${String(expected)} ± ${String(tolerance)} is known`,
  );
  return { ...check, state: 'failed', found: `${told.join('; ')}; ${program}` };
}
