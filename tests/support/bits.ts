import type { HidDescriptor, ReportField } from '../../src/link/hid-descriptor.js';

/** A value out of a report as a number of all its bits, by another way than the source goes. */
export function bitsAt(bytes: Uint8Array, offset: number, size: number, isSigned: boolean): number {
  const whole = BigInt(`0x${Buffer.from(bytes).reverse().toString('hex')}`);
  const value = (whole >> BigInt(offset)) & ((1n << BigInt(size)) - 1n);
  return Number(isSigned ? BigInt.asIntN(size, value) : value);
}

/** A report out of values with their places. */
export function bytesOf(
  length: number,
  values: readonly (readonly [number, number, number])[],
): Uint8Array {
  let whole = 0n;
  for (const [offset, size, value] of values) {
    whole |= BigInt.asUintN(size, BigInt(value)) << BigInt(offset);
  }
  const hex = whole.toString(16).padStart(2 * length, '0');
  return Uint8Array.from(Buffer.from(hex, 'hex').reverse());
}

/** Value of a usage in a report with an id, in the unit of the descriptor without its exponent. */
export function physicalIn(
  { fields }: HidDescriptor,
  report: { readonly kind: string; readonly id: number; readonly bytes: Uint8Array },
  usage: number,
): number {
  const field = fields.find(
    (f) => f.kind === report.kind && f.reportId === report.id && f.usage === usage,
  );
  if (field === undefined) throw new Error(`no usage ${usage}`);
  return physicalOf(field, report.bytes);
}

/** As `physicalIn`, for a field. */
export function physicalOf(field: ReportField, bytes: Uint8Array): number {
  const { logical, physical } = field;
  const value = bitsAt(bytes, 8 + field.offset, field.size, logical.minimum < 0);
  const share = (value - logical.minimum) / (logical.maximum - logical.minimum);
  return physical.minimum + share * (physical.maximum - physical.minimum);
}
