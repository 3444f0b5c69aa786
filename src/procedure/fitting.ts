import { isNonEmpty } from '../base/numbers.js';
import type { Procedure, Settings, Stage } from './procedure.js';
import type { Station } from './station.js';

/**
 * Fits a procedure to a bench: where its shunt can be switched in both ways round, each take with the
 * shunt is followed by one with it the other way round.
 *
 * A procedure says that the bridge chain is to be proven, the bench what it can be proven with: so one
 * document serves every bench. The digest stays that of the document.
 */
export function fitted(procedure: Procedure, station: Pick<Station, 'shuntPolarity'>): Procedure {
  if (station.shuntPolarity !== 'both') return procedure;
  const [first, ...others] = procedure.stages;
  return { ...procedure, stages: [bothWays(first), ...others.map(bothWays)] };
}

function bothWays(stage: Stage): Stage {
  if (!stage.takes.some(isShunted)) return stage;
  const takes = stage.takes.flatMap((take): readonly Settings[] =>
    isShunted(take) ? [take, { ...take, fixture: 'shunt-negative' }] : [take],
  );
  if (!isNonEmpty(takes)) throw new Error(`stage "${stage.id}" lost its takes`);
  return { ...stage, takes };
}

const isShunted = ({ fixture }: Settings): boolean => fixture === 'shunt';
