import type { Channel } from '../bench/bench.js';
import type { Expectations, Found, Seen } from './conditions.js';

/**
 * °C at which a winding can be: from the coldest hall to what insulation of class 180 (H) endures.
 * Whether an item is at room temperature is another question: gate item-cool.
 *
 * Source: IEC 60085 thermal classes for the upper end (from memory); the lower end is common practice.
 */
const WINDING = { from: -10, to: 180 } as const;

/** The mean of a channel over each take, worst first in distance from a band. */
interface Away {
  readonly name: string;
  readonly mean: number;
  /** Distance outside the band; 0 inside it. */
  readonly away: number;
}

function farthest(
  takes: readonly Seen[],
  channel: Channel,
  { from, to }: { readonly from: number; readonly to: number },
): Away | undefined {
  const all = takes.flatMap(({ take, name }): readonly Away[] => {
    const samples = take.channels[channel];
    if (samples === undefined) return [];
    let [sum, count] = [0, 0];
    for (const value of samples) {
      if (!Number.isFinite(value)) continue; // gaps and values that are no number have gates of their own
      sum += value;
      count += 1;
    }
    const mean = sum / count;
    return [{ name, mean, away: Math.max(0, from - mean, mean - to) }];
  });
  return all.reduce<Away | undefined>(
    (a, b) => (a === undefined || b.away > a.away ? b : a),
    undefined,
  );
}

/** Judges whether the sensor of the winding says a temperature that a winding can have. */
export function windingPlausible(takes: readonly Seen[]): Found {
  const seen = farthest(takes, 'winding', WINDING);
  const observed = seen?.away ?? 0;
  const band = `a winding is at ${WINDING.from} … ${WINDING.to} °C`;
  return {
    id: 'winding-plausible',
    name: 'winding temperature plausible',
    concern: 'sensor',
    observed,
    allowed: 0,
    unit: 'K',
    blames: 'stand',
    evidence:
      seen === undefined
        ? 'There is no channel winding.'
        : `The channel winding says ${seen.mean.toFixed(1)} °C in ${seen.name}; ${band}.`,
  };
}

/** Judges the bus voltage of a stage without power, where what it must be was given. */
export function idleSupply(
  takes: readonly Seen[],
  { idleSupply: band }: Pick<Expectations, 'idleSupply'>,
): readonly Found[] {
  if (band === undefined) return [];
  const seen = farthest(takes, 'supply', band);
  return [
    {
      id: 'idle-supply',
      name: 'supply without power',
      concern: 'sensor',
      observed: seen?.away ?? 0,
      allowed: 0,
      unit: 'V',
      blames: 'stand',
      evidence:
        seen === undefined
          ? 'There is no channel supply.'
          : `The channel supply says ${seen.mean.toFixed(2)} V in ${seen.name}; ${String(band.from)} … ${String(band.to)} V without power.`,
    },
  ];
}
