import { type FaultName, withFaults } from './fault.js';
import { loopLag, responseOf } from './motor.js';
import {
  coggingAt,
  drawItem,
  drawStand,
  type Parameters,
  type SimulatedStation,
} from './spread.js';

/** s: period of the current loop. */
const LOOP_PERIOD = 1 / 20_000;

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
  /** Motor torque over commanded torque, 1, at 23 °C and before droop: a fit over ±6 N·m is lower. */
  readonly staticGain: number;
  /** Gain for positive torque over that for negative, less 1. */
  readonly split: number;
  /** N·m/A, small current and 23 °C. */
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
  readonly clockSkew: number;
  /** N·m/s */
  readonly drift: number;
}

/** Draws the parameters of a simulated item and its clamping, with its faults. */
export function drawParameters(item: SimulatedItem): Parameters {
  const { station, serial, attempt } = item;
  const good = {
    item: drawItem(serial, station.stand.resonance),
    stand: drawStand(station, serial, attempt),
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
  const poles = (corner: number): number => (corner === 0 ? 0 : 2 / (2 * Math.PI * corner));
  return {
    deadTime: item.deadTime,
    loopLag: lagOfLoop,
    loopFrequency: item.loop.frequency,
    smoothing: item.smoothing,
    lag: item.smoothing.map((corner) => item.deadTime + lagOfLoop + poles(corner)),
    staticGain: item.torqueConstant / item.assumedConstant,
    split: item.split,
    torqueConstant: item.torqueConstant,
    droop: item.droop,
    friction: item.friction,
    offset: item.offset,
    cogging: coggingAt(item, stand.angle),
    preload: stand.preload,
    slew: item.slew,
    resonance: Math.sqrt(stand.stiffness / item.inertia) / (2 * Math.PI),
    damping: stand.damping,
    resistance: item.resistance,
    clockSkew: item.clockSkew,
    drift: stand.drift,
  };
}
