import type { Json } from '../base/canonical.js';
import { isoInstant } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import type { Result } from '../decision/decision.js';
import { holdRecords } from '../ledger/store.js';
import type { Limits } from '../procedure/limits.js';
import { rowName, type AssignedValue } from '../procedure/reference-items.js';
import {
  readReferenceEntry,
  referenceBody,
  type CheckedValue,
  type NamedVerdict,
  type ReferenceChecked,
  type ReferenceFound,
} from '../readiness/reference-entry.js';
import { suspectsSince } from '../readiness/suspects.js';
import type { Asking, Brief, Parts } from './brief.js';
import { decide } from './issue.js';
import { makeReady, type ReadyProgress } from './ready.js';
import type { ReferenceDocuments } from './reference-documents.js';
import type { Performed, Progress } from './runner.js';
import { play } from './stand.js';

/** A check of the bench with a reference item, asked for by a person. */
export type ReferenceOrder = Omit<Asking, 'documents'> & {
  readonly documents: ReferenceDocuments;
};

/** Entries that are no attempt at accepting an item. */
const NO_ATTEMPT = 0;

/**
 * Checks the bench with the reference item that lies in it, through the same warnings, permit and
 * runner as any use of power, and enters what was found in the ledger. It certifies nothing.
 *
 * A good item holds when every assigned value is found again within its allowance; a known-bad one
 * when the product limits reject it on every row it names, so that a bench that can only say yes is
 * found out. A check that does not hold locks the bench and lists what was accepted since the last
 * that did.
 *
 * @returns What was found, as it was entered.
 * @throws StallmarkError with every reason; the bench is safe then. readiness/not-ready also when a
 * gate voids a value or one could not be read: that is no check, and the last one stays the last.
 */
export async function* checkReference(
  order: ReferenceOrder,
  parts: Parts,
): AsyncGenerator<ReadyProgress | Progress, ReferenceChecked> {
  const hold = holdRecords(parts.root);
  const { item } = order.documents;
  try {
    const cycle = cyclesOf(item.serial, parts) + 1;
    // The simulated stand clamps the item anew each time; a real bench has no use for the number.
    const bench = await parts.bench(cycle);
    try {
      const { brief, permit } = yield* makeReady(bench, order, parts, NO_ATTEMPT);
      note('reference check begun', { acknowledgements: acknowledged(brief) }, order, parts);
      try {
        const performed = yield* play({ bench, order, parts, brief, permit });
        return enter(concluded(performed, { order, brief, parts, cycle }), order, parts);
      } catch (error) {
        const reason = error instanceof Error ? error.message : String(error);
        note('reference check ended without a result', { reason }, order, parts);
        throw error;
      }
    } finally {
      await bench.makeSafe('off');
      await bench.close();
    }
  } finally {
    hold.release();
  }
}

/** How often the item was in a nest for a check that ended. */
function cyclesOf(serial: string, { ledger }: Parts): number {
  return Math.max(
    0,
    ...ledger.of(serial).flatMap((entry) => readReferenceEntry(entry)?.cycle ?? []),
  );
}

interface Concluding {
  readonly order: ReferenceOrder;
  readonly brief: Brief;
  readonly parts: Parts;
  readonly cycle: number;
}

function concluded(performed: Performed, given: Concluding): ReferenceFound {
  const { order, parts, brief, cycle } = given;
  const { item, references, limits, station } = order.documents;
  const results = (rows: Limits): readonly Result[] => {
    const documents = { ...order.documents, limits: rows, texts: new Map<string, string>() };
    return decide({ order: { ...order, documents }, performed, brief }).results;
  };
  const own = isNonEmpty(item.values) ? results(ownLimits(limits, references.id, item.values)) : [];
  const named =
    item.kind === 'good' ? [] : results(namedLimits(limits, item.rejectedOn.map(rowName)));
  const values = own.flatMap((result, i) => valueOf(result, item.values[i]));
  const verdicts = named.flatMap(verdictOf);
  const wrong = [...values.filter(({ ok }) => !ok), ...verdicts.filter((v) => !v.rejected)];
  const unread = [...own, ...named].flatMap(reasonsUnread);
  // One value that counts and is wrong is enough; without one, all must have been read.
  if (wrong.length === 0 && unread.length > 0) throw notChecked(performed, unread);
  const ok = wrong.length === 0;
  return {
    ...{ bench: station.id, simulated: parts.seal.purpose === 'simulation' },
    ...{ item: item.serial, kind: item.kind, cycle, assigned: item.assigned.date, ok },
    reason: reasonOf(item.serial, values, verdicts),
    values,
    named: verdicts,
    suspects: ok ? [] : suspectsSince(parts.ledger.newestFirst(), station, item.serial),
  };
}

/** The allowances of an item in the form of limits: they are decided like any, simply. */
function ownLimits(product: Limits, id: string, values: NonEmpty<AssignedValue>): Limits {
  const [first, ...more] = values;
  const row = (v: AssignedValue): Limits['rows'][number] => ({
    ...{ stage: v.stage, characteristic: v.characteristic, unit: v.unit, where: v.where },
    tolerance: { kind: 'between', lower: v.value - v.allowed, upper: v.value + v.allowed },
    rule: 'simple',
    label: rowName(v),
  });
  return { ...product, id, rows: [row(first), ...more.map(row)] };
}

function namedLimits(product: Limits, names: readonly string[]): Limits {
  const rows = product.rows.filter((row) => names.includes(rowName(row)));
  if (!isNonEmpty(rows)) throw new Error('a known-bad item was let through without product limits');
  return { ...product, rows };
}

function valueOf(
  { outcome, verdict, expanded, limit }: Result,
  assigned: AssignedValue | undefined,
): readonly CheckedValue[] {
  const { outcome: said } = verdict;
  if (assigned === undefined || outcome.kind !== 'measured') return [];
  if (said !== 'conforming' && said !== 'nonconforming') return [];
  return [
    {
      row: rowName(assigned),
      unit: limit.unit.symbol,
      value: outcome.value,
      ...(expanded === undefined ? {} : { expanded }),
      assigned: assigned.value,
      assignedExpanded: assigned.expanded,
      deviation: outcome.value - assigned.value,
      allowed: assigned.allowed,
      ok: said === 'conforming',
    },
  ];
}

function verdictOf({ outcome, verdict, limit }: Result): readonly NamedVerdict[] {
  if (outcome.kind !== 'measured') return [];
  if (verdict.outcome === 'invalid' || verdict.outcome === 'not-run') return [];
  const { value } = outcome;
  const rejected = verdict.outcome === 'nonconforming';
  const { symbol: unit } = limit.unit;
  return [{ row: rowName(limit), unit, value, outcome: verdict.outcome, rejected }];
}

function reasonsUnread({ verdict, limit, outcome }: Result): readonly string[] {
  const name = rowName(limit);
  switch (verdict.outcome) {
    case 'invalid':
      return verdict.reasons.map((reason) => `${name}: ${reason}`);
    case 'not-run':
      return [`${name} was not run`];
    case 'conforming':
    case 'nonconforming':
    case 'conditional':
    case 'inconclusive':
      return outcome.kind === 'measured' ? [] : [`${name}: ${outcome.reason}`];
  }
}

function notChecked(performed: Performed, unread: readonly string[]): StallmarkError {
  const gates = performed.outcomes
    .flatMap((outcome) => outcome.gates.filter((gate) => !gate.holds))
    .map((gate) => `gate "${gate.name}": ${gate.evidence}`);
  const fault = performed.itemFault === undefined ? [] : [performed.itemFault.what];
  // A gate or a fault explains the values that it kept from counting.
  const reasons = fault.length + gates.length > 0 ? [...fault, ...gates] : unread;
  const told = reasons.map((text) => text.replace(/\.$/u, '')).join('; ');
  const what = `The bench could not be checked: ${told}.`;
  const fix = 'Put this right, then check again; the last check stays the last.';
  return new StallmarkError([{ code: 'readiness/not-ready', what, fix }]);
}

function reasonOf(
  serial: string,
  values: readonly CheckedValue[],
  named: readonly NamedVerdict[],
): string {
  const looksGood = named.filter(({ rejected }) => !rejected).map(({ row }) => row);
  const off = values.filter(({ ok }) => !ok).map(({ row }) => row);
  const wrong = [
    ...(looksGood.length === 0
      ? []
      : [
          `${serial} is known-bad, but was not rejected on ${looksGood.join(', ')}: this bench can only say yes`,
        ]),
    ...(off.length === 0 ? [] : [`${serial} is off its assigned ${off.join(', ')}`]),
  ];
  if (wrong.length > 0) return `${wrong.join('; ')}.`;
  const found =
    values.length === 0 ? '' : `all ${values.length} assigned values of ${serial} were found again`;
  const rejected =
    named.length === 0
      ? ''
      : `${serial} was rejected on ${named.map(({ row }) => row).join(', ')}, as it must be`;
  return `${[found, rejected].filter((text) => text !== '').join('; ')}.`;
}

function enter(found: ReferenceFound, order: ReferenceOrder, parts: Parts): ReferenceChecked {
  const { procedure, references, limits } = order.documents;
  const digests = {
    procedure: procedure.digest,
    references: references.digest,
    limits: limits.digest,
    bench: order.documents.station.digest,
  };
  const body = referenceBody(found, digests);
  const entry = parts.ledger.append(
    { kind: 'bench-checked', serial: found.item, attempt: NO_ATTEMPT, by: order.operator, body },
    parts.clock.now(),
  );
  return { ...found, entry: entry.number, at: entry.at, by: entry.by };
}

const acknowledged = ({ acknowledgements }: Brief): Json =>
  acknowledgements.map((a): Json => ({ ...a, at: isoInstant(a.at) }));

/** Enters what became of a check: every use of power is in the ledger. */
function note(
  what: string,
  found: { readonly [key: string]: Json },
  { documents, operator }: ReferenceOrder,
  parts: Parts,
): void {
  const simulated = parts.seal.purpose === 'simulation';
  const { station, item } = documents;
  const body = { what, bench: station.id, simulated, item: item.serial, ...found };
  const entry = { kind: 'note', serial: item.serial, attempt: NO_ATTEMPT, body } as const;
  parts.ledger.append({ ...entry, by: operator }, parts.clock.now());
}
