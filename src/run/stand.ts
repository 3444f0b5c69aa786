import type { Json } from '../base/canonical.js';
import { isoInstant } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import { hertz, second } from '../base/units.js';
import type { Bench } from '../bench/bench.js';
import type { EnergizePermit } from '../bench/permit.js';
import { holdRecords } from '../ledger/store.js';
import type { StandModel, Station } from '../procedure/station.js';
import type { StandVersion } from '../procedure/stand-version.js';
import { expandedFor } from '../scoring/budget.js';
import type { Score } from '../scoring/scoring.js';
import type { Asking, Brief, Parts } from './brief.js';
import { stageJudge } from './open-scorer.js';
import { confirmReady, makeReady, type ReadyProgress } from './ready.js';
import { perform, type Performed, type Progress } from './runner.js';

/** A stand measured anew, beside what was known of it. */
export interface StandMeasured {
  readonly now: StandVersion;
  readonly before: StandModel;
  /** Each value that moved beyond what a sound stand does, in one sentence. */
  readonly drifts: readonly string[];
}

/** A stand whose resonance moved more has come loose. Source: common practice, no source. */
const LARGEST_SHIFT = 0.05;
/** s; a channel whose delay moved more is wired or filtered otherwise. */
const LARGEST_DELAY = 0.1e-3;
/** Task number of work that is no attempt at accepting an item. */
const NO_ATTEMPT = 0;

/** What is measured, in the order of the model, by the ids of the catalogue. */
const VALUES = {
  resonance: 'stand-resonance',
  damping: 'stand-damping',
  compliance: 'stand-compliance',
  torqueDelay: 'torque-delay',
  currentDelay: 'current-delay',
} as const satisfies Record<keyof StandModel['uncertainty'], string>;

/**
 * Measures the stand with the item that lies in it, through the same warnings, permit and runner as
 * any use of power, and enters what was found in the ledger. It changes no file.
 *
 * @param order - Its procedure is one whose purpose is the stand.
 * @throws StallmarkError with every reason; the bench is safe then. readiness/not-ready also when a
 * gate does not hold or a value could not be read.
 */
export async function* measureStand(
  order: Asking,
  parts: Parts,
): AsyncGenerator<ReadyProgress | Progress, StandMeasured> {
  const hold = holdRecords(parts.root);
  const { operator, serial } = order;
  const by = { operator, serial, bench: order.documents.station.id };
  try {
    const bench = await parts.bench(NO_ATTEMPT);
    try {
      const { brief, permit } = yield* makeReady(bench, order, parts, NO_ATTEMPT);
      note('stand measurement begun', { acknowledgements: acknowledged(brief) }, by, parts);
      try {
        const performed = yield* play({ bench, order, parts, brief, permit });
        const found = concluded(performed, order, parts.clock.now());
        note('stand measured', bodyOf(found, order), by, parts);
        return found;
      } catch (error) {
        const reason = error instanceof Error ? error.message : String(error);
        note('stand measurement ended without a result', { reason }, by, parts);
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

/** A use of power that leads to no record. */
export interface Measuring {
  readonly bench: Bench;
  readonly order: Asking;
  readonly parts: Parts;
  readonly brief: Brief;
  readonly permit: EnergizePermit;
}

/** Plays and scores a procedure in this thread, keeping no capture. */
export async function* play({
  bench,
  order,
  parts,
  brief,
  permit,
}: Measuring): AsyncGenerator<Progress, Performed> {
  const { ambient } = brief.environment;
  const judge = stageJudge({ ...order.documents, ambient });
  return yield* perform({
    task: brief.task,
    procedure: order.documents.procedure,
    bench,
    scorer: {
      score: (capture) => Promise.resolve(judge.judge(capture)),
      close: () => Promise.reject(new Error('a run without a record keeps no capture')),
      abandon: () => Promise.resolve(),
    },
    clock: parts.clock,
    permit,
    confirmReady: () => confirmReady(bench, order, parts, brief.readyAt),
    arrange: order.arrange,
    stop: order.stop,
    note: () => undefined,
  });
}

function concluded({ outcomes }: Performed, order: Asking, now: number): StandMeasured {
  const { station } = order.documents;
  const broken = outcomes.flatMap(({ gates }) => gates.filter((gate) => !gate.holds));
  const scores = outcomes.flatMap((outcome) => outcome.scores);
  const read = (id: string): Read | string => readOf(id, scores, station);
  const values = mapValues(read);
  const unread = Object.values(values).filter((value) => typeof value === 'string');
  // A gate explains the values that it kept from being read.
  const gates = broken.map((gate) => `gate "${gate.name}": ${gate.evidence}`);
  const reasons = (gates.length > 0 ? gates : unread).map((text) => text.replace(/\.$/u, ''));
  if (reasons.length > 0) throw notMeasured(reasons);
  const { resonance, damping, compliance, torqueDelay, currentDelay } = values as Reads;
  const before = station.stand;
  const after: StandVersion = {
    version: before.version + 1,
    characterized: `${isoInstant(now).slice(0, 19)}Z`,
    by: order.operator,
    resonance: hertz(resonance.value),
    damping: damping.value,
    compliance: compliance.value,
    torqueDelay: second(torqueDelay.value),
    currentDelay: second(currentDelay.value),
    uncertainty: {
      resonance: resonance.expanded,
      damping: damping.expanded,
      compliance: compliance.expanded,
      torqueDelay: torqueDelay.expanded,
      currentDelay: currentDelay.expanded,
    },
  };
  return { now: after, before, drifts: driftsBetween(before, after) };
}

interface Read {
  readonly value: number;
  readonly expanded: number;
}
type Reads = Readonly<Record<keyof typeof VALUES, Read>>;

function mapValues(
  read: (id: string) => Read | string,
): Record<keyof typeof VALUES, Read | string> {
  return {
    resonance: read(VALUES.resonance),
    damping: read(VALUES.damping),
    compliance: read(VALUES.compliance),
    torqueDelay: read(VALUES.torqueDelay),
    currentDelay: read(VALUES.currentDelay),
  };
}

/** U is that of the budget, with the scatter of the repeats that were played. */
function readOf(id: string, scores: readonly Score[], station: Station): Read | string {
  const outcome = scores.find((score) => score.characteristic === id)?.outcome;
  if (outcome === undefined) return `the procedure does not read "${id}"`;
  if (outcome.kind !== 'measured') return `${id}: ${outcome.reason}`;
  const { value, spread, repeats } = outcome;
  if (spread === undefined || repeats === undefined || repeats < 2) {
    return `${id}: was read once, so that nothing tells its uncertainty`;
  }
  const stated = station.uncertainty.get(id);
  if (stated === undefined) return `the bench states no uncertainty for "${id}"`;
  return { value, expanded: expandedFor(value, stated, { spread, repeats }) };
}

/** Says which values moved further than a sound stand does. */
export function driftsBetween(before: StandModel, after: StandModel): readonly string[] {
  const moved = after.resonance / before.resonance - 1;
  const resonance =
    Math.abs(moved) <= LARGEST_SHIFT
      ? []
      : [
          `The resonance moved by ${(100 * moved).toFixed(1)} %, from ${before.resonance.toFixed(1)} to ${after.resonance.toFixed(1)} Hz: look for loose bolts or another coupling.`,
        ];
  const delays = (['torqueDelay', 'currentDelay'] as const).flatMap((key) => {
    const shift = after[key] - before[key];
    if (Math.abs(shift) <= LARGEST_DELAY) return [];
    const channel = key === 'torqueDelay' ? 'torque' : 'current';
    return [
      `The delay of the ${channel} channel moved by ${(1000 * shift).toFixed(3)} ms: look for a changed filter or cable.`,
    ];
  });
  return [...resonance, ...delays];
}

function notMeasured(reasons: readonly string[]): StallmarkError {
  const what = `The stand could not be measured: ${reasons.join('; ')}.`;
  const fix = 'Put this right, then measure again; the model in force stays.';
  return new StallmarkError([{ code: 'readiness/not-ready', what, fix }]);
}

function bodyOf(
  { now, before, drifts }: StandMeasured,
  { documents }: Asking,
): { readonly [key: string]: Json } {
  return {
    procedure: documents.procedure.digest,
    model: { ...now, uncertainty: { ...now.uncertainty } },
    former: before.version,
    drifts,
  };
}

const acknowledged = ({ acknowledgements }: Brief): Json =>
  acknowledgements.map((a): Json => ({ ...a, at: isoInstant(a.at) }));

/**
 * Enters that a measured model is in force, and for what reason when it had drifted.
 *
 * @param by - Who took it over, with which item in the stand of which bench.
 */
export function noteTakeOver(
  { now, drifts }: StandMeasured,
  by: {
    readonly operator: string;
    readonly serial: string;
    readonly bench: string;
    readonly acceptDrift?: string;
  },
  parts: Parts,
): void {
  const reason = drifts.length > 0 ? { drifts, reason: by.acceptDrift ?? '' } : {};
  note('stand model in force', { version: now.version, ...reason }, by, parts);
}

/** Enters what became of a measurement of the stand: every use of power is in the ledger. */
function note(
  what: string,
  found: { readonly [key: string]: Json },
  by: { readonly operator: string; readonly serial: string; readonly bench: string },
  parts: Parts,
): void {
  const simulated = parts.seal.purpose === 'simulation';
  const body = { what, bench: by.bench, simulated, ...found };
  const entry = { kind: 'note', serial: by.serial, attempt: NO_ATTEMPT, body } as const;
  parts.ledger.append({ ...entry, by: by.operator }, parts.clock.now());
}
