import type { Json } from '../base/canonical.js';
import type { Entry } from '../ledger/ledger.js';

/** A value that a check found, beside the assigned one; base units, unrounded. */
export interface CheckedValue {
  /** Stage and characteristic, e.g. `static.static-gain`. */
  readonly row: string;
  readonly unit: string;
  readonly value: number;
  /** Expanded uncertainty of the bench, k = 2; absent where none is stated. */
  readonly expanded?: number;
  readonly assigned: number;
  /** Of the assigned value, k = 2. */
  readonly assignedExpanded: number;
  readonly deviation: number;
  readonly allowed: number;
  readonly ok: boolean;
}

/** What the product limits said of a row on which a known-bad item must be rejected. */
export interface NamedVerdict {
  readonly row: string;
  readonly unit: string;
  readonly value: number;
  readonly outcome: string;
  readonly rejected: boolean;
}

/** An item that was accepted while nothing proved the bench. */
export interface Suspect {
  readonly serial: string;
  readonly attempt: number;
  readonly certificate: string;
  /** Number of the entry that issued its record. */
  readonly entry: number;
}

/** What a check with a reference item found, as the ledger keeps it. */
export interface ReferenceFound {
  readonly bench: string;
  readonly simulated: boolean;
  readonly item: string;
  readonly kind: 'good' | 'known-bad';
  /** How often it was in the nest for a check that ended, this one included. */
  readonly cycle: number;
  /** Day on which its values were assigned. */
  readonly assigned: string;
  readonly ok: boolean;
  /** One sentence: why the check holds, or not. */
  readonly reason: string;
  readonly values: readonly CheckedValue[];
  readonly named: readonly NamedVerdict[];
  /** Items accepted since the last good check; only of a check that does not hold. */
  readonly suspects: readonly Suspect[];
}

/** The same with where it stands. */
export interface ReferenceChecked extends ReferenceFound {
  readonly entry: number;
  /** ISO 8601. */
  readonly at: string;
  readonly by: string;
}

const CHECK = 'reference';

/**
 * Makes the body of an entry `bench-checked`.
 *
 * @param documents - Digests of what was used, by what it is.
 */
export function referenceBody(
  found: ReferenceFound,
  documents: Readonly<Record<string, string>>,
): Entry['body'] {
  return {
    check: CHECK,
    ...found,
    values: found.values.map((value): Json => ({ ...value })),
    named: found.named.map((verdict): Json => ({ ...verdict })),
    suspects: found.suspects.map((suspect): Json => ({ ...suspect })),
    documents,
  };
}

/** Reads a check with a reference item back; undefined for any other entry, and for one that is not whole. */
export function readReferenceEntry(entry: Entry): ReferenceChecked | undefined {
  const { body } = entry;
  if (entry.kind !== 'bench-checked' || body['check'] !== CHECK) return undefined;
  const { bench, item, kind, ok, simulated } = body;
  if (typeof bench !== 'string' || typeof item !== 'string') return undefined;
  if (kind !== 'good' && kind !== 'known-bad') return undefined;
  return {
    ...{ bench, item, kind },
    // What is not said to be good counts as failed.
    ok: ok === true,
    simulated: simulated !== false,
    cycle: numberIn(body, 'cycle'),
    assigned: textIn(body, 'assigned'),
    reason: textIn(body, 'reason'),
    values: mappingsIn(body, 'values').flatMap(readValue),
    named: mappingsIn(body, 'named').map(readNamed),
    suspects: mappingsIn(body, 'suspects').map(readSuspect),
    ...{ entry: entry.number, at: entry.at, by: entry.by },
  };
}

type Mapping = Readonly<Record<string, Json | undefined>>;

const textIn = (from: Mapping, key: string): string => {
  const value = from[key];
  return typeof value === 'string' ? value : '';
};

const numberIn = (from: Mapping, key: string): number => {
  const value = from[key];
  return typeof value === 'number' ? value : 0;
};

function mappingsIn(from: Mapping, key: string): readonly Mapping[] {
  const value = from[key];
  if (!Array.isArray(value)) return [];
  return (value as readonly Json[]).filter(
    (member): member is { readonly [key: string]: Json } =>
      typeof member === 'object' && member !== null && !Array.isArray(member),
  );
}

/** A value without its numbers says nothing and is left out. */
function readValue(from: Mapping): readonly CheckedValue[] {
  const numbers = ['value', 'assigned', 'allowed'].map((key) => from[key]);
  if (!numbers.every((n) => typeof n === 'number')) return [];
  const expanded = from['expanded'];
  return [
    {
      row: textIn(from, 'row'),
      unit: textIn(from, 'unit'),
      value: numberIn(from, 'value'),
      ...(typeof expanded === 'number' ? { expanded } : {}),
      assigned: numberIn(from, 'assigned'),
      assignedExpanded: numberIn(from, 'assignedExpanded'),
      deviation: numberIn(from, 'deviation'),
      allowed: numberIn(from, 'allowed'),
      ok: from['ok'] === true,
    },
  ];
}

const readNamed = (from: Mapping): NamedVerdict => ({
  row: textIn(from, 'row'),
  unit: textIn(from, 'unit'),
  value: numberIn(from, 'value'),
  outcome: textIn(from, 'outcome'),
  rejected: from['rejected'] === true,
});

const readSuspect = (from: Mapping): Suspect => ({
  serial: textIn(from, 'serial'),
  attempt: numberIn(from, 'attempt'),
  certificate: textIn(from, 'certificate'),
  entry: numberIn(from, 'entry'),
});
