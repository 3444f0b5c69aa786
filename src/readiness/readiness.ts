import type { ErrorCode } from '../base/codes.js';
import type { Problem } from '../base/error.js';
import { isoInstant } from '../base/clock.js';
import type { Environment, Interlocks, Ratings } from '../bench/bench.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import type { Procedure } from '../procedure/procedure.js';
import type { ReferenceRegister } from '../procedure/reference-items.js';
import { isSimulated, type Station } from '../procedure/station.js';
import { abilityCheck } from './abilities.js';
import { adapterChecks } from './adapter.js';
import { equipmentChecks } from './equipment.js';
import { intermediateChecks } from './intermediate-check.js';
import { referenceChecks } from './reference.js';
import { sensorChecks } from './sensors.js';
import { stopProofCheck } from './stop-proof.js';
import { suspectedBench } from './suspected-bench.js';
import { warmUpChecks } from './warm-up.js';

export type CheckState = 'ok' | 'due soon' | 'overdue' | 'failed' | 'not run';

/** One reason why the bench may or may not test now. */
export interface Check {
  readonly name: string;
  readonly state: CheckState;
  /** What was found, with numbers. */
  readonly found: string;
  /** Who can clear it. */
  readonly clear: 'operator' | 'maintenance' | 'quality engineer';
  /** Seconds since it was last done or read, where it has an age. */
  readonly age?: number;
  /** Of the refusal, where it has one of its own; `readiness/not-ready` otherwise. */
  readonly code?: ErrorCode;
  /** false: told and put on the record, but not refused, because the bench description says so. */
  readonly blocks?: false;
}

/** Everything the list is computed from; gathered by the runner, so the list itself is pure. */
export interface Situation {
  readonly procedure: Procedure;
  readonly station: Station;
  readonly ratings: Ratings;
  readonly interlocks: Interlocks;
  readonly environment: Environment;
  readonly last: Entry | undefined;
  readonly freeBytes: number;
  /** What one record of this procedure takes, generously. */
  readonly recordBytes: number;
  /** ms since the Unix epoch. */
  readonly now: number;
  /** When the attempt in progress was begun, ms since the Unix epoch; absent before it begins. */
  readonly begunAt?: number;
  /** The register beside the bench description, where there is one, and the ledger of its checks. */
  readonly references: ReferenceRegister | undefined;
  readonly ledger: Pick<Ledger, 'of' | 'newestFirst'>;
  /** What the program found about itself when it started. */
  readonly selfTest: Check;
  /** End of validity of the seal, ms since the Unix epoch. */
  readonly sealUntil: number;
}

/** Age in s above which an interlock reading counts as open. */
const INTERLOCK_AGE = 0.2;

/** Records for which there must be room, so that a shift does not end in the middle of one. */
const RECORDS = 10;

/**
 * Lists every check that decides whether this bench may test now. Computed before every item and
 * again at the moment of energizing; the command line, a page and a script all get this list.
 */
export function readinessChecks(s: Situation): readonly Check[] {
  return [
    ...equipmentChecks(s.station, s.now, s.begunAt),
    // Nobody holds the hold-to-run device before the warnings are acknowledged; energizing asks for it.
    interlockCheck({ ...s.interlocks, presence: 'held' }),
    bandCheck('ambient temperature', s.environment.ambient, s.procedure.ambient, '°C'),
    bandCheck('supply', s.environment.supply, s.procedure.supply, 'V'),
    ...humidityChecks(s),
    rangeCheck(s.procedure.ceiling, s.ratings.torqueRange),
    abilityCheck(s.procedure, s.ratings),
    ...adapterChecks({ ...s, found: s.environment.adapter }),
    clockCheck(s.last, s.now),
    spaceCheck(s.freeBytes, s.recordBytes),
    sealCheck(s.sealUntil, s.now),
    s.selfTest,
    ...sensorChecks(s.environment),
    ...warmUpChecks(s.station.register, s.environment.poweredFor),
    ...stopChecks(s),
    ...acceptanceChecks(s),
  ];
}

/** A proof of the stop needs none before it; every other use of power does. */
function stopChecks({ procedure, station, ledger, now }: Situation): readonly Check[] {
  if (procedure.purpose === 'stop') return [];
  return [stopProofCheck({ station, entries: ledger.of('').toReversed(), now })];
}

/** What must have been checked before items are accepted; a check itself needs none of it. */
function acceptanceChecks(s: Situation): readonly Check[] {
  const { references: register, ledger, procedure, station } = s;
  const now = s.begunAt ?? s.now;
  const intermediate = intermediateChecks({ station, references: register, ledger, now });
  if (procedure.purpose === 'stand') return intermediate; // every later run rests on its model
  if (procedure.purpose !== 'acceptance') return [];
  const { code: model } = procedure.model;
  const bench = { bench: station.id, simulated: isSimulated(station) };
  return [
    ...referenceChecks({ register, ledger, station, model, now }),
    ...intermediate,
    suspectedBench(ledger.newestFirst(), bench, now),
  ];
}

/** Turns what is not ready into problems that name the check and who can clear it. */
export function readinessProblems(checks: readonly Check[]): readonly Problem[] {
  return checks
    .filter((c) => c.state !== 'ok' && c.state !== 'due soon' && c.blocks !== false)
    .map((c) => ({
      code: c.code ?? 'readiness/not-ready',
      what: `Not ready, ${c.name} ${c.state}: ${c.found}`,
      fix: `Have it cleared by: ${c.clear}.`,
    }));
}

/** Any doubt is open: stale and contradictory lines read as not safe. */
export function interlockCheck(lines: Interlocks): Check {
  const stale = !(lines.age <= INTERLOCK_AGE);
  const { guard, emergencyStop, presence, coupling = 'seated' } = lines;
  const isHeld = presence === 'held';
  const isShut = guard === 'closed' && emergencyStop === 'released' && coupling === 'seated';
  const safe = isShut && isHeld && !stale;
  const contradictory = [guard, emergencyStop, presence, coupling].includes('contradictory');
  const more = [
    ...(isHeld ? [] : [`, hold-to-run device ${presence}`]),
    ...(coupling === 'seated' ? [] : [`, coupling ${coupling}`]),
    ...(stale ? [`, reading ${lines.age.toFixed(2)} s old`] : []),
  ];
  return {
    name: 'interlocks',
    state: safe ? 'ok' : 'failed',
    found: `guard ${guard}, emergency stop ${emergencyStop}${more.join('')}`,
    clear: contradictory || stale ? 'maintenance' : 'operator',
  };
}

function bandCheck(
  name: string,
  value: number,
  band: { readonly from: number; readonly to: number },
  unit: string,
): Check {
  const inside = value >= band.from && value <= band.to;
  return {
    name,
    state: inside ? 'ok' : 'failed',
    found: `${value.toFixed(1)} ${unit}, allowed ${String(band.from)} … ${String(band.to)} ${unit}`,
    clear: 'maintenance',
  };
}

/** Relative humidity in %, where the procedure has a band for it. */
function humidityChecks({ procedure, environment }: Situation): readonly Check[] {
  const { humidity: band } = procedure;
  if (band === undefined) return [];
  const percent = (share: number): number => Number((100 * share).toPrecision(6));
  const allowed = { from: percent(band.from), to: percent(band.to) };
  return [bandCheck('humidity', percent(environment.humidity), allowed, '%')];
}

/**
 * The transducer must survive the ceiling and still resolve it: 1.2 to 10 times, refused otherwise. More
 * than 5 times makes U large: told and put on the record. Common practice, no source.
 */
function rangeCheck(ceiling: number, range: number): Check {
  const ratio = range / ceiling;
  const isUsable = ratio >= 1.2 && ratio <= 10;
  const isWide = isUsable && ratio > 5;
  const found = `±${String(range)} N·m is ${ratio.toFixed(2)} times the ceiling of ${String(ceiling)} N·m, allowed 1.2 … 10`;
  return {
    name: 'transducer range',
    state: isUsable && !isWide ? 'ok' : 'failed',
    found: isWide ? `${found}; more than 5 makes the uncertainty large` : found,
    clear: 'maintenance',
    ...(isWide ? { blocks: false } : {}),
  };
}

function clockCheck(last: Entry | undefined, now: number): Check {
  const behind = last !== undefined && now < Date.parse(last.at);
  return {
    name: 'clock',
    state: behind ? 'failed' : 'ok',
    found: behind
      ? `${isoInstant(now)} is earlier than ledger entry ${last.number} of ${last.at}`
      : isoInstant(now),
    clear: 'quality engineer',
    // A clock set forward looks like a long pause: it proves nothing, and every due date counts by it.
    ...(last === undefined || behind ? {} : { age: (now - Date.parse(last.at)) / 1000 }),
  };
}

function spaceCheck(free: number, record: number): Check {
  const needed = RECORDS * record;
  const mega = (bytes: number): string => (bytes / 1e6).toFixed(0);
  return {
    name: 'storage',
    state: free >= needed ? 'ok' : 'failed',
    found: `${mega(free)} MB free, ${mega(needed)} MB needed for ${RECORDS} records`,
    clear: 'maintenance',
  };
}

function sealCheck(until: number, now: number): Check {
  const days = (until - now) / 86_400_000;
  const state = days < 0 ? 'overdue' : days < 30 ? 'due soon' : 'ok';
  return {
    name: 'seal',
    state,
    found: `certificate valid until ${isoInstant(until)}`,
    clear: 'quality engineer',
  };
}
