/** How the values of a block are written. */
export interface BlockForm {
  readonly format: 'f32' | 'f64' | 'i16';
  /** Whether the least significant byte comes first. */
  readonly isSwapped: boolean;
  /** V of one count of i16; values of the other formats are V. */
  readonly voltsPerCount: number;
}

const BYTES = { f32: 4, f64: 8, i16: 2 } as const;

/** Bytes of one value. */
export function bytesPerValue({ format }: BlockForm): number {
  return BYTES[format];
}

/**
 * Puts the head of a definite block before its bytes: `#`, the number of digits, the length, the bytes.
 *
 * Source: IEEE 488.2-1992, 7.7.6.2, from memory. Check: tests/checks/scpi.check.ts.
 */
export function definiteBlock(bytes: Uint8Array): Uint8Array {
  const length = String(bytes.length);
  const head = new TextEncoder().encode(`#${length.length}${length}`);
  const whole = new Uint8Array(head.length + bytes.length);
  whole.set(head);
  whole.set(bytes, head.length);
  return whole;
}

/** Reads values in V; a rest too short for a value is left out. */
export function voltsOf(bytes: Uint8Array, form: BlockForm): Float64Array {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const size = bytesPerValue(form);
  const values = new Float64Array(Math.floor(bytes.length / size));
  for (let i = 0; i < values.length; i++) values[i] = read(view, i * size, form);
  return values;
}

function read(view: DataView, at: number, { format, isSwapped, voltsPerCount }: BlockForm): number {
  if (format === 'i16') return view.getInt16(at, isSwapped) * voltsPerCount;
  return format === 'f32' ? view.getFloat32(at, isSwapped) : view.getFloat64(at, isSwapped);
}

const MOST_COUNTS = 32_767;

/**
 * Writes values in V. What a format cannot hold goes to the next it can hold towards zero, so that no
 * value grows on the way.
 */
export function bytesOfVolts(values: Float64Array, form: BlockForm): Uint8Array {
  const size = bytesPerValue(form);
  const bytes = new Uint8Array(values.length * size);
  const view = new DataView(bytes.buffer);
  const { format, isSwapped, voltsPerCount } = form;
  for (const [i, value] of values.entries()) {
    if (format === 'f64') view.setFloat64(i * size, value, isSwapped);
    else if (format === 'f32') view.setFloat32(i * size, towardsZero(value), isSwapped);
    else {
      const counts = Math.trunc(value / voltsPerCount);
      view.setInt16(i * size, Math.max(-MOST_COUNTS, Math.min(MOST_COUNTS, counts)), isSwapped);
    }
  }
  return bytes;
}

/** The binary32 number next to a value, not beyond it. */
function towardsZero(value: number): number {
  const near = Math.fround(value);
  return Math.abs(near) > Math.abs(value) ? Math.fround(near * (1 - 2 ** -24)) : near;
}
