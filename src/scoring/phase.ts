import { fitPolynomial, type Curve } from './curve.js';
import { notEvaluated, option, shown, type NotEvaluated } from './reading.js';
import {
  CONDITIONING,
  doubtAt,
  FROM_MULTISINE,
  overTakes,
  shapeOf,
  type Response,
} from './response.js';
import type { Characteristic } from './scoring.js';

const REACH = 0.15; // share of the frequency on either side that the fit takes in
const FEWEST = 5; // lines of the fit

/** Angle and delay at one frequency. */
export interface Turn {
  /** Unwrapped, °; negative for a late output. */
  readonly angle: number;
  /** −dφ/dω, s. */
  readonly groupDelay: number;
}

/**
 * Reads angle and group delay off a parabola through the lines within 15 % of the frequency, and
 * through the nearest five at least.
 *
 * @param angle - Unwrapped angle over frequency, °, five lines or more. @param frequency - Hz, within them.
 * @returns undefined when the lines do not determine a parabola.
 *
 * Source: group delay −dφ/dω, textbook (from memory). Check: tests/checks/delay.check.ts.
 */
export function turnAt(angle: Curve, frequency: number): Turn | undefined {
  const away = (k: number): number => Math.abs((angle.frequency[k] as number) / frequency - 1);
  const nearest = [...angle.frequency.keys()].sort((a, b) => away(a) - away(b));
  const count = Math.max(FEWEST, nearest.filter((k) => away(k) <= REACH).length);
  const used = nearest.slice(0, count);
  const x = Float64Array.from(used, (k) => angle.frequency[k] as number);
  const y = Float64Array.from(used, (k) => angle.value[k] as number);
  const [value, slope] = fitPolynomial(x, y, frequency, 2) ?? [];
  if (value === undefined || slope === undefined) return undefined;
  return { angle: value, groupDelay: -slope / 360 };
}

function readTurn(response: Response, frequency: number): Turn | NotEvaluated {
  const { frequency: lines } = response;
  const [first, last] = [lines[0] as number, lines[lines.length - 1] as number];
  if (!(frequency >= first && frequency <= last)) {
    const span = `the lines go from ${shown(first)} Hz to ${shown(last)} Hz`;
    return notEvaluated(`${shown(frequency)} Hz cannot be read: ${span}.`);
  }
  const doubt = doubtAt(frequency, response);
  if (doubt !== undefined) return doubt;
  return (
    turnAt(shapeOf(response).angle, frequency) ??
    notEvaluated(`The lines around ${shown(frequency)} Hz are too few for a parabola.`)
  );
}

const AT = { ...CONDITIONING, frequency: { dimension: 'frequency' } } as const;

const phaseAt: Characteristic = {
  ...FROM_MULTISINE,
  id: 'phase-at',
  name: 'phase at a frequency',
  definition:
    'Unwrapped phase from latched command to motor-side torque at the frequency asked for, off a parabola through the lines around it.',
  formula: 'arg H(f), unwrapped from the lowest line',
  shifts:
    'a delay of the current channel that is not in the stand model, 0.36° for each hertz and millisecond; smoothing setting; updates that come late',
  dimension: 'angle',
  unit: '°',
  options: AT,
  check: 'tests/checks/delay.check.ts',
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, AT, 'conditioning');
    const frequency = option(reading.options, AT, 'frequency');
    return overTakes({ capture, stage, conditioning, context }, (response) => {
      const turn = readTurn(response, frequency);
      return 'kind' in turn ? turn : turn.angle;
    });
  },
};

const groupDelay: Characteristic = {
  ...phaseAt,
  id: 'group-delay',
  name: 'group delay at a frequency',
  definition:
    'Slope of the phase from latched command to motor-side torque at the frequency asked for, over a full turn, off a parabola through the lines around it.',
  formula: '−dφ/dω = −(dφ/df) / 360°, φ = arg H',
  shifts:
    'a delay of the current channel that is not in the stand model; smoothing setting; noise, where few lines lie around the frequency',
  dimension: 'time',
  unit: 'ms',
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, AT, 'conditioning');
    const frequency = option(reading.options, AT, 'frequency');
    return overTakes({ capture, stage, conditioning, context }, (response) => {
      const turn = readTurn(response, frequency);
      return 'kind' in turn ? turn : turn.groupDelay;
    });
  },
};

/** Characteristics that are read off the phase at one frequency. */
export const PHASES: readonly Characteristic[] = [phaseAt, groupDelay];
