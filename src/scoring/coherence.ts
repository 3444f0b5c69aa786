import { mean } from './line.js';
import { notEvaluated, option, shown, type NotEvaluated } from './reading.js';
import { FROM_MULTISINE, overTakes, PEAKING, type Response } from './response.js';
import type { Characteristic } from './scoring.js';

/**
 * Turns H1 = Σ Y·conj(X) / Σ |X|² into H2 = Σ |Y|² / Σ X·conj(Y), which noise of the input biases
 * no more, but noise of the output does.
 *
 * Source: Bendat & Piersol, Random Data: H1 / H2 = γ² (from memory). Check: tests/checks/spectrum.check.ts.
 */
export function secondEstimate(response: Response): Response {
  const { ratio, coherence } = response;
  const re = ratio.re.map((value, k) => value / (coherence[k] as number));
  const im = ratio.im.map((value, k) => value / (coherence[k] as number));
  return { ...response, ratio: { re, im } };
}

/**
 * Finds the least coherence in a band, each value the mean over three neighbouring lines.
 *
 * @returns 0 … 1, or undefined when no line lies in the band.
 */
function leastIn(values: Float64Array, response: Response, from: number, to: number): number {
  const inside = [...response.frequency.keys()].filter((k) => {
    const f = response.frequency[k] as number;
    return f >= from && f <= to;
  });
  return inside
    .map((k) => mean(values.subarray(Math.max(0, k - 1), k + 2)))
    .reduce((least, value) => Math.min(least, value), Infinity);
}

/** Fewest periods: fewer make any two records look coherent. */
const FEWEST = 8;

function ofEnough(
  response: Response,
  from: number,
  to: number,
  read: (least: number) => number,
): NotEvaluated | number {
  if (response.averages < FEWEST) {
    return notEvaluated(
      `Coherence needs ${FEWEST} periods or more after conditioning; ${response.averages} are there.`,
    );
  }
  const least = leastIn(response.coherence, response, from, to);
  return Number.isFinite(least)
    ? read(least)
    : notEvaluated(`No line lies between ${shown(from)} Hz and ${shown(to)} Hz.`);
}

const leastCoherence: Characteristic = {
  ...FROM_MULTISINE,
  id: 'least-coherence',
  name: 'least coherence',
  definition:
    'Least coherence of motor-side torque with the latched command in the band, as the mean over three neighbouring lines.',
  formula: 'min over the band of γ² = |Σ Y·conj(X)|² / (Σ |X|² · Σ |Y|²), mean over three lines',
  shifts:
    'the number of periods averaged; a take whose conditioning is too short; noise of the current sensor',
  dimension: 'ratio',
  unit: '1',
  options: PEAKING,
  source: 'Bendat & Piersol, Random Data (from memory)',
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, PEAKING, 'conditioning');
    const from = option(reading.options, PEAKING, 'from');
    const to = option(reading.options, PEAKING, 'to');
    return overTakes({ capture, stage, conditioning, context }, (response) =>
      ofEnough(response, from, to, (least) => least),
    );
  },
};

const gainBias: Characteristic = {
  ...leastCoherence,
  id: 'gain-bias',
  name: 'bias of the gain by noise',
  definition:
    'Greatest difference in the band between two estimates of the gain from latched command to motor-side torque: H2, which noise of the torque lifts, and H1, which it leaves alone.',
  formula:
    'max over the band of 20·log₁₀(|H2| / |H1|) = −20·log₁₀(γ²), γ² as the mean over three lines',
  dimension: 'level',
  unit: 'dB',
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, PEAKING, 'conditioning');
    const from = option(reading.options, PEAKING, 'from');
    const to = option(reading.options, PEAKING, 'to');
    return overTakes({ capture, stage, conditioning, context }, (response) =>
      ofEnough(response, from, to, (least) => -20 * Math.log10(least)),
    );
  },
};

/** Characteristics that say how far a response can be believed. */
export const COHERENCE: readonly Characteristic[] = [leastCoherence, gainBias];
