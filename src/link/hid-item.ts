import { StallmarkError } from '../base/error.js';

/** Makes the error of a descriptor that makes no sense at a byte. */
export function garbled(at: number, finding: string): StallmarkError {
  const what = `The report descriptor makes no sense at byte ${at}: ${finding}.`;
  const fix = 'Have the maker of the device mend its report descriptor.';
  return new StallmarkError([{ code: 'link/garbled', what, fix }]);
}

/** Bytes of data by the two lowest bits. */
const SIZES = [0, 1, 2, 4] as const;
const ITEM_KINDS = ['main', 'global', 'local'] as const;

/** One item as it stands in the descriptor. */
export interface Item {
  readonly kind: (typeof ITEM_KINDS)[number] | 'long';
  readonly tag: number;
  /** Bytes of data. */
  readonly size: number;
  /** The data, 0 where there is none, read without and with a sign. */
  readonly unsigned: number;
  readonly signed: number;
  /** Position of its first byte, and of the first after it. */
  readonly at: number;
  readonly end: number;
}

/**
 * Reads the item at a byte.
 *
 * @throws link/garbled where bytes are missing or the type is reserved.
 *
 * Source: USB Device Class Definition for Human Interface Devices 1.11, 6.2.2.2, 6.2.2.3 (from memory).
 * Check: tests/checks/hid.check.ts.
 */
export function itemAt(bytes: Uint8Array, at: number): Item {
  const prefix = bytes[at] ?? 0;
  const isLong = prefix === 0xfe;
  const size = isLong ? 2 + (bytes[at + 1] ?? 0) : (SIZES[prefix & 3] ?? 0);
  const end = at + 1 + size;
  if (end > bytes.length) {
    throw garbled(at, `an item of ${end - at} bytes begins, ${bytes.length - at} are left`);
  }
  const kind = isLong ? 'long' : ITEM_KINDS[(prefix >> 2) & 3];
  if (kind === undefined) throw garbled(at, `item ${hex(prefix)} is of a reserved type`);
  let unsigned = 0;
  if (!isLong) for (let i = size; i > 0; i -= 1) unsigned = unsigned * 256 + (bytes[at + i] ?? 0);
  const over = 2 ** (8 * size);
  const signed = size > 0 && unsigned >= over / 2 ? unsigned - over : unsigned;
  return { kind, tag: prefix >> 4, size, unsigned, signed, at, end };
}

/** Prints a number as the standard does, e.g. 0x0f. */
export const hex = (value: number): string => `0x${value.toString(16).padStart(2, '0')}`;
