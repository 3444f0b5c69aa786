import type { Json } from '../base/canonical.js';
import type { LabelledModel } from '../identity/identity.js';
import { fits } from '../identity/serial.js';
import type { Entry, NewEntry } from '../ledger/ledger.js';
import { ordinal, samplingWords, type Sampling } from '../procedure/routes.js';
import { readMove } from './item-move.js';
import { endOf, textIn } from './past-attempts.js';

/** What items are sampled among: one model at one bench; simulated tests count apart. */
export interface SamplingPlace {
  readonly bench: string;
  readonly simulated: boolean;
  readonly model: LabelledModel;
}

/** A sample that was picked. */
export interface PickedSample {
  readonly serial: string;
  /** The entry that picked it. */
  readonly entry: number;
  /** ISO 8601 UTC. */
  readonly at: string;
}

/** Where sampling stands, as the ledger tells. Kept nowhere else. */
export interface SamplingState {
  /** Serials tested since the last sample that was completed, without order, each once. */
  readonly since: ReadonlySet<string>;
  /** A sample that was picked and never completed: the next item takes its place. */
  readonly owed?: PickedSample;
  /** The last sample that was completed, with the entry that began its attempt. */
  readonly last?: PickedSample;
}

const NOTE = 'sample picked';

/** Entries of a pick belong to the item, not to an attempt. */
const NO_ATTEMPT = 0;

/**
 * Derives where sampling stands from the ledger: only attempts that say how they were sampled count, so
 * that retests after a disposition and runs on documents named by hand move nothing.
 *
 * A sample is completed by a record with a verdict on what was measured. One that was refused, broken
 * off, invalid, or taken away before it began is owed.
 *
 * @param entries - Newest first; read back to the last sample that was completed.
 *
 * Source: common practice; the idea of sampling inspection after ISO 2859-1, from memory.
 * Check: tests/unit/sampling.test.ts.
 */
export function samplingState(entries: Iterable<Entry>, place: SamplingPlace): SamplingState {
  const completed = new Set<string>();
  const since = new Set<string>();
  let owed: PickedSample | undefined;
  const stateWith = (last?: PickedSample): SamplingState => ({
    since,
    ...(owed === undefined ? {} : { owed }),
    ...(last === undefined ? {} : { last }),
  });
  for (const entry of entries) {
    const { serial, attempt, number, at } = entry;
    const key = JSON.stringify([serial, attempt]);
    const ended = endOf(entry);
    if (ended !== undefined && ended.end !== 'no measurement') completed.add(key);
    if (!isOf(entry, place)) continue;
    if (isPick(entry)) owed ??= { serial, entry: number, at };
    if (entry.kind !== 'attempt-begun') continue;
    const pick = pickIn(entry.body);
    if (pick === undefined) continue;
    if (pick !== 'none' && completed.has(key)) return stateWith({ serial, entry: number, at });
    since.add(serial);
  }
  return stateWith();
}

function isOf({ serial, body }: Entry, { bench, simulated, model }: SamplingPlace): boolean {
  return (
    body['bench'] === bench && (body['simulated'] === true) === simulated && fits(serial, model)
  );
}

const isPick = ({ kind, body }: Entry): boolean => kind === 'note' && body['note'] === NOTE;

/** Why an item is a sample, or that it is none. */
export type SamplePick = 'none' | 'every' | 'random' | 'skipped';
const PICKS: readonly SamplePick[] = ['none', 'every', 'random', 'skipped'];

/** How an attempt was sampled, as its beginning says; undefined when no rule counted for it. */
function pickIn(body: Entry['body']): SamplePick | undefined {
  const { sampling } = body;
  if (typeof sampling !== 'object' || sampling === null || Array.isArray(sampling))
    return undefined;
  const { pick } = sampling as Readonly<Record<string, Json>>;
  return PICKS.find((known) => known === pick);
}

/** How an item was sampled before its attempt. */
export interface Sampled {
  /** Told to the operator and put on the record; absent: it is no sample. */
  readonly words?: string;
  /** For the entry that begins the attempt; absent: no rule counted for it. */
  readonly body?: Entry['body'];
}

/** An item before its attempt, and the rule that counts for it. */
export interface Drawing {
  readonly serial: string;
  readonly rule: Pick<Sampling, 'every' | 'random'>;
  readonly state: SamplingState;
  /** Draws one of 0 … n − 1, each as likely as the others. */
  readonly draw: (n: number) => number;
}

/**
 * Says whether an item is a sample: one that is owed comes first, then the count, then chance. An item
 * that was drawn for before is not drawn for again when it is tested once more.
 */
export function pickOf({ serial, rule, state, draw }: Drawing): SamplePick {
  const { since, owed } = state;
  if (owed !== undefined) return 'skipped';
  const before = since.size - (since.has(serial) ? 1 : 0);
  if (rule.every !== undefined && before + 1 >= rule.every) return 'every';
  if (rule.random === undefined || since.has(serial)) return 'none';
  return draw(rule.random) === 0 ? 'random' : 'none';
}

/** What an operator is told of a sample, and what its record says. */
export function sampleWords(pick: Exclude<SamplePick, 'none'>, { rule, state }: Drawing): string {
  const why = {
    every: `every ${ordinal(rule.every ?? 1)}`,
    random: `drawn at random, 1 in ${String(rule.random ?? 1)}`,
    skipped: `because the sample ${state.owed?.serial ?? ''} (entry ${String(state.owed?.entry ?? 0)}) was not completed`,
  }[pick];
  return `extended procedure, ${why}`;
}

/** What the entry that begins an attempt says of how it was sampled. */
export function samplingBody(pick: SamplePick, { rule, state }: Drawing): Entry['body'] {
  return {
    pick,
    rule: samplingWords(rule),
    since: state.since.size,
    ...(state.owed === undefined ? {} : { owed: state.owed.entry }),
  };
}

/** The entry that picks a sample. It is made before anybody is told, so that no pick can be taken back. */
export function pickEntry(
  place: Omit<SamplingPlace, 'model'>,
  drawing: Drawing,
  pick: Exclude<SamplePick, 'none'>,
  by: string,
): NewEntry {
  const { bench, simulated } = place;
  const body = {
    ...{ note: NOTE, bench, simulated, why: sampleWords(pick, drawing) },
    sampling: samplingBody(pick, drawing),
  };
  return { kind: 'note', serial: drawing.serial, attempt: NO_ATTEMPT, by, body };
}

/**
 * Says in words that an item is tested again as an audit sample from stock; undefined when its last
 * release was another one, or there was none.
 *
 * @param history - Entries of one serial, oldest first.
 */
export function auditWords(history: readonly Entry[]): string | undefined {
  const release = history.findLast((entry) => readMove(entry)?.to === 'released for retest');
  if (release === undefined || readMove(release)?.event !== 'audit') return undefined;
  return `audit sample from stock (entry ${String(release.number)}, ${release.by}): ${textIn(release.body, 'why')}`;
}
