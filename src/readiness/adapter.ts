import { adapterWords } from '../bench/adapter.js';
import type { Adapter } from '../bench/bench.js';
import type { Procedure } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import type { Check } from './readiness.js';

/** What the adapter in the nest is judged by. */
export interface AdapterSituation {
  readonly procedure: Pick<Procedure, 'id' | 'adapter'>;
  readonly station: Pick<Station, 'id' | 'adapters'>;
  /** As the nest reads it; undefined where there is none, or the bench cannot read it. */
  readonly found: Adapter | undefined;
}

/**
 * Judges whether the adapter in the nest belongs to the bench and is of the kind that the procedure asks
 * for. Missing, unknown and wrong are refused alike: nobody could tell what the item is clamped with.
 *
 * @returns Nothing where neither the bench names adapters nor the procedure asks for one.
 */
export function adapterChecks(s: AdapterSituation): readonly Check[] {
  const { adapters = [] } = s.station;
  if (adapters.length === 0 && s.procedure.adapter === undefined) return [];
  const name = 'adapter';
  const allowed = adapters.filter(({ kind }) => kind === (s.procedure.adapter ?? kind));
  if (allowed.length === 0) {
    const found = `procedure "${s.procedure.id}" asks for one of kind ${s.procedure.adapter ?? ''}, and the description of ${s.station.id} names none`;
    return [{ name, state: 'failed', found, clear: 'quality engineer' }];
  }
  const wanted = `allowed: ${allowed.map(adapterWords).join('; ')}`;
  if (s.found === undefined) {
    const found = `the nest reads none, which counts as none; ${wanted}`;
    return [{ name, state: 'not run', found, clear: 'operator' }];
  }
  const objection = objectionTo(s.found, s);
  const found = objection === undefined ? adapterWords(s.found) : `${objection}; ${wanted}`;
  return [{ name, state: objection === undefined ? 'ok' : 'failed', found, clear: 'operator' }];
}

/** What stands against an adapter, in words. */
function objectionTo(found: Adapter, { procedure, station }: AdapterSituation): string | undefined {
  const registered = station.adapters?.find(({ id }) => id === found.id);
  const told = `the nest reads ${adapterWords(found)}`;
  if (registered === undefined) return `${told}, which does not belong to ${station.id}`;
  if (registered.serial !== found.serial || registered.kind !== found.kind) {
    return `${told}, but ${found.id} of ${station.id} is ${adapterWords(registered)}`;
  }
  if (found.kind === (procedure.adapter ?? found.kind)) return undefined;
  return `${told}, but procedure "${procedure.id}" asks for kind ${procedure.adapter ?? ''}`;
}
