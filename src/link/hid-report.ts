import type { ErrorCode } from '../base/codes.js';
import { StallmarkError, unreachable } from '../base/error.js';
import {
  type HidDescriptor,
  reportKey,
  type ReportField,
  type ReportKind,
  type Usage,
} from './hid-descriptor.js';
import { hex } from './hid-item.js';

/** A report as it goes over the bus. */
export interface HidReport {
  readonly kind: ReportKind;
  /** 0 where reports have no id. */
  readonly id: number;
  /** With the byte of the id in front where reports have one. */
  readonly bytes: Uint8Array;
}

/** Units that a value of ours may have in a report; 1 is a share of the greatest physical value. */
export type FieldUnit = 'N·m' | 's' | 'rad' | '1';

/** Makes the error of a report: *what* is observed against expected. */
export function reportProblem(code: ErrorCode, what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}

/** Returns the usage of a field with its page. */
export function usageOf({ usagePage, usage }: ReportField): Usage {
  return usagePage * 0x1_0000 + usage;
}

/** Says which field is meant, e.g. `field 0x0f0050 of output 1`. */
export function fieldName(field: ReportField): string {
  return `field 0x${usageOf(field).toString(16).padStart(6, '0')} of ${reportKey(field.kind, field.reportId)}`;
}

/** Makes a report of zeros. */
export function emptyReport(descriptor: HidDescriptor, kind: ReportKind, id: number): HidReport {
  const bits = descriptor.bits.get(reportKey(kind, id)) ?? 0;
  const bytes = new Uint8Array((descriptor.hasIds ? 1 : 0) + Math.ceil(bits / 8));
  if (descriptor.hasIds) bytes[0] = id;
  return { kind, id, bytes };
}

/**
 * Reads a value where the descriptor has it, with its sign where the logical minimum is negative.
 *
 * @returns The logical value, also one outside the logical span, which means that there is none.
 *
 * Source: USB Device Class Definition for Human Interface Devices 1.11, 5.8 (from memory).
 */
export function readField(
  descriptor: HidDescriptor,
  bytes: Uint8Array,
  field: ReportField,
): number {
  const start = field.offset + (descriptor.hasIds ? 8 : 0);
  let value = 0;
  for (let bit = 0; bit < field.size; bit += 1) {
    const byte = bytes[(start + bit) >> 3] ?? 0;
    if ((byte >> ((start + bit) & 7)) % 2 === 1) value += 2 ** bit;
  }
  const isNegative = field.logical.minimum < 0 && value >= 2 ** (field.size - 1);
  return isNegative ? value - 2 ** field.size : value;
}

/** Puts bits where the descriptor has the field, lowest first; negative values as two's complement. */
export function putBits(
  descriptor: HidDescriptor,
  bytes: Uint8Array,
  field: ReportField,
  value: number,
): void {
  const start = field.offset + (descriptor.hasIds ? 8 : 0);
  let rest = value < 0 ? value + 2 ** field.size : value;
  for (let bit = 0; bit < field.size; bit += 1) {
    const at = (start + bit) >> 3;
    const mask = 1 << ((start + bit) & 7);
    const byte = bytes[at] ?? 0;
    bytes[at] = rest % 2 === 1 ? byte | mask : byte & ~mask;
    rest = Math.floor(rest / 2);
  }
}

/**
 * Puts a logical value into a report.
 *
 * @throws link/ability when it is no integer, outside the logical span, or does not fit the bits.
 */
export function writeField(
  descriptor: HidDescriptor,
  bytes: Uint8Array,
  field: ReportField,
  value: number,
): void {
  const { logical, size } = field;
  const isSigned = logical.minimum < 0;
  const least = Math.max(logical.minimum, isSigned ? -(2 ** (size - 1)) : 0);
  const most = Math.min(logical.maximum, 2 ** (isSigned ? size - 1 : size) - 1);
  if (!Number.isInteger(value) || value < least || value > most) {
    const what = `The ${fieldName(field)} takes whole numbers ${least} … ${most}; ${value} was to be written.`;
    throw reportProblem('link/ability', what, 'Ask for what the device can hold.');
  }
  putBits(descriptor, bytes, field, value);
}

/**
 * Turns a value of ours into the logical value of a field, towards zero, so that neither a torque nor a
 * time becomes greater than what was asked for; angles to the nearest. Where the descriptor puts zero
 * between two logical values, what lies between them becomes the nearer.
 *
 * @param value - In `unit`.
 * @throws link/ability when the field has another unit, or the value is outside its physical span.
 *
 * Source: USB Device Class Definition for Human Interface Devices 1.11, 6.2.2.7 (from memory).
 * Check: tests/checks/hid.check.ts.
 */
export function logicalOf(field: ReportField, value: number, unit: FieldUnit): number {
  const { logical, physical } = field;
  const asked = value * physicalPer(field, unit);
  const wanted = Math.min(Math.max(asked, physical.minimum), physical.maximum);
  // 32.767 s is 32767.000000000004 ms in binary64: an end of the span is within it.
  if (!(Math.abs(asked - wanted) <= 1e-12 * Math.abs(wanted))) {
    const [least, most] = [physical.minimum, physical.maximum].map(
      (end) => end / physicalPer(field, unit),
    );
    const what = `The ${fieldName(field)} takes ${least} … ${most} ${unit}; ${value} ${unit} was asked for.`;
    throw reportProblem('link/ability', what, 'Ask for what the device can hold.');
  }
  const perPhysical = (logical.maximum - logical.minimum) / (physical.maximum - physical.minimum);
  const zero = logical.minimum - physical.minimum * perPhysical;
  const exact = physical.maximum > physical.minimum ? zero + wanted * perPhysical : logical.minimum;
  // 0.029 s is 29.000000000000004 ms in binary64: what is whole but for that is whole. Angles have no
  // safe side, so they are rounded.
  const near = Math.round(exact);
  if (unit === 'rad' || Math.abs(exact - near) <= 1e-9 * Math.max(1, Math.abs(near))) return near;
  const found = value < 0 ? Math.ceil(exact) : Math.floor(exact);
  if (Math.abs(valueOf(field, found, unit)) <= Math.abs(value)) return found;
  // Zero lies between two logical values, as with −128 … 127 for ±10000: then the nearest, 0 before −1.
  const other = value < 0 ? found - 1 : found + 1;
  const nearer = Math.abs(exact - found) - Math.abs(exact - other);
  if (Math.abs(nearer) < 1e-9) return Math.abs(found) < Math.abs(other) ? found : other;
  return nearer < 0 ? found : other;
}

/** Turns a logical value of a field into a value of ours. @throws link/ability when it has another unit. */
export function valueOf(field: ReportField, logicalValue: number, unit: FieldUnit): number {
  const { logical, physical } = field;
  const perLogical = (physical.maximum - physical.minimum) / (logical.maximum - logical.minimum);
  const found = physical.minimum + (logicalValue - logical.minimum) * perLogical;
  return found / physicalPer(field, unit);
}

/** Units of HID by the dimension: 1 s, 1 rad and 1 N·m in the unit without its exponent. */
function unitsOf(unit: Exclude<FieldUnit, '1'>): ReadonlyMap<number, number> {
  switch (unit) {
    case 's':
      return new Map([0x1001, 0x1002, 0x1003, 0x1004].map((code) => [code, 1]));
    case 'rad':
      return new Map([
        [0x12, 1],
        [0x14, 180 / Math.PI],
      ]);
    case 'N·m':
      return new Map([[0xe121, 1e7]]); // dyn·cm: g·cm²/s²
    default:
      return unreachable(unit);
  }
}

/** How much the physical value grows with one of `unit`. */
function physicalPer(field: ReportField, unit: FieldUnit): number {
  const { physical, exponent } = field;
  if (unit === '1') {
    if (field.unit === 0) return Math.max(Math.abs(physical.minimum), Math.abs(physical.maximum));
    const what = `The ${fieldName(field)} has the unit ${hex(field.unit)}; a share has none.`;
    throw reportProblem('link/ability', what, 'Have the report descriptor of the device mended.');
  }
  const units = unitsOf(unit);
  const per = units.get(field.unit);
  if (per !== undefined) return exponent < 0 ? per * 10 ** -exponent : per / 10 ** exponent;
  const known = [...units.keys()].map(hex).join(', ');
  const what = `The ${fieldName(field)} has the unit ${hex(field.unit)}; a value in ${unit} needs one of ${known}.`;
  throw reportProblem('link/ability', what, 'Have the report descriptor of the device mended.');
}
