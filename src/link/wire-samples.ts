/** What a drive says of itself, as it stands in sample frames and in the reply to `status`. */
export interface WireReport {
  readonly updates: number;
  readonly missing: number;
  readonly linkLost?: number;
  /** s */
  readonly gap?: number;
  /** s */
  readonly jitter?: number;
  readonly duty?: number;
  /** s */
  readonly time: number;
  /** In the numbers of the device. */
  readonly fault: number;
  readonly torqueEnabled: boolean;
}

/** A block of samples with what the drive said at its end. */
export interface SampleFrame {
  /** Counts takes from 1. */
  readonly take: number;
  /** Counts blocks of the take from 0. */
  readonly block: number;
  /** Index of the first sample. */
  readonly start: number;
  /** Clock of the device at the end of the block since the take began, s. */
  readonly clock: number;
  readonly channels: number;
  readonly report: WireReport;
  /** Sample at which a safety line opened. */
  readonly opened?: number;
  /** frames × channels values, interleaved; may be a view on the payload they were read from. */
  readonly values: Float32Array;
}

/** Values of a waveform: N·m of the command, or N·m/rad of the stiffness of a wheel. */
export interface WaveformFrame {
  /** Counts frames of one load from 0. */
  readonly part: number;
  readonly what: 'command' | 'stiffness';
  readonly values: Float64Array;
}

/** Samples of one frame at most. */
export const MOST_FRAMES = 65_536;
/** Channels of one frame at most: more than there are. */
const MOST_CHANNELS = 64;
const SAMPLE_HEADER = 104;
const WAVEFORM_HEADER = 8;
const FLOAT32 = 1;
const TORQUE_ENABLED = 1;
const WHATS = ['command', 'stiffness'] as const;

/** Whether this computer keeps numbers as the link does; then they are read where they lie. */
const isLittleEndian = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;

/**
 * Reads the payload of a sample frame, which must not change afterwards.
 *
 * @returns Finite values only; or what is wrong, in a clause that follows the name of the sender.
 */
export function decodeSamples(payload: Uint8Array): SampleFrame | string {
  if (payload.length < SAMPLE_HEADER) {
    return `sent a sample frame of ${payload.length} bytes; ${SAMPLE_HEADER} come before the samples`;
  }
  const view = new DataView(payload.buffer, payload.byteOffset, payload.byteLength);
  const frames = view.getUint32(24, true);
  const channels = view.getUint16(28, true);
  const format = view.getUint16(30, true);
  if (!(frames >= 1 && frames <= MOST_FRAMES && channels >= 1 && channels <= MOST_CHANNELS)) {
    return `sent a block of ${frames} samples in ${channels} channels; 1 … ${MOST_FRAMES} in 1 … ${MOST_CHANNELS} are allowed`;
  }
  if (format !== FLOAT32) return `sent samples in format ${format}, not ${FLOAT32}`;
  const length = SAMPLE_HEADER + 4 * frames * channels;
  if (payload.length !== length) {
    return `sent ${frames} samples in ${channels} channels as ${payload.length} bytes, not ${length}`;
  }
  const values = float32(payload.subarray(SAMPLE_HEADER));
  const odd = firstOdd(values);
  if (odd >= 0) return `sent ${String(values[odd])} as value ${odd} of a block`;
  const start = view.getFloat64(8, true);
  const clock = view.getFloat64(16, true);
  if (!isCount(start)) return `sent a block that begins at sample ${start}`;
  if (!(clock >= 0 && clock < Infinity)) return `sent a block with clock ${clock} s`;
  const report = reportOf(view);
  if (typeof report === 'string') return report;
  const opened = view.getFloat64(96, true);
  if (opened !== -1 && !isCount(opened)) return `marked sample ${opened} as that of a stop`;
  const take = view.getUint32(0, true);
  const block = view.getUint32(4, true);
  const stop = opened === -1 ? {} : { opened };
  return { take, block, start, clock, channels, report, ...stop, values };
}

function reportOf(view: DataView): WireReport | string {
  const at = (index: number): number => view.getFloat64(32 + 8 * index, true);
  const [updates, missing, time] = [at(0), at(1), at(6)];
  for (const [name, value] of Object.entries({ updates, missing, time })) {
    if (!(value >= 0 && value < Infinity)) return `reports ${value} as ${name}`;
  }
  const told: Record<string, number> = {};
  for (const [name, value] of [
    ['linkLost', at(2)],
    ['gap', at(3)],
    ['jitter', at(4)],
    ['duty', at(5)],
  ] as const) {
    if (Number.isNaN(value)) continue; // not told
    if (!(value >= 0 && value < Infinity)) return `reports ${value} as ${name}`;
    told[name] = value;
  }
  const fault = view.getUint32(88, true);
  const torqueEnabled = (view.getUint32(92, true) & TORQUE_ENABLED) !== 0;
  return { updates, missing, ...told, time, fault, torqueEnabled };
}

/** Makes the payload of a sample frame; for adapters and tests. */
export function encodeSamples(frame: SampleFrame): Uint8Array {
  const { report, values, channels } = frame;
  const payload = new Uint8Array(SAMPLE_HEADER + 4 * values.length);
  const view = new DataView(payload.buffer);
  view.setUint32(0, frame.take, true);
  view.setUint32(4, frame.block, true);
  view.setFloat64(8, frame.start, true);
  view.setFloat64(16, frame.clock, true);
  view.setUint32(24, values.length / channels, true);
  view.setUint16(28, channels, true);
  view.setUint16(30, FLOAT32, true);
  const { linkLost = NaN, gap = NaN, jitter = NaN, duty = NaN } = report;
  const numbers = [report.updates, report.missing, linkLost, gap, jitter, duty, report.time];
  for (const [index, value] of numbers.entries()) view.setFloat64(32 + 8 * index, value, true);
  view.setUint32(88, report.fault, true);
  view.setUint32(92, report.torqueEnabled ? TORQUE_ENABLED : 0, true);
  view.setFloat64(96, frame.opened ?? -1, true);
  for (const [index, value] of values.entries()) {
    view.setFloat32(SAMPLE_HEADER + 4 * index, value, true);
  }
  return payload;
}

/** Reads the payload of a waveform frame; or says what is wrong with it. */
export function decodeWaveform(payload: Uint8Array): WaveformFrame | string {
  if (payload.length < WAVEFORM_HEADER || payload.length % 8 !== 0) {
    return `sent a waveform frame of ${payload.length} bytes`;
  }
  const view = new DataView(payload.buffer, payload.byteOffset, payload.byteLength);
  const what = WHATS[view.getUint32(4, true)];
  if (what === undefined) return `sent a waveform frame of what ${view.getUint32(4, true)}`;
  const values = new Float64Array((payload.length - WAVEFORM_HEADER) / 8);
  for (let i = 0; i < values.length; i++) {
    values[i] = view.getFloat64(WAVEFORM_HEADER + 8 * i, true);
  }
  const odd = values.findIndex((value) => !Number.isFinite(value));
  if (odd >= 0) return `sent ${String(values[odd])} as value ${odd} of a waveform`;
  return { part: view.getUint32(0, true), what, values };
}

/** Makes the payload of a waveform frame. */
export function encodeWaveform({ part, what, values }: WaveformFrame): Uint8Array {
  const payload = new Uint8Array(WAVEFORM_HEADER + 8 * values.length);
  const view = new DataView(payload.buffer);
  view.setUint32(0, part, true);
  view.setUint32(4, WHATS.indexOf(what), true);
  for (const [index, value] of values.entries()) {
    view.setFloat64(WAVEFORM_HEADER + 8 * index, value, true);
  }
  return payload;
}

/** Index of the first value that is not finite, or −1. A loop: `findIndex` takes ten times as long. */
function firstOdd(values: Float32Array): number {
  for (let i = 0; i < values.length; i++) if (!Number.isFinite(values[i])) return i;
  return -1;
}

/** The numbers in these bytes; a view on them where they lie as this computer wants them. */
function float32(bytes: Uint8Array): Float32Array {
  const isAligned = bytes.byteOffset % Float32Array.BYTES_PER_ELEMENT === 0;
  if (isLittleEndian && isAligned) {
    return new Float32Array(bytes.buffer, bytes.byteOffset, bytes.length / 4);
  }
  const values = new Float32Array(bytes.length / 4);
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  for (let i = 0; i < values.length; i++) values[i] = view.getFloat32(4 * i, true);
  return values;
}

const isCount = (value: number): boolean => Number.isSafeInteger(value) && value >= 0;
