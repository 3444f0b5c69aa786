import type { ItemParameters } from '../../src/bench/spread.js';
import { compile } from '../../src/pattern/waveform.js';
import type { Procedure } from '../../src/procedure/procedure.js';

/** Temperatures at one instant, °C: magnets with the body, and the mean of the windings. */
export interface Temperatures {
  readonly body: number;
  readonly winding: number;
}

const STEP = 0.02; // s, against a time constant of 50 s
const LOADING = 0.2; // s between two takes, at zero torque

/** 1/K of magnets, °C at which a torque constant is stated, K below 0 °C where copper has no resistance. */
const MAGNETS = -0.0011;
const STATED = 23;
const COPPER = 234.5;

/** Torque constant at a temperature of the magnets over that at 23 °C. */
export const magnetsAt = (body: number): number => 1 + MAGNETS * (body - STATED);

/**
 * Warms an item through a whole run, two masses in Euler steps of 20 ms, by the commands of every
 * stage and take.
 *
 * @returns The temperatures at a time in s of the first take of a stage.
 */
export function warmedThrough(
  procedure: Procedure,
  item: Pick<ItemParameters, 'thermal' | 'resistance' | 'assumedConstant'>,
  ambient: number,
): (stage: string, time: number) => Temperatures {
  const { windingResistance, windingCapacity, bodyResistance, bodyCapacity } = item.thermal;
  const told = new Map<string, readonly Temperatures[]>();
  let [winding, body] = [0, 0]; // K above the surroundings
  const warm = (torque: number, seconds: number): void => {
    const current = torque / item.assumedConstant;
    const ohm = (item.resistance * (COPPER + ambient + winding)) / (COPPER + 20);
    const across = (winding - body) / windingResistance;
    winding += (seconds * (1.5 * ohm * current * current - across)) / windingCapacity;
    body += (seconds * (across - body / bodyResistance)) / bodyCapacity;
  };
  for (const stage of procedure.stages) {
    const { command, rate } = compile(stage.pattern, stage.updates);
    const seconds = command.length / rate;
    stage.takes.forEach((_, take) => {
      warm(0, LOADING);
      const course: Temperatures[] = [];
      for (let t = 0; t < seconds; t += STEP) {
        course.push({ body: ambient + body, winding: ambient + winding });
        const at = Math.min(command.length - 1, Math.floor(t * rate));
        warm(stage.power === 'off' ? 0 : (command[at] as number), STEP);
      }
      if (take === 0) told.set(stage.id, course);
    });
  }
  return (stage, time) => {
    const course = told.get(stage) ?? [];
    const found = course[Math.min(course.length - 1, Math.max(0, Math.round(time / STEP)))];
    return found ?? { body: ambient, winding: ambient };
  };
}
