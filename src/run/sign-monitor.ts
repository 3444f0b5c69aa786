import type { Block } from '../bench/bench.js';
import type { Gate } from '../capture/gate.js';
import type { Stage } from '../procedure/procedure.js';
import { polarityGate } from '../scoring/gates-static.js';

/** N·m that the command must hold through a whole block, and below which it counts as none. */
const STEADY = 0.3;
const NONE = 0.02;
/** Share of the command: what answers more than this with the other sign is turned round. Own choice. */
const TURNED = -0.3;

/** Breaks a take off because directions disagree; `perform` makes it the outcome of the stage. */
export class SignsDisagree extends Error {
  override readonly name = 'SignsDisagree';
  constructor(readonly gate: Gate) {
    super(gate.evidence);
  }
}

/**
 * Watches the directions of command, motor current and shaft torque block by block, where a stage is
 * there to judge them, so that power goes off within a block of a steady command and not at the end
 * of the stage. What is merely weak is left to the gate.
 *
 * @param torqueConstant - N·m/A, nominal.
 * @returns A function from each block to the gate that does not hold, else undefined; undefined for a
 * stage that asks for no such gate.
 */
export function signMonitor(
  stage: Stage,
  torqueConstant: number,
): ((block: Block) => Gate | undefined) | undefined {
  if (stage.power === 'off' || stage.gates.every(({ gate }) => gate !== 'polarity')) {
    return undefined;
  }
  let rest: Pair | undefined;
  return ({ samples }) => {
    const { command, current, torque } = samples;
    if (command === undefined || current === undefined || torque === undefined) return undefined;
    const held = { motor: meanOf(current) * torqueConstant, shaft: meanOf(torque) };
    const [least, most] = endsOf(command);
    if (Math.max(-least, most) < NONE) rest ??= held;
    const isSteady = least > STEADY || most < -STEADY;
    return rest === undefined || !isSteady
      ? undefined
      : turned(rest, held, meanOf(command), stage.id);
  };
}

/** Torque by the motor current and by the transducer, N·m. */
interface Pair {
  readonly motor: number;
  readonly shaft: number;
}

/** The closed gate when either answers the command with the other sign. */
function turned(rest: Pair, held: Pair, command: number, stage: string): Gate | undefined {
  const motor = (held.motor - rest.motor) / command;
  const shaft = (held.shaft - rest.shaft) / command;
  return motor < TURNED || shaft < TURNED ? polarityGate(motor, shaft, stage) : undefined;
}

function meanOf(samples: Float32Array): number {
  let sum = 0;
  for (const sample of samples) sum += sample;
  return sum / samples.length;
}

function endsOf(samples: Float32Array): readonly [least: number, most: number] {
  let [least, most] = [Infinity, -Infinity];
  for (const sample of samples) {
    if (sample < least) least = sample;
    if (sample > most) most = sample;
  }
  return [least, most];
}
