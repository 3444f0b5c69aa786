import type { Stage } from '../procedure/procedure.js';
import { characteristic, gateRule } from '../scoring/catalogue.js';
import { tellsLater } from '../scoring/context.js';

/**
 * Finds the stages that a retest of some of them plays: those, and every stage without which what is
 * read off them means nothing.
 *
 * These are the stages with a gate that forbids more torque or voids the whole run; those with a gate
 * on which a characteristic read there depends; and those before them that tell later stages what
 * they are scored with: zero, torque constant, friction. Each of these may need others in turn.
 *
 * @param asked - Ids of stages; one that the procedure does not have is left out.
 * @returns Ids in the order of the procedure.
 */
export function stagesPlayed(
  asked: readonly string[],
  stages: readonly Stage[],
): readonly string[] {
  const played = new Set(stages.filter((s) => asked.includes(s.id) || guardsRun(s)));
  for (let before = -1; before !== played.size;) {
    before = played.size;
    const needed = new Set([...played].flatMap(gatesBehind));
    const last = stages.findLastIndex((s) => played.has(s) && isJudged(s));
    stages.forEach((stage, i) => {
      const isGate = stage.gates.some(({ gate }) => needed.has(gate));
      if (isGate || (i < last && tellsLater(stage))) played.add(stage);
    });
  }
  return stages.filter((stage) => played.has(stage)).map(({ id }) => id);
}

/** Whether a stage has a gate that speaks for the whole run, or must hold before more torque. */
function guardsRun({ gates }: Stage): boolean {
  return gates.some(({ gate }) => {
    const rule = gateRule(gate);
    // What nobody knows must be judged: it may be either.
    return rule === undefined || rule.stops || rule.reach === 'run';
  });
}

/** Gates of other stages on which what is read off a stage depends. */
const gatesBehind = ({ reads }: Stage): readonly string[] =>
  reads.flatMap((reading) => characteristic(reading.characteristic)?.gates ?? []);

const isJudged = ({ reads, gates }: Stage): boolean => reads.length + gates.length > 0;
