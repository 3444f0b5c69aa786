import type { Ratings } from '../bench/bench.js';
import type { Procedure, Stage } from '../procedure/procedure.js';
import type { Check } from './readiness.js';

/** What a procedure asks of the bench beyond torque: arrangements, angles, a closed loop. */
export function abilityCheck({ stages, purpose, ceiling }: Procedure, ratings: Ratings): Check {
  const lacking = stages.flatMap((stage) => {
    const { id, takes, pattern, power } = stage;
    const fixture = takes.find((take) => !ratings.fixtures.includes(take.fixture))?.fixture;
    const isIndexed = takes.some((take) => take.angle !== undefined);
    // A hand in the stand and power do not go together.
    const isTurned =
      ratings.indexing === 'bench' || (ratings.indexing === 'operator' && power === 'off');
    return [
      ...(fixture === undefined ? [] : [`stage "${id}" needs the stand ${fixture}`]),
      ...(isIndexed && !isTurned
        ? [`stage "${id}" needs a bench that turns the locked shaft`]
        : []),
      ...(pattern.kind === 'virtual-spring' && !ratings.closedLoop
        ? [`stage "${id}" needs a bench that closes a loop`]
        : []),
      ...lackingOf(stage, ratings),
    ];
  });
  lacking.push(...lackingInAll({ stages, purpose, ceiling }, ratings));
  return {
    name: 'abilities of the bench',
    state: lacking.length === 0 ? 'ok' : 'failed',
    found: lacking.length === 0 ? 'all that the procedure asks for' : lacking.join('; '),
    clear: 'quality engineer',
  };
}

/** What a stage asks for that the links of a bench cannot do. */
function lackingOf({ id, takes, pattern, updates }: Stage, ratings: Ratings): readonly string[] {
  const { lacks = {}, maximumUpdates } = ratings;
  const { smoothing = [] } = lacks;
  const settings = [...new Set(takes.map((take) => take.smoothing))];
  const others =
    lacks.smoothing === undefined ? [] : settings.filter((s) => !smoothing.includes(s));
  return [
    ...(others.length > 0 ? [`stage "${id}" needs smoothing ${others.join(', ')}`] : []),
    ...(lacks.slew === true && takes.some((take) => take.slew !== undefined)
      ? [`stage "${id}" needs a drive whose slew can be set`]
      : []),
    ...(lacks.silence === true && pattern.kind === 'silence'
      ? [`stage "${id}" needs a drive that can be kept waiting for updates`]
      : []),
    ...(updates > maximumUpdates
      ? [
          `stage "${id}" needs ${String(updates)} updates/s, and there are at most ${String(maximumUpdates)}`,
        ]
      : []),
  ];
}

/** What a procedure as a whole asks for that the links of a bench cannot do. */
function lackingInAll(
  { stages, purpose, ceiling }: Pick<Procedure, 'stages' | 'purpose' | 'ceiling'>,
  { lacks = {} }: Ratings,
): readonly string[] {
  const { deadMan } = lacks;
  const isPowered = stages.some(({ power }) => power === 'on');
  return [
    ...(purpose === 'stop' && lacks.stopMark === true
      ? ['a proof of the stop needs a digitizer that marks the safety line']
      : []),
    ...(isPowered && deadMan !== undefined && ceiling > deadMan
      ? [
          `the drive has no dead-man: at most ${String(deadMan)} N·m may be applied, and the ceiling is ${String(ceiling)} N·m`,
        ]
      : []),
  ];
}
