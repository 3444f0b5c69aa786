import type { Capture, Screened } from '../capture/capture.js';
import { mean } from './line.js';
import { channelsOf, notEvaluated, shown, type NotEvaluated } from './reading.js';

/** How long torque stayed after a safety line opened. */
export interface StopTime {
  readonly kind: 'read';
  /** s from the sample at which the line opened to the end of the last one with 5 % of the torque or more. */
  readonly time: number;
  /** Torque was still there at the end of the take: it took at least `time`. */
  readonly atLeast: boolean;
  /** Mean shaft torque before, less its value at rest, N·m. */
  readonly level: number;
}

/** s before the line opened over which the torque is averaged. */
const BEFORE = 0.2;
/** Share of the torque below which it counts as taken away. Source: requirement of this project, ST-12. */
const GONE = 0.05;
/** Share of the command that must have reached the shaft. Own choice. */
const APPLIED = 0.5;

/** What a stop is read against. */
export interface StopStage {
  /** Transducer with the shaft coupled and no power, N·m. */
  readonly rest: number;
  /** Commanded torque, N·m. */
  readonly commanded: number;
  /** s of samples that must follow the opening. */
  readonly after: number;
}

/**
 * Reads from the shaft torque how long the stop function took.
 *
 * The channels come late by what amplifier and converter need, 1.2 ms on the shipped bench: it is not
 * taken out, so the time is never too short. The stand rings when the torque goes, and the last
 * sample outside counts.
 *
 * Source: common practice, no source. Check: tests/unit/stop-time.test.ts.
 */
export function stopTime(
  capture: Screened<Capture>,
  { rest, commanded, after }: StopStage,
): StopTime | NotEvaluated {
  const [take] = capture.takes;
  const { opened, rate } = take;
  if (opened === undefined)
    return notEvaluated('No safety line opened: nobody pressed it in time.');
  const channels = channelsOf(take, ['torque']);
  if ('reason' in channels) return channels;
  const { torque } = channels;
  const before = Math.round(BEFORE * rate);
  if (opened < 2 * before) {
    return notEvaluated('The emergency stop was pressed before the torque stood.');
  }
  if (torque.length < opened + Math.floor(after * rate)) {
    const left = shown((torque.length - opened) / rate);
    return notEvaluated(`The take ends ${left} s after the press; ${shown(after)} s are needed.`);
  }
  const level = mean(torque, opened - before, opened) - rest;
  if (!(Math.abs(level) >= APPLIED * Math.abs(commanded))) {
    return notEvaluated(
      `The shaft carried ${shown(level)} N·m of ${shown(commanded)} N·m: there was no torque to take away.`,
    );
  }
  let last = torque.length - 1;
  const isGone = (i: number): boolean =>
    Math.abs((torque[i] as number) - rest) < GONE * Math.abs(level);
  while (last >= opened && isGone(last)) last -= 1;
  const time = (last + 1 - opened) / rate;
  return { kind: 'read', time, atLeast: last === torque.length - 1, level };
}
