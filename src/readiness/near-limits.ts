import type { Json } from '../base/canonical.js';
import type { NearLimit, Result } from '../decision/decision.js';
import type { Entry } from '../ledger/ledger.js';

/** A row of one record that was accepted near its limit. */
export interface NearRow extends NearLimit {
  readonly stage: string;
  readonly characteristic: string;
  readonly label: string;
}

/** Part of the body of an entry `record-issued`: the model, and every row accepted near its limit. */
export function nearLimitsBody(
  model: string,
  results: readonly Result[],
): { readonly model: string; readonly nearLimit: readonly Json[] } {
  const nearLimit = results.flatMap(({ limit, nearLimit: near }): readonly Json[] => {
    const { stage, characteristic, label } = limit;
    return near === undefined ? [] : [{ stage, characteristic, label, ...near }];
  });
  return { model, nearLimit };
}

/** Which accepted items are looked at. */
export interface NearWish {
  /** All models if left out. */
  readonly model?: string;
  /** How many accepted items, the latest, ≥ 1. */
  readonly last: number;
  /** Records of simulated benches, or product records; the two are never counted together. */
  readonly simulated: boolean;
}

/** How often one characteristic was accepted near its limit. */
export interface NearCount {
  readonly stage: string;
  readonly characteristic: string;
  readonly label: string;
  /** Accepted items of those looked at. */
  readonly items: number;
  /** Share of the tolerance used: the greatest, and that of the latest of these items. */
  readonly greatest: number;
  readonly latest: number;
}

/** Near-limit rows of the latest accepted items. */
export interface NearHistory {
  /** Accepted items looked at, each by its latest accepted record. */
  readonly items: number;
  /** Those of them whose entry is from before near-limit rows were entered, and so tells none. */
  readonly untold: number;
  /** Most frequent first. */
  readonly rows: readonly NearCount[];
}

/**
 * Counts per characteristic how many of the last accepted items were near its limit.
 *
 * An entry that names no model counts where no model is asked for.
 *
 * @param entries - Newest first; read no further than the last item asked for.
 */
export function nearHistory(entries: Iterable<Entry>, wish: NearWish): NearHistory {
  const seen = new Set<string>();
  const counts = new Map<string, NearCount>();
  let untold = 0;
  for (const entry of entries) {
    if (!isAsked(entry, wish) || seen.has(entry.serial)) continue;
    seen.add(entry.serial);
    const near = nearRowsOf(entry);
    if (near === undefined) untold += 1;
    for (const row of near ?? []) count(counts, row);
    if (seen.size >= wish.last) break;
  }
  const rows = [...counts.values()].sort((a, b) => b.items - a.items || b.greatest - a.greatest);
  return { items: seen.size, untold, rows };
}

function isAsked({ kind, body }: Entry, { model, simulated }: NearWish): boolean {
  if (kind !== 'record-issued' || body['verdict'] !== 'ACCEPT') return false;
  if ((body['simulated'] === true) !== simulated) return false;
  return model === undefined || body['model'] === model;
}

/** @param row - Of an item older than those counted so far. */
function count(counts: Map<string, NearCount>, row: NearRow): void {
  const { stage, characteristic, label, used } = row;
  const key = `${stage}.${characteristic}`;
  const so = counts.get(key) ?? {
    stage,
    characteristic,
    label,
    items: 0,
    greatest: 0,
    latest: used,
  };
  counts.set(key, { ...so, items: so.items + 1, greatest: Math.max(so.greatest, used) });
}

/** Reads the rows back; undefined when the entry says nothing of them. What is not whole is left out. */
export function nearRowsOf({ kind, body }: Entry): readonly NearRow[] | undefined {
  const { nearLimit: rows } = body;
  if (kind !== 'record-issued' || !Array.isArray(rows)) return undefined;
  return (rows as readonly Json[]).flatMap(readRow);
}

function readRow(row: Json): readonly NearRow[] {
  if (typeof row !== 'object' || row === null || Array.isArray(row)) return [];
  const { stage, characteristic, label, used, above } = row as Readonly<Record<string, Json>>;
  if (typeof stage !== 'string' || typeof characteristic !== 'string') return [];
  if (typeof used !== 'number' || typeof above !== 'number') return [];
  const name = typeof label === 'string' ? label : `${stage}.${characteristic}`;
  return [{ stage, characteristic, label: name, used, above }];
}
