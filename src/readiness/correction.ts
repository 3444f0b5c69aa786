import { unreachable } from '../base/error.js';
import type { MeasuredQuantity } from '../procedure/station.js';
import type { Side } from '../scoring/scoring.js';

/** What a calibration found wrong: what is true is factor · reading, or reading + value in base units. */
export type Correction =
  | { readonly kind: 'gain'; readonly factor: number }
  | { readonly kind: 'offset'; readonly value: number };

/**
 * How a result follows from a correction of what it was read from: it stays, it is multiplied or
 * divided by the factor, it is a ratio less one and so becomes g·(1 + v) − 1, it is a level and rises
 * by 20·lg g, or the record alone does not tell and its capture would have to be scored again.
 *
 * Nothing is simply shifted by an offset: a difference does not feel it, and where the zero was read
 * in the same run, power off, the zero takes it out.
 */
export type Response = 'same' | 'times' | 'over' | 'excess' | 'level' | 'score again';

/** Response to an offset: 'zeroed' stays where the zero was read in the same run. */
type OffsetResponse = 'same' | 'zeroed' | 'score again';

/** Responses of one characteristic, its motor side read with the torque constant measured in the run. */
interface Responses {
  readonly torque: readonly [gain: Response, offset: OffsetResponse];
  readonly current: readonly [gain: Response, offset: OffsetResponse];
}

const SAME: Responses = { torque: ['same', 'same'], current: ['same', 'same'] };
/** A difference of torques, or an alternating one. */
const TORQUE: Responses = { torque: ['times', 'same'], current: ['same', 'same'] };
/** A torque above the zero of the run. */
const LEVEL: Responses = { torque: ['times', 'zeroed'], current: ['same', 'same'] };
/** A ratio to a mean torque above the zero of the run. */
const TO_MEAN: Responses = { torque: ['same', 'zeroed'], current: ['same', 'same'] };
/** A torque from the current, against a wave, of which an offset is not taken out. */
const AGAINST: Responses = { torque: ['times', 'same'], current: ['same', 'score again'] };
const UNKNOWN: Responses = {
  torque: ['score again', 'score again'],
  current: ['score again', 'score again'],
};

const of = (
  responses: Responses,
  ...ids: readonly string[]
): readonly (readonly [string, Responses])[] => ids.map((id) => [id, responses]);

/** By the formulas of the catalogue. A characteristic that is not here must be scored again. */
const TABLE: ReadonlyMap<string, Responses> = new Map([
  ...of(LEVEL, 'zero-offset', 'offset', 'peak-torque'),
  ...of(TORQUE, 'preload', 'static-gain', 'linearity', 'static-friction', 'noise'),
  ...of(TORQUE, 'limit-cycle', 'cogging', 'slew-rate', 'grain'),
  ...of(AGAINST, 'tracking-error', 'tracking-peak', 'tracking-error-unshifted'),
  ...of(TO_MEAN, 'thermal-fade', 'ripple', 'ripple-peak', 'ripple-line'),
  ['steady-state-error', { torque: ['excess', 'same'], current: ['same', 'same'] }],
  ['torque-constant', { torque: ['times', 'same'], current: ['over', 'same'] }],
  ['torque-constant-droop', { torque: ['same', 'zeroed'], current: ['same', 'score again'] }],
  ...of(SAME, 'symmetry', 'torque-resolution', 'hysteresis', 'deadband', 'repeatability'),
  ...of(SAME, 'dead-time', 'rise-time', 'settling-time', 'overshoot', 'undershoot'),
  ...of(SAME, 'shaft-overshoot', 'bandwidth', 'phase-bandwidth', 'gain-peaking'),
  ...of(SAME, 'least-coherence', 'gain-bias', 'shaft-bandwidth'),
  ...of(SAME, 'shaft-gain-peaking', 'lag', 'lag-increase', 'lag-updates', 'grain-ratio'),
  ...of(SAME, 'trade-off-departure', 'distortion', 'torque-over-angle'),
  ['command-loss-reaction', { torque: ['same', 'same'], current: ['same', 'score again'] }],
  ...of(SAME, 'supply-minimum', 'supply-sag', 'supply-recovery', 'saturation-margin'),
  ...of(SAME, 'missing-updates', 'late-updates', 'update-gap', 'update-jitter', 'clock-skew'),
  ...of(SAME, 'winding-rise', 'temperature-rate', 'sound-level', 'sound-over-settings'),
  ...of(SAME, 'stability-margin'),
]);

/** What a result was read from. */
export interface ReadFrom {
  readonly characteristic: string;
  readonly side: Side;
  /** The value is a least, which comes from what was commanded. */
  readonly isBound: boolean;
  /** Where the constant came from that turned motor current into torque when it was read. */
  readonly torqueConstant: 'measured' | 'nominal';
  /** Whether the zero of the torque channel was read in the run and taken out. */
  readonly isZeroed: boolean;
}

/**
 * Says how a result follows from a correction of an instrument.
 *
 * With the torque constant measured in the run, torque from the current is as right as the transducer
 * and a wrong current sensor cancels; with the nominal one it is the other way round.
 *
 * Check: tests/truth/correction.test.ts scores corrected captures again.
 */
export function responseOf(
  read: ReadFrom,
  quantity: MeasuredQuantity,
  kind: Correction['kind'],
): Response {
  const response = responseOfValue(read, quantity, kind);
  return read.isBound && response !== 'same' ? 'score again' : response;
}

function responseOfValue(
  read: ReadFrom,
  quantity: MeasuredQuantity,
  kind: Correction['kind'],
): Response {
  if (read.side === 'link') return 'same'; // read from what the device sends, by no instrument
  const responses = TABLE.get(read.characteristic) ?? UNKNOWN;
  switch (quantity) {
    case 'torque':
      if (isOfNominal(read)) return 'same';
      return kind === 'gain' ? responses.torque[0] : zeroed(responses.torque[1], read);
    case 'current':
      if (kind === 'offset') return zeroed(responses.current[1], read);
      return isOfNominal(read) ? responses.torque[0] : responses.current[0];
    case 'sound pressure':
      if (read.side !== 'acoustic') return 'same';
      return kind === 'gain' ? 'level' : 'score again';
    case 'voltage':
    case 'other':
      return 'score again';
    default:
      return unreachable(quantity);
  }
}

const zeroed = (response: OffsetResponse, { isZeroed }: ReadFrom): Response =>
  response === 'zeroed' ? (isZeroed ? 'same' : 'score again') : response;

const isOfNominal = ({ side, torqueConstant }: ReadFrom): boolean =>
  side === 'motor' && torqueConstant === 'nominal';

/**
 * Returns a value under a correction, in the same unit.
 *
 * @param value - Base unit.
 * @returns Undefined when the record alone does not tell.
 */
export function corrected(
  value: number,
  response: Response,
  correction: Correction,
): number | undefined {
  const factor = correction.kind === 'gain' ? correction.factor : 1;
  switch (response) {
    case 'same':
      return value;
    case 'times':
      return value * factor;
    case 'over':
      return value / factor;
    case 'excess':
      return factor * (1 + value) - 1;
    case 'level':
      return value + 20 * Math.log10(factor);
    case 'score again':
      return undefined;
    default:
      return unreachable(response);
  }
}
