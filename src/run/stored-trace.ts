import { StallmarkError } from '../base/error.js';
import { thin } from '../base/thin.js';
import type { Capture, Take } from '../capture/capture.js';
import { recordValue } from '../certificate/csv-table.js';
import type { StoredTrace, TraceLine, TraceWish } from '../readiness/stored-attempt.js';
import { capturesOf } from './rescored.js';
import type { StoredRecord } from './stored-record.js';

/** Columns over the width of a drawing: two samples of each are kept. */
const COLUMNS = 400;

/**
 * Reads a stage of a record from its stored samples, after the digest of the capture was compared.
 *
 * @throws storage/unreadable as `capturesOf`; usage/argument when the stage or take is not there.
 */
export async function storedTrace(stored: StoredRecord, wish: TraceWish): Promise<StoredTrace> {
  const [capture] = await capturesOf(stored, (stage) => stage === wish.stage);
  const take = capture?.takes[wish.take ?? 0];
  if (capture === undefined || take === undefined) throw notThere(stored, wish);
  const duration = take.expected / take.rate;
  const from = Math.min(Math.max(0, wish.from ?? 0), duration);
  const to = Math.min(Math.max(from, wish.to ?? duration), duration);
  const { command, current, torque } = take.channels;
  const constant = recordValue(stored.table, 'torque constant') ?? NaN;
  const line = (samples: Float32Array | undefined, factor: number): TraceLine =>
    samples === undefined
      ? { x: [], y: [] }
      : lineOf(samples, factor, { rate: take.rate, from, to });
  return {
    stage: capture.stage,
    takes: wordsOf(capture),
    ...{ take: wish.take ?? 0, duration, from, to },
    command: line(command, 1),
    produced: line(current, constant),
    shaft: line(torque, 1),
  };
}

function notThere({ table }: StoredRecord, { stage, take }: TraceWish): StallmarkError {
  const which = take === undefined ? '' : `, take ${take + 1}`;
  const what = `${table.number} holds no samples of stage "${stage}"${which}: it was not played.`;
  const fix = 'Choose a stage that the record has values of.';
  return new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

interface Window {
  readonly rate: number;
  readonly from: number;
  readonly to: number;
}

function lineOf(samples: Float32Array, factor: number, { rate, from, to }: Window): TraceLine {
  const first = Math.floor(from * rate);
  const part = samples.subarray(first, Math.ceil(to * rate) + 1);
  const { index, value } = thin(part, COLUMNS);
  return {
    x: Array.from(index, (i) => rounded((first + i) / rate)),
    y: Array.from(value, (v) => (Number.isFinite(v) ? rounded(v * factor) : null)),
  };
}

/** Six digits are finer than any screen. */
const rounded = (value: number): number => Number(value.toPrecision(6));

/** What tells the takes of a stage from each other. */
function wordsOf({ takes }: Capture): readonly string[] {
  const words = takes.map(({ settings }) => settingWords(settings));
  return words.map((text, i) => {
    const before = words.slice(0, i).filter((other) => other === text).length;
    const isRepeated = words.filter((other) => other === text).length > 1;
    return isRepeated ? `${text}, time ${before + 1}` : text;
  });
}

function settingWords({ smoothing, angle, slew, fixture }: Take['settings']): string {
  if (angle !== undefined) return `${((angle * 180) / Math.PI).toFixed(1)}°`;
  if (slew !== undefined) return `slew ${String(slew / 1000)} N·m/ms`;
  return fixture === 'coupled' ? `smoothing ${smoothing}` : fixture;
}
