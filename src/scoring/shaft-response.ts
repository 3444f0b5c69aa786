import type { StandModel } from '../procedure/station.js';
import { notEvaluated, option, shown, type NotEvaluated } from './reading.js';
import {
  addResponse,
  CONDITIONING,
  CORRECTABLE,
  FROM_MULTISINE,
  overTakes,
  PEAKING,
  readBandwidth,
  readPeaking,
  type Asked,
  type Response,
} from './response.js';
import type { Characteristic, Outcome } from './scoring.js';

/** Up to where the stand can be divided out, Hz. */
function reachOf(stand: Pick<StandModel, 'resonance'>): number {
  return CORRECTABLE * stand.resonance;
}

/** The lines of a response up to a frequency. */
export function upTo(response: Response, top: number): Response {
  const count = response.frequency.filter((f) => f <= top).length;
  const cut = (values: Float64Array): Float64Array => values.subarray(0, count);
  return {
    ...response,
    frequency: cut(response.frequency),
    ratio: { re: cut(response.ratio.re), im: cut(response.ratio.im) },
    coherence: cut(response.coherence),
  };
}

function tooNear(stand: Pick<StandModel, 'resonance'>, why: string): string {
  const reach = `${shown(reachOf(stand))} Hz, ${CORRECTABLE} of its resonance`;
  return `${why} The stand is divided out up to ${reach}; above, nothing is read at the shaft.`;
}

const FEWEST = 5; // lines that a smooth curve needs

/** Reads the lines at which the stand is divided out, if they are enough for a curve. */
function readBelow(asked: Asked, read: (response: Response) => NotEvaluated | number): Outcome {
  const { stand } = asked.context;
  return overTakes(
    asked,
    (response) =>
      response.frequency.length < FEWEST
        ? notEvaluated(tooNear(stand, `Fewer than ${FEWEST} lines are low enough.`))
        : read(response),
    ({ shaft, slip }) => {
      // Friction depends on how far the shaft turns: with it a gain would be one of this amplitude only.
      const whole = addResponse(shaft, slip, asked.context.friction ?? 0);
      return upTo(whole, reachOf(stand));
    },
  );
}

const shaftBandwidth: Characteristic = {
  ...FROM_MULTISINE,
  id: 'shaft-bandwidth',
  name: 'bandwidth −3 dB at the shaft',
  definition:
    'First frequency at which the gain from latched command to shaft torque, stand model divided out and the friction that an earlier stage measured taken out, is 3 dB below its mean up to 5 Hz; read up to 0.6 of the stand resonance only.',
  formula:
    'first f ≤ 0.6 fₙ with 20·log₁₀(|H(f)| / |H(up to 5 Hz)|) = −3 dB, H = (τ / G + friction) / u; G: the stand',
  shifts:
    'resonance and damping of the stand model; friction of the bearing where no earlier stage measured it, some 4 % lower; smoothing setting',
  side: 'shaft',
  dimension: 'frequency',
  unit: 'Hz',
  options: CONDITIONING,
  check: 'tests/unit/phase.test.ts',
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, CONDITIONING, 'conditioning');
    const { stand } = context;
    return readBelow({ capture, stage, conditioning, context }, (response) => {
      const found = readBandwidth(response);
      return typeof found === 'number' ? found : notEvaluated(tooNear(stand, found.reason));
    });
  },
};

const shaftGainPeaking: Characteristic = {
  ...shaftBandwidth,
  id: 'shaft-gain-peaking',
  name: 'gain peaking at the shaft',
  definition:
    'Greatest gain from latched command to shaft torque in the band, stand model divided out and the friction that an earlier stage measured taken out, relative to its mean up to 5 Hz; the band must end below 0.6 of the stand resonance.',
  formula:
    'max 20·log₁₀(|H(f)| / |H(up to 5 Hz)|) over the band, H = (τ / G + friction) / u; G: the stand',
  dimension: 'level',
  unit: 'dB',
  options: PEAKING,
  score: (capture, stage, reading, context) => {
    const conditioning = option(reading.options, PEAKING, 'conditioning');
    const from = option(reading.options, PEAKING, 'from');
    const to = option(reading.options, PEAKING, 'to');
    const { stand } = context;
    if (to > reachOf(stand)) {
      return notEvaluated(tooNear(stand, `The band ends at ${shown(to)} Hz.`));
    }
    return readBelow({ capture, stage, conditioning, context }, (response) =>
      readPeaking(response, from, to),
    );
  },
};

/** Characteristics of the response at the shaft, as far as the stand lets it be seen. */
export const SHAFT_RESPONSE: readonly Characteristic[] = [shaftBandwidth, shaftGainPeaking];
