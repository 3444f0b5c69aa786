import type { Problem } from '../base/error.js';
import type { Limit, Limits, Tolerance } from '../procedure/limits.js';
import type { Station } from '../procedure/station.js';
import type { Characteristic } from '../scoring/scoring.js';

/** s: limits of time below this cannot be held by the clock of a computer that also does other things. */
const HOST_LIMIT = 5e-3;

/**
 * Holds what a bench says of its timing against the limits: the clock of the host decides no limit of time
 * below 5 ms, and a budget that counts the alignment counts no less than the links state.
 */
export function checkTiming(
  { limits, station }: { readonly limits: Limits; readonly station: Station },
  characteristics: readonly Characteristic[],
): readonly Problem[] {
  const timing = station.links?.timing;
  if (timing === undefined) return [];
  const times = new Set(characteristics.filter((c) => c.dimension === 'time').map(({ id }) => id));
  return limits.rows
    .filter((row) => times.has(row.characteristic))
    .flatMap((row) => [
      ...(timing.method === 'host' ? hostProblems(row, station) : []),
      ...alignmentProblems(row, station, timing.uncertainty),
    ]);
}

function hostProblems(row: Limit, { id }: Station): readonly Problem[] {
  const least = Math.min(...endsOf(row.tolerance).map(Math.abs));
  if (least >= HOST_LIMIT) return [];
  const what = `"${row.stage}.${row.characteristic}" has a limit of ${ms(least)}, but bench "${id}" ties its capture to the command by the clock of the computer: no limit below ${ms(HOST_LIMIT)} can be decided.`;
  const fix = 'Capture the command, or start both by one line, and state that as timing.';
  return [{ code: 'bench/timing', where: row.where, what, fix }];
}

function alignmentProblems(row: Limit, station: Station, stated: number): readonly Problem[] {
  const budget = station.uncertainty.get(row.characteristic);
  if (budget === undefined) return [];
  const counted = budget.components
    .filter(({ origin }) => origin.kind === 'alignment')
    .map(({ absolute }) => absolute);
  const most = Math.max(...counted);
  if (counted.length === 0 || most >= stated) return []; // a difference of two times has none
  const what = `The timing of bench "${station.id}" is uncertain by ${ms(stated)}, but the budget of "${row.characteristic}" counts ${ms(most)} for alignment.`;
  const fix = `Count ${ms(stated)} there, from: alignment.`;
  return [{ code: 'bench/timing', where: budget.where, what, fix }];
}

function endsOf(tolerance: Tolerance): readonly number[] {
  switch (tolerance.kind) {
    case 'at-least':
      return [tolerance.lower];
    case 'at-most':
      return [tolerance.upper];
    case 'between':
      return [tolerance.lower, tolerance.upper];
  }
}

const ms = (seconds: number): string => `${Number((1000 * seconds).toPrecision(6))} ms`;
