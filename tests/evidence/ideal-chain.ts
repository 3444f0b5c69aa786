import type { ItemParameters } from '../../src/bench/spread.js';
import { compile } from '../../src/pattern/waveform.js';
import type { Stage } from '../../src/procedure/procedure.js';
import { type IdealStatic, idealTorque } from '../support/reference.js';
import type { IdealShaft } from '../support/reference-shaft.js';

/** Samples a second of everything reckoned here. */
export const RATE = 20_000;

/** Hz: time constant of the current loop as one pole. */
export const loopTime = ({ loop }: ItemParameters): number => 1 / (2 * Math.PI * loop.frequency);

/** The command of a stage as the item latches it, one value per 50 µs. */
export function latchedOf(stage: Pick<Stage, 'pattern' | 'updates'>): Float64Array {
  const { command, rate } = compile(stage.pattern, stage.updates);
  const samples = Math.round((command.length / rate) * RATE);
  return Float64Array.from(
    { length: samples },
    (_, i) => command[Math.floor((i * rate) / RATE)] as number,
  );
}

/** Hz: first ripple of the torque; the second is at twice this. */
export const RIPPLE = 72;

/**
 * What a stage's command becomes in the motor, ripple included, without dead time and noise: N·m per 50 µs.
 *
 * @param turns - Where in its turn the ripple begins; it does not begin with the stage.
 */
export function motorTorque(
  latched: Float64Array,
  item: ItemParameters,
  held: IdealStatic,
  setting: number,
  turns = 0,
): Float64Array {
  const corner = item.smoothing[setting] ?? 0;
  const pole = corner === 0 ? 1 : -Math.expm1((-2 * Math.PI * corner) / RATE);
  const loop = -Math.expm1(-1 / RATE / loopTime(item));
  const climb = item.slew / RATE;
  let [first, second, limited, set] = [0, 0, 0, 0];
  const [one, two] = item.ripple;
  return latched.map((wanted, i) => {
    first += pole * (wanted - first);
    second += pole * (first - second);
    limited += Math.max(-climb, Math.min(climb, second - limited));
    const turn = 2 * Math.PI * ((RIPPLE * i) / RATE + turns);
    const rippled = limited * (1 + one * Math.sin(turn) + two * Math.sin(2 * turn));
    set += loop * (rippled - set);
    return idealTorque(held, set);
  });
}

/** One period of the current loop leaves this much of a deviation, and a sensor's noise enters so. */
export function noiseOf(item: ItemParameters): { readonly memory: number; readonly fresh: number } {
  const memory = Math.exp((-2 * Math.PI * item.loop.frequency) / RATE);
  const decay = Math.exp(-item.resistance / item.inductance / RATE);
  return { memory, fresh: decay * (1 - memory) };
}

/** Gain from noise of the loop's sensor to the current, at a frequency. */
export function noiseGain(item: ItemParameters, frequency: number): number {
  const { memory, fresh } = noiseOf(item);
  const turn = (2 * Math.PI * frequency) / RATE;
  return fresh / Math.sqrt(1 - 2 * memory * Math.cos(turn) + memory * memory);
}

/** The shaft of an item on this stand. */
export function shaftOf(
  item: ItemParameters,
  stand: { stiffness: number; damping: number },
): IdealShaft {
  const { memory, fresh } = noiseOf(item);
  return {
    stiffness: stand.stiffness,
    damping: stand.damping,
    inertia: item.inertia,
    friction: item.friction,
    memory,
    shaking: (item.torqueConstant * item.currentNoise * fresh) / Math.sqrt(1 - memory * memory),
  };
}
