import { readInstant } from '../base/clock.js';
import { second } from '../base/units.js';
import { confirmsClock, type Entry } from '../ledger/ledger.js';
import type { Station, StopPolicy } from '../procedure/station.js';
import type { Check } from './readiness.js';
import { isOfBench } from './reference.js';

/** What a proof of the stop function found, as the ledger keeps it. */
export interface StopProofFound {
  readonly bench: string;
  readonly simulated: boolean;
  /** Serial of the item that lay in the nest. */
  readonly item: string;
  /** s from the safety line that opened to torque below 5 %; a lower bound where `atLeast`. */
  readonly time: number;
  readonly atLeast: boolean;
  /** s that it may take. */
  readonly limit: number;
  /** N·m in the shaft before. */
  readonly level: number;
  readonly ok: boolean;
}

/** The same with where it stands. */
export interface StopProven extends StopProofFound {
  readonly entry: number;
  /** ISO 8601. */
  readonly at: string;
  readonly by: string;
}

const CHECK = 'stop-proof';

/**
 * Makes the body of an entry `bench-checked`, whose serial is '': the proof is one of the bench.
 *
 * @param documents - Digests of what was used, by what it is.
 */
export function stopProofBody(
  found: StopProofFound,
  documents: Readonly<Record<string, string>>,
): Entry['body'] {
  return { check: CHECK, ...found, documents };
}

/** Reads a proof back; undefined for any other entry, and for one that is not whole. */
export function readStopProof(entry: Entry): StopProven | undefined {
  const { body } = entry;
  if (entry.kind !== 'bench-checked' || body['check'] !== CHECK) return undefined;
  const { bench, item, simulated, time, atLeast, limit, level, ok } = body;
  if (typeof bench !== 'string') return undefined;
  const number = (value: unknown): number => (typeof value === 'number' ? value : 0);
  return {
    bench,
    item: typeof item === 'string' ? item : '',
    simulated: simulated !== false,
    time: number(time),
    atLeast: atLeast === true,
    limit: number(limit),
    level: number(level),
    // What is not said to hold, or says no time, counts as failed.
    ok: ok === true && typeof time === 'number' && typeof limit === 'number' && time <= limit,
    ...{ entry: entry.number, at: entry.at, by: entry.by },
  };
}

/** Where a bench states no policy, which only a simulated one may. Source: common practice, no source. */
const DEFAULT_POLICY: StopPolicy = {
  within: second(90 * 86_400),
  limit: second(0.25),
  required: false,
};
/** Share of its validity from which on people are told that a proof will be due. */
const SOON = 7 / 8;

/** What the stop function is judged by. */
export interface StopSituation {
  readonly station: Pick<Station, 'id' | 'kind' | 'checks'>;
  /** Entries without a serial, newest first: `ledger.of('').toReversed()`; others are passed over. */
  readonly entries: Iterable<Entry>;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/** How long a proof counts and what it must find: as the bench states it, or by default. */
export function stopPolicyOf({ checks }: Pick<Station, 'checks'>): StopPolicy {
  return checks?.stopProof ?? DEFAULT_POLICY;
}

/**
 * Judges the last proof of the stop function of a bench: ok, due soon, overdue, failed or not run.
 * For every use of power but a proof itself.
 *
 * Setting the clock skips nothing: a proof that lies in the future is overdue, and so is one after
 * which somebody vouched for a clock that had gone back, for nobody knows its age any more. A proof is
 * held against the limit of today as well. Where the bench does not require proofs, what is missing
 * does not refuse; what failed always does.
 */
export function stopProofCheck(s: StopSituation): Check {
  const policy = stopPolicyOf(s.station);
  const check = { name: 'stop proof', ...judge(s, policy) };
  return policy.required || check.state === 'failed' || check.state === 'ok'
    ? check
    : { ...check, blocks: false };
}

type Judged = Omit<Check, 'name'>;

function judge({ station, entries, now }: StopSituation, policy: StopPolicy): Judged {
  const { last, isSetBack } = trailOf(entries, station);
  const clear = 'maintenance';
  if (last === undefined) {
    const found = `the stop function was never proven on ${station.id} in this ledger`;
    return { state: 'not run', found, clear };
  }
  const age = (now - readInstant(last.at)) / 1000;
  const told = `${timeOf(last)}, allowed ${milliseconds(policy.limit)}; entry ${last.entry} of ${last.at}`;
  if (!last.ok || last.time > policy.limit) {
    const found = `from the emergency stop to less than 5 % of the torque it took ${told}`;
    return { state: 'failed', found, clear, ...ageOf(age) };
  }
  if (isSetBack) {
    const found = `the clock was set back since entry ${last.entry} of ${last.at}`;
    return { state: 'overdue', found, clear };
  }
  if (!(age >= 0)) {
    const found = `proven ${last.at}, which is still to come by this clock`;
    return { state: 'overdue', found, clear };
  }
  const found = `${told}; ${days(age)} ago, due every ${days(policy.within)}`;
  const state = age >= policy.within ? 'overdue' : age >= SOON * policy.within ? 'due soon' : 'ok';
  return { state, found, clear, age };
}

function trailOf(
  entries: Iterable<Entry>,
  { id, kind }: Pick<Station, 'id' | 'kind'>,
): { readonly last: StopProven | undefined; readonly isSetBack: boolean } {
  let isSetBack = false;
  for (const entry of entries) {
    if (confirmsClock(entry)) isSetBack = true;
    const proof = readStopProof(entry);
    // A simulated stop proves nothing of a real one.
    if (proof !== undefined && isOfBench(proof, { id, kind })) return { last: proof, isSetBack };
  }
  return { last: undefined, isSetBack };
}

const ageOf = (age: number): { readonly age?: number } => (age >= 0 ? { age } : {});
const days = (seconds: number): string => `${(seconds / 86_400).toFixed(1)} d`;
const milliseconds = (seconds: number): string => `${(1000 * seconds).toFixed(1)} ms`;

/** The time of a proof for people. */
export function timeOf({ time, atLeast }: Pick<StopProofFound, 'time' | 'atLeast'>): string {
  return `${atLeast ? 'more than ' : ''}${milliseconds(time)}`;
}
