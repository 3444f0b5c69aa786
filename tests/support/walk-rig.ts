import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { systemClock } from '../../src/base/clock.js';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { hertz, newtonMetre } from '../../src/base/units.js';
import type { Bench, Load } from '../../src/bench/bench.js';
import {
  issuePermit,
  type Acknowledgement,
  type EnergizePermit,
  type Task,
} from '../../src/bench/permit.js';
import { openRig, type LinkedStation } from '../../src/rig/open-rig.js';
import { linkedStation, wireText } from './linked-station.js';

const adapter = fileURLToPath(new URL('small-adapter.mjs', import.meta.url));
const SOUND = ', sound: 20 Pa';

/** A bench whose every role is the small adapter; it tells of torque in a file of the folder. */
export interface SmallBench {
  readonly text: string;
  readonly station: LinkedStation;
  /** What it was told about torque so far, in order. */
  readonly torque: () => readonly string[];
}

/** Describes a bench of the small adapter that misbehaves in a way; it hears nothing unless `hears`. */
export function smallBench(
  folder: string,
  how: string,
  kind: 'emulated' | 'real' = 'emulated',
  hears = false,
): SmallBench {
  const file = join(folder, 'torque');
  const command = JSON.stringify([process.execPath, adapter, how, file]);
  const whole = wireText(`command: ${command}`, kind);
  const text = asOfKind(hears ? whole : whole.replace(SOUND, ''), kind);
  const torque = (): readonly string[] =>
    readFileSync(file, 'utf8')
      .split('\n')
      .filter((line) => line.startsWith('torque'));
  return { text, station: linkedStation(text), torque };
}

/** The text of an emulated bench as one of another kind; a real one requires every check. */
export function asOfKind(text: string, kind: 'emulated' | 'real'): string {
  if (kind === 'emulated') return text;
  return text
    .replace('kind: emulated', 'kind: real')
    .replaceAll('required: false', 'required: true');
}

/** What is done with a bench besides powering it and playing a waveform. */
export interface Walk {
  readonly serial?: string;
  /** Updates of the waveform, at 1000 a second. */
  readonly updates?: number;
  /** Done once the bench is open. */
  readonly opened?: (bench: Bench) => Promise<void>;
  /** Done once, when the first block of the waveform has come. */
  readonly playing?: () => Promise<void>;
}

/** Who lies in the nest of the small adapter. */
export const SMALL_ITEM = 'H12-0001';

/**
 * Opens a bench, has an item energized at zero torque, plays a waveform and feeds; whatever happens, it
 * is made safe and let go, as an attempt does.
 */
export async function walkRig(station: LinkedStation, walk: Walk = {}): Promise<void> {
  const { serial = SMALL_ITEM, updates = 100, opened, playing } = walk;
  const task = { bench: station.id, serial, attempt: 1, procedureDigest: 'a1' };
  const bench = await openRig(station, { serial, attempt: 1 }, systemClock);
  try {
    await opened?.(bench);
    const power = await bench.energize(permitFor(task), task, newtonMetre(12.5));
    for await (const { start } of power.play(heldAt(0.5, updates))) {
      power.feed();
      if (start === 0) await playing?.();
    }
  } finally {
    await bench.makeSafe('off');
    await bench.close();
  }
}

function heldAt(level: number, updates: number): Load {
  const command = new Float64Array(updates).fill(level);
  return {
    waveform: { rate: hertz(1000), command },
    settings: { smoothing: 0, fixture: 'coupled' },
  };
}

function permitFor(task: Task): EnergizePermit {
  const reply = (hazard: 'crushing' | 'sudden-torque'): Acknowledgement => ({
    ...{ hazard, by: 'op 17', at: systemClock.now(), serial: task.serial, attempt: task.attempt },
    ...{ language: 'en', textIssue: 1, means: 'typed at the terminal' },
  });
  const replies = [reply('crushing'), reply('sudden-torque')];
  const permit = issuePermit(task, [], replies, systemClock.now());
  if ('outstanding' in permit) throw new Error('no permit');
  return permit;
}

/** What was refused; nothing when all went well. */
export async function problemsOf(act: Promise<unknown>): Promise<readonly Problem[]> {
  try {
    await act;
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}
