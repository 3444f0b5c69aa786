import { gateOf, type Gate, type GateIdentity } from '../capture/gate.js';
import { shown } from './reading.js';

/** A quantity of the surroundings at the start and at the end of a run, with its allowed band. */
export interface Surroundings {
  readonly before: number;
  readonly after: number;
  readonly band: { readonly from: number; readonly to: number };
}

const AMBIENT: GateIdentity = {
  id: 'ambient-kept',
  name: 'ambient temperature kept',
  concern: 'environment',
  reach: 'run',
  sense: 'at-most',
  blames: 'stand',
};
const SUPPLY: GateIdentity = { ...AMBIENT, id: 'supply-kept', name: 'idle supply kept' };

const HUMIDITY: GateIdentity = { ...AMBIENT, id: 'humidity-kept', name: 'humidity kept' };

/**
 * Judges whether the surroundings stayed within the band of the procedure: a run that began inside
 * and ended outside is void, the item is not to blame. Observed is the distance from the middle of the
 * band, allowed is half of it.
 *
 * @param humidity - 0 … 1; left out where the procedure has no band for it.
 */
export function environmentGates(
  ambient: Surroundings,
  supply: Surroundings,
  humidity?: Surroundings,
): readonly Gate[] {
  return [
    kept(AMBIENT, ambient, '°C', 'K'),
    kept(SUPPLY, supply, 'V', 'V'),
    ...(humidity === undefined ? [] : [kept(HUMIDITY, inPercent(humidity), '%', '%')]),
  ];
}

function inPercent({ before, after, band }: Surroundings): Surroundings {
  const percent = (share: number): number => Number((100 * share).toPrecision(6));
  return {
    before: percent(before),
    after: percent(after),
    band: { from: percent(band.from), to: percent(band.to) },
  };
}

function kept(identity: GateIdentity, s: Surroundings, symbol: string, unit: string): Gate {
  const middle = (s.band.from + s.band.to) / 2;
  const observed = Math.max(Math.abs(s.before - middle), Math.abs(s.after - middle));
  const allowed = (s.band.to - s.band.from) / 2;
  const range = `${shown(s.band.from)} … ${shown(s.band.to)} ${symbol}`;
  return gateOf(identity, 'run', {
    holds: observed <= allowed,
    observed,
    allowed,
    unit,
    evidence: `It went from ${shown(s.before)} to ${shown(s.after)} ${symbol} during the run, allowed ${range}.`,
  });
}
