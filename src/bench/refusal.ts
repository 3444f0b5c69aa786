import type { ErrorCode } from '../base/codes.js';
import { type Problem, StallmarkError, unreachable } from '../base/error.js';
import type { Interlocks } from './bench.js';
import type { Task } from './permit.js';
import { FAULT_CODES, type FaultCode } from './drive.js';

/** s: an interlock reading older than this counts as open. */
export const OLDEST_INTERLOCK = 0.2;

/** One problem as an error. */
export function problem(code: ErrorCode, what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code, what, fix }]);
}

/** What a bench knows when it is asked for power. */
export interface PowerRequest {
  readonly bench: string;
  /** Whether power is on already. */
  readonly on: boolean;
  readonly lines: Interlocks;
  /** Serial that the device in the nest reports. */
  readonly serial: string;
  readonly task: Task;
  /** N·m: asked for, and as the device reads it back. */
  readonly ceiling: number;
  readonly readBack: number;
}

/** Returns every reason not to apply power, besides the permit. */
export function energizeProblems(request: PowerRequest): readonly Problem[] {
  const { bench, on, lines, serial, task, ceiling, readBack } = request;
  const found: Problem[] = interlockProblems(lines);
  if (on) {
    const what = `Bench "${bench}" has power on already.`;
    found.push({ code: 'bench/permit-void', what, fix: 'Make the bench safe, then ask again.' });
  }
  if (serial !== task.serial) {
    const what = `The device in the nest is ${serial}; the run is for ${task.serial}.`;
    found.push({ code: 'bench/wrong-item', what, fix: `Put ${task.serial} into the nest.` });
  }
  if (!(ceiling > 0) || readBack !== ceiling) {
    const what = `A ceiling of ${ceiling} N·m was set; the device reads back ${readBack} N·m.`;
    const fix = 'Lower the ceiling of the procedure to what the device can hold.';
    found.push({ code: 'bench/ceiling', what, fix });
  }
  return found;
}

/** Returns what is not safe about the interlock lines; any doubt counts as open. */
export function interlockProblems(lines: Interlocks): Problem[] {
  const found: Problem[] = [];
  const add = (what: string, fix: string): void => {
    found.push({ code: 'bench/interlock', what, fix });
  };
  if (lines.guard !== 'closed') add(`The guard is ${lines.guard}.`, 'Close the guard.');
  if (lines.emergencyStop !== 'released') {
    add(`The emergency stop is ${lines.emergencyStop}.`, 'Clear the danger, release it, reset.');
  }
  if (lines.presence !== 'held') {
    add(`The hold-to-run device is ${lines.presence}.`, 'Hold it until the run has ended.');
  }
  if ((lines.coupling ?? 'seated') !== 'seated') {
    add(`The coupling is ${lines.coupling}.`, 'Seat the shaft in its coupling and lock it.');
  }
  if (!(lines.age >= 0 && lines.age <= OLDEST_INTERLOCK)) {
    const what = `The interlocks were read ${lines.age} s ago; at most ${OLDEST_INTERLOCK} s is allowed.`;
    add(what, 'Check the link to the safety controller.');
  }
  return found;
}

/** Names the reason for which the device took its torque away. */
export function tripProblem(bench: string, fault: Exclude<FaultCode, 0>): StallmarkError {
  switch (fault) {
    case FAULT_CODES.deadMan:
      return problem(
        'bench/dead-man',
        `Bench "${bench}" dropped its torque: it was not fed within 100 ms.`,
        'Make the bench safe and find what held up the control loop.',
      );
    case FAULT_CODES.overTorque:
      return problem(
        'bench/ceiling',
        `Bench "${bench}" dropped its torque: it stayed above the ceiling for 2 ms.`,
        'Take the item out and have it looked at; do not test it again before.',
      );
    case FAULT_CODES.safeTorqueOff:
      return problem(
        'bench/interlock',
        `Bench "${bench}" lost its torque to the safety controller.`,
        'Clear the danger, close the guard, release the stop, then acknowledge the warnings again.',
      );
    case FAULT_CODES.internal:
      return problem(
        'bench/device-fault',
        `The device on bench "${bench}" reports fault ${fault} and dropped its torque.`,
        'Read the fault log of the device before anyone tries again.',
      );
    default:
      return unreachable(fault);
  }
}
