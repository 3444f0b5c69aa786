import { type FaultName, withFaults } from './fault.js';
import { copperLoss, copperResistance, loopLag, responseOf } from './motor.js';
import {
  coggingAt,
  commutationAt,
  drawItem,
  drawStand,
  type Parameters,
  type SimulatedStation,
  UNDISTURBED,
} from './spread.js';

/** s: period of the current loop. */
const LOOP_PERIOD = 1 / 20_000;
/** s: period of the digitizer. */
const SAMPLE_PERIOD = 1 / 20_000;
/** N·m */
const PEAK = 12;

/** One simulated item on one clamping. */
export interface SimulatedItem {
  readonly station: SimulatedStation;
  readonly serial: string;
  readonly attempt: number;
  readonly faults: readonly FaultName[];
}

/** What a perfect bench would find, in base units. */
export interface Truth {
  /** s */
  readonly deadTime: number;
  /** Lag of the current loop at low frequency, s; 1/(2π·loopFrequency) within 0.6 % for a good loop. */
  readonly loopLag: number;
  /** Hz */
  readonly loopFrequency: number;
  /** By setting 0 … 5, Hz; 0 is off. */
  readonly smoothing: readonly number[];
  /** By setting 0 … 5: lag of motor torque behind the latched command at low frequency, s. */
  readonly lag: readonly number[];
  /**
   * Motor torque over commanded torque, 1, at 23 °C, at the angle where the shaft was locked and before
   * droop: a fit over ±6 N·m is lower.
   */
  readonly staticGain: number;
  /** Gain for positive torque over that for negative, less 1. */
  readonly split: number;
  /** N·m/A, small current and 23 °C, at the angle where the shaft was locked. */
  readonly torqueConstant: number;
  /** Share of torque constant lost at 20 A. */
  readonly droop: number;
  /**
   * Half-width of the bearing's own loop, N·m. In service the noise of the current sensor shakes the
   * shaft, and a slow loop opens by four fifths of it.
   */
  readonly friction: number;
  /** N·m */
  readonly offset: number;
  readonly cogging: number;
  readonly preload: number;
  /** N·m/s */
  readonly slew: number;
  /** Hz and 1. */
  readonly resonance: number;
  readonly damping: number;
  /** Ω at 20 °C. */
  readonly resistance: number;
  /** Device clock over digitizer clock, less 1. */
  readonly clockSkew: number;
  /** N·m/s */
  readonly drift: number;
  /** N·m, peak to peak of cogging over a turn. */
  readonly coggingSpan: number;
  /** Share of torque, amplitude, by which torque varies over a turn. */
  readonly commutation: number;
  /** s from the last update to the moment at which the item begins to take its torque away. */
  readonly commandTimeout: number;
  /** s of the torque and the current channel behind the command channel. */
  readonly torqueDelay: number;
  readonly currentDelay: number;
  /** Twist of transducer and coupling per torque, rad/(N·m). */
  readonly compliance: number;
  /**
   * By setting 0 … 5, s: from torque in the shaft to torque that answers it, when the bench reckons a
   * wheel. With period T, drag b and virtual damping B, the linear rule gives (b + B)/(T/2 + delay) as
   * the stiffness at which such a loop turns unstable.
   */
  readonly loopDelay: readonly number[];
  /** V at the end of a long hold of 12 N·m, for a winding as warm as the surroundings. */
  readonly supplyAtPeak: number;
}

/** Draws the parameters of a simulated item and its clamping, with its faults. */
export function drawParameters(item: SimulatedItem): Parameters {
  const { station, serial, attempt } = item;
  const good = {
    item: drawItem(serial, station.stand.resonance),
    stand: drawStand(station, serial, attempt),
    ...UNDISTURBED,
  };
  return withFaults(good, item.faults);
}

/**
 * Returns the true values of a simulated item, for tests that hold scores against them.
 *
 * The lag is dead time, plus 1/(2π·f) for the current loop, plus 2/(2π·fc) for
 * the two poles of a smoothing setting: the slope of the phase angle at zero frequency.
 */
export function trueValues(of: SimulatedItem): Truth {
  const { item, stand } = drawParameters(of);
  const response = responseOf(item.resistance, item.inductance, LOOP_PERIOD);
  const lagOfLoop = loopLag(item.loop, response, LOOP_PERIOD);
  const torqueConstant = item.torqueConstant * commutationAt(item, stand.angle);
  const poles = (corner: number): number => (corner === 0 ? 0 : 2 / (2 * Math.PI * corner));
  const lag = item.smoothing.map((corner) => item.deadTime + lagOfLoop + poles(corner));
  const measured = stand.amplifierDelay + stand.converterDelay * SAMPLE_PERIOD;
  return {
    deadTime: item.deadTime,
    loopLag: lagOfLoop,
    loopFrequency: item.loop.frequency,
    smoothing: item.smoothing,
    lag,
    staticGain: torqueConstant / item.assumedConstant,
    split: item.split,
    torqueConstant,
    droop: item.droop,
    friction: item.friction,
    offset: item.offset,
    cogging: coggingAt(item, stand.angle),
    preload: stand.preload,
    slew: item.slew,
    resonance: Math.sqrt(stand.stiffness / item.inertia) / (2 * Math.PI),
    damping: stand.damping,
    resistance: item.resistance,
    clockSkew: (1 + item.clockSkew) / (1 + stand.clockSkew) - 1,
    drift: stand.drift,
    coggingSpan: item.cogging,
    commutation: item.commutation,
    commandTimeout: item.commandTimeout,
    torqueDelay: stand.amplifierDelay,
    currentDelay: stand.currentDelay,
    compliance: 1 / stand.stiffness,
    loopDelay: lag.map((behind) => stand.loopDelay + measured + behind),
    supplyAtPeak: supplyUnder(PEAK / item.assumedConstant, { item, stand }),
  };
}

/** Voltage of the supply that carries the copper loss of a current in A, once it has settled. */
function supplyUnder(current: number, { item, stand }: Pick<Parameters, 'item' | 'stand'>): number {
  const { supplyVoltage: open, supplyResistance } = stand;
  const loss = copperLoss(copperResistance(item.resistance, 20, stand.ambient), current);
  return (open + Math.sqrt(open * open - 4 * supplyResistance * loss)) / 2;
}
