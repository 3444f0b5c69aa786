import { fault, type ScpiFault } from './scpi-fault.js';

/** N·m of the item per volt of the generator. */
export const TORQUE_PER_VOLT = 1.2;
/** 1/(N·m): decimals that people write end at the nN·m. */
const GRAIN = 1e9;
/** Most that dividing and multiplying again makes of a level: two roundings. */
const ROUNDING = 2 * Number.EPSILON;
const BYTES = 8;

/**
 * Reads values of a generator, real64 in volts, as levels of the item in N·m.
 *
 * @returns −161 when the bytes are no whole values, −222 when one is no number or beyond the item.
 */
export function levelsOf(
  bytes: Uint8Array,
  isLittleEndian: boolean,
  mostTorque: number,
): Float64Array<ArrayBuffer> | ScpiFault {
  const count = bytes.length / BYTES;
  if (count === 0 || !Number.isInteger(count)) {
    return fault('-161', `${bytes.length} bytes are no values of ${BYTES} bytes each`);
  }
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const levels = new Float64Array(count);
  for (let i = 0; i < count; i += 1) {
    const volts = view.getFloat64(BYTES * i, isLittleEndian);
    const level = asWritten(volts * TORQUE_PER_VOLT);
    if (!(Math.abs(level) <= mostTorque)) {
      return fault('-222', `value ${i} is ${volts} V; at most ${mostTorque / TORQUE_PER_VOLT} V`);
    }
    levels[i] = level;
  }
  return levels;
}

/** Takes back the rounding of a division by `TORQUE_PER_VOLT`, lest a level at the ceiling be lifted above it. */
function asWritten(level: number): number {
  const decimal = Math.round(level * GRAIN) / GRAIN;
  return Math.abs(decimal - level) <= ROUNDING * Math.abs(level) ? decimal : level;
}
