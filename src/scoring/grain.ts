import type { Spectrum } from '../base/fourier.js';
import type { Stage } from '../procedure/procedure.js';
import { butterworth, zeroPhaseGain } from './filter.js';
import type { PeriodicPart } from './lag.js';
import { mean } from './line.js';
import { notEvaluated, shown, type NotEvaluated } from './reading.js';
import { linesByPeriod } from './spectrum.js';

/** Order of the low-pass that separates a shape from its grain; it is run forwards and backwards. */
const ORDER = 4;
const HIGHEST = 2000; // Hz: above, a sampled staircase leaves less than 0.3 % of its grain
const SIDEBANDS = [-3, -1, 1, 3]; // cycles a shape is away from a multiple of the source rate

/** A sine that a source holds, where it repeats itself. */
export type HeldSine = PeriodicPart & { readonly held: number; readonly sine: number };

/** Returns the held sine of a stage, or says why its grain cannot be read. */
export function heldSine(part: PeriodicPart, stage: Stage): HeldSine | NotEvaluated {
  const { held, sine } = part;
  if (held === undefined || sine === undefined) {
    return notEvaluated('Grain is read from a staircase of a sine.');
  }
  if (Math.abs(stage.updates / held - Math.round(stage.updates / held)) > 1e-6) {
    const found = `${shown(held)} Hz of the source into ${shown(stage.updates)} Hz of the item`;
    return notEvaluated(`The item holds values unevenly: ${found} does not go whole times.`);
  }
  return { ...part, held, sine };
}

/** A line that holding makes: k · source ± 1 or ± 3 cycles. */
export interface HeldLine {
  /** Hz */
  readonly frequency: number;
  /** The multiple k of the source rate that it lies beside. */
  readonly multiple: number;
  /** Squared amplitude of the mean line over the periods, unit of the samples squared. */
  readonly squared: number;
  /** What noise, which does not repeat, adds to `squared`. */
  readonly noise: number;
  /** Share of the amplitude that is grain: what the low-pass at half the source rate takes away. */
  readonly weight: number;
}

/**
 * Reads the lines that holding makes, up to 2 kHz. They repeat in every period; the scatter between
 * periods tells the noise in them.
 *
 * @param x - Samples in any unit. @param part - Two periods or more. @param rate - Samples a second.
 */
export function heldLines(
  x: Float32Array | Float64Array,
  part: HeldSine,
  rate: number,
): readonly HeldLine[] {
  const cycles = part.period / rate;
  const filter = butterworth(ORDER, part.held / 2, rate);
  const multiples = Math.max(1, Math.floor(HIGHEST / part.held));
  const places = Array.from({ length: multiples }, (_, k) =>
    SIDEBANDS.map((side) => ({
      multiple: k + 1,
      frequency: (k + 1) * part.held + side * part.sine,
    })),
  ).flat();
  const bins = places.map(({ frequency }) => Math.round(frequency * cycles));
  const periods = linesByPeriod(x, part, bins);
  return places.map((place, k) => ({
    ...place,
    ...meanLine(periods, k),
    weight: 1 - zeroPhaseGain(filter, place.frequency),
  }));
}

/** Squared amplitude of the mean of a line over periods, and the variance of that mean. */
function meanLine(periods: readonly Spectrum[], k: number): { squared: number; noise: number } {
  const n = periods.length;
  const re = mean(periods.map((p) => p.re[k] as number));
  const im = mean(periods.map((p) => p.im[k] as number));
  const scatter = periods.reduce(
    (sum, p) => sum + ((p.re[k] as number) - re) ** 2 + ((p.im[k] as number) - im) ** 2,
    0,
  );
  return { squared: re * re + im * im, noise: scatter / (n * (n - 1)) };
}

/** Grain of one record and what noise adds to it, unit of the samples, rms. */
export interface Grain {
  /** Noise that does not repeat from period to period is taken out in power. */
  readonly grain: number;
  /** What that noise amounts to in the lines that were read. */
  readonly noise: number;
}

/**
 * Reads the grain: rms of what is left of a held sine when its smooth part, a fourth-order
 * zero-phase Butterworth low-pass at half the source rate, is taken away.
 *
 * It is read at the lines that holding makes, k · source ± 1 and ± 3 cycles up to 2 kHz, which repeat
 * in every period. What does not repeat is noise: its share is estimated from the scatter of the
 * same lines between the periods and subtracted in power.
 *
 * @param x - Samples in any unit.
 * @param part - A staircase of a sine; two periods or more.
 * @param rate - Samples a second.
 *
 * Check: tests/checks/smoothing.check.ts.
 */
export function readGrain(x: Float32Array | Float64Array, part: HeldSine, rate: number): Grain {
  return grainOf(heldLines(x, part, rate));
}

/**
 * Sums lines to the grain they make.
 *
 * @param gain - Gain of a low-pass that the lines are to pass first, 1 when left out.
 */
export function grainOf(
  lines: readonly HeldLine[],
  gain: (frequency: number) => number = () => 1,
): Grain {
  let [power, noise] = [0, 0];
  for (const line of lines) {
    const kept = (line.weight * gain(line.frequency)) ** 2 / 2;
    power += kept * line.squared;
    noise += kept * line.noise;
  }
  return { grain: Math.sqrt(Math.max(0, power - noise)), noise: Math.sqrt(noise) };
}
