import { drawParameters } from '../../src/bench/truth.js';
import { jobDocuments } from './jobs.js';

/** Rows that the gain of the transducer scales, and the one that the current sensor divides. */
const BY_TORQUE = ['static-gain', 'torque-constant', 'peak-torque', 'slew-rate', 'grain'];
const BY_CURRENT = ['torque-constant'];

/** What the gains of the stand make of a row of one item, as a factor. */
export function gainOf(serial: string, characteristic: string): number {
  const { station } = jobDocuments;
  const { stand } = drawParameters({ station, serial, attempt: 1, faults: [] });
  const torque = BY_TORQUE.includes(characteristic) ? 1 + stand.torqueGain : 1;
  return torque / (BY_CURRENT.includes(characteristic) ? 1 + stand.currentGain : 1);
}
