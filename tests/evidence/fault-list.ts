import { type Fault, type FaultName, FAULTS, readFaults } from '../../src/bench/fault.js';
import type { RunDocuments } from '../support/simulated-run.js';

/** Stages of every run: zeros at start and end, the direction of torque, and the torque constant. */
const ALWAYS = ['zero', 'idle', 'polarity', 'static', 'close'];
/** Item faults whose finding must be seen beside every other row. */
const WHOLE = ['swapped-smoothing'];

/** One fault at one severity, as the bench takes it. */
export function faultAt(name: string, severity: string): FaultName {
  const [fault] = readFaults([`${name}:${severity}`]);
  if (fault === undefined) throw new Error(`no fault ${name}:${severity}`);
  return fault;
}

/** Finds a fault by its name. */
export function faultOf(name: string): Fault {
  const fault: Fault | undefined = FAULTS.find((candidate) => candidate.name === name);
  if (fault === undefined) throw new Error(`no fault ${name}`);
  return fault;
}

/**
 * Stages that a fault is played on. What does not stem from the item is played on all of them: that it
 * never rejects an item must hold on every row.
 */
export function stagesFor({ procedure }: RunDocuments, name: string): readonly string[] {
  const fault = faultOf(name);
  const all = procedure.stages.map((stage) => stage.id);
  if (fault.blames !== 'item' || WHOLE.includes(name)) return all;
  const needed = [...ALWAYS, ...fault.stages];
  return all.filter((id) => needed.includes(id));
}
