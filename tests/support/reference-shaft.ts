import { lcgNormal } from './lcg.js';

/**
 * A locked shaft with its bearing, reckoned apart from the simulated plant: the equations as they are
 * written here, in steps of 10 µs with the speed taken before the angle (semi-implicit Euler; at 361 Hz
 * it is off by (ωh)²/24, 2·10⁻⁵). Nothing of `src/bench` is used but the numbers drawn for a serial.
 */
export interface IdealShaft {
  /** N·m/rad; kg·m²; damping ratio, 1. */
  readonly stiffness: number;
  readonly inertia: number;
  readonly damping: number;
  /** Friction of the sliding bearing, N·m. */
  readonly friction: number;
  /** Standard deviation of the torque that noise of the current sensor makes in one 50 µs period, N·m. */
  readonly shaking: number;
  /** What is left of that noise after one period of the current loop, 0 … 1. */
  readonly memory: number;
}

const STEP = 1e-5; // s
const PERIOD = 5; // steps in a period of the current loop
/** rad: travel to full friction, and the share of it in which the bearing is a spring. */
const TRAVEL = 10e-6;
const ELASTIC = 0.5;
/** s: damping of the contacts over their stiffness. */
const CONTACT = 0.56e-3;

/** Share of a slow, small torque in the motor that reaches the shaft: the sticking bearing holds the rest. */
export function shareAtRest({
  stiffness,
  friction,
}: Pick<IdealShaft, 'stiffness' | 'friction'>): number {
  return stiffness / (stiffness + friction / TRAVEL);
}

/**
 * Gain from the torque of the motor to that in the shaft while the bearing sticks: friction is a spring
 * with damping beside the shaft.
 */
export function stickingGain(shaft: IdealShaft, frequency: number): number {
  const w = 2 * Math.PI * frequency;
  const contact = shaft.friction / TRAVEL;
  const loss = 2 * shaft.damping * Math.sqrt(shaft.stiffness * shaft.inertia) + contact * CONTACT;
  const spring = shaft.stiffness + contact - shaft.inertia * w * w;
  return shaft.stiffness / Math.hypot(spring, w * loss);
}

/**
 * Plays a torque of the motor, N·m, one value per 50 µs, and tells for each what the shaft carries and
 * what the bearing holds back, means over the period, N·m.
 */
export function shaftUnder(
  shaft: IdealShaft,
  torque: Float64Array,
  seed: number,
  tell: (at: number, carried: number, held: number) => void,
): void {
  const noise = lcgNormal(seed);
  const { stiffness, inertia, damping, friction, shaking, memory } = shaft;
  const loss = 2 * damping * Math.sqrt(stiffness * inertia);
  const fresh = shaking * Math.sqrt(1 - memory * memory);
  let [angle, speed, bend, against, shake] = [0, 0, 0, 0, 0];
  for (let i = 0; i < torque.length; i++) {
    shake = memory * shake + fresh * noise();
    const acting = (torque[i] as number) + shake;
    let [carried, held] = [0, 0];
    for (let k = 0; k < PERIOD; k++) {
      speed += (STEP * (acting - against - stiffness * angle - loss * speed)) / inertia;
      const travel = STEP * speed;
      angle += travel;
      const share = bend / TRAVEL;
      const slips = share * travel > 0 ? slipping(Math.abs(share)) : 0;
      const change = travel * (1 - slips * Math.abs(share));
      bend += change;
      against = (friction * (bend + (CONTACT * change) / STEP)) / TRAVEL;
      carried += stiffness * angle;
      held += against;
    }
    tell(i, carried / PERIOD, held / PERIOD);
  }
}

/** 0 while the bearing is a spring, 1 when it slides. */
function slipping(share: number): number {
  const x = Math.min(1, Math.max(0, (share - ELASTIC) / (1 - ELASTIC)));
  return x * x * (3 - 2 * x);
}
