import type { Json } from '../base/canonical.js';
import { isoInstant, type Clock } from '../base/clock.js';
import { StallmarkError, type Problem } from '../base/error.js';
import type { Bench, Environment, Identity } from '../bench/bench.js';
import {
  issuePermit,
  type Acknowledgement,
  type EnergizePermit,
  type Task,
} from '../bench/permit.js';
import { SIMULATED_MARK, type PartialTest } from '../certificate/certificate.js';
import type { Seal } from '../certificate/keys.js';
import { freeSpace } from '../ledger/disk.js';
import { beginAttempt, numberOf } from '../ledger/numbering.js';
import type { Entry, Ledger } from '../ledger/ledger.js';
import type { Register, Session } from '../people/people.js';
import { durationOf, takesOf } from '../pattern/shapes.js';
import type { Procedure, Warning } from '../procedure/procedure.js';
import type { Check, Situation } from '../readiness/readiness.js';
import type { Sampled } from '../readiness/sampling.js';
import type { Chosen } from './documents.js';
import type { ScorerSetup } from './open-scorer.js';
import type { Scorer } from './scorer.js';
import { SOFTWARE } from './software.js';

/** What a person asks for: this item, on this bench, now. */
export interface Order {
  readonly serial: string;
  /** Lot, where the label names one. */
  readonly lot?: string;
  /** As records name the person. */
  readonly operator: string;
  /** How the person was known; absent for a name that nobody asked about. */
  readonly session?: Session;
  readonly documents: Chosen;
  /** Left out by whoever asks: the attempt itself says whether the item is a sample. */
  readonly sample?: Sampled;
  /** Shows one warning to a person and returns the reply; throws when there is none. */
  readonly acknowledge: (warning: Warning, task: Task) => Promise<Acknowledgement>;
  /** Waits until the person starts, once every warning is acknowledged; left out where answering starts. */
  readonly start?: () => Promise<void>;
  /** Asks a person to arrange the stand by hand, without power; resolves when it is done. */
  readonly arrange: (instruction: string) => Promise<void>;
  /** Tells that power comes next, and waits until it may. */
  readonly announce?: () => Promise<void>;
  /** Aborted when the operator stops; a StallmarkError as its reason is what the attempt ends with. */
  readonly stop: AbortSignal;
}

/** An order as far as readiness and warnings go: also for a measurement of the stand, without limits. */
export type Asking = Omit<Order, 'documents'> & {
  readonly documents: Pick<Chosen, 'procedure' | 'station' | 'references'>;
};

/** What one attempt works with; `assemble` puts it together. */
export interface Parts {
  /** Calls the bench; nothing is energized. @throws link/… when it does not answer as it should. */
  readonly bench: (attempt: number) => Bench | Promise<Bench>;
  readonly ledger: Ledger;
  /** What the program found about itself when it started. */
  readonly selfTest: Check;
  /** Everybody who may work here; absent where there is no register. */
  readonly register?: Register;
  /** Folder of the records. */
  readonly root: string;
  /** For simulated benches the simulation's, for real ones the bench's; never the other. */
  readonly seal: Seal<'bench'> | Seal<'simulation'>;
  readonly clock: Clock;
  readonly scorer: (setup: ScorerSetup) => Scorer | Promise<Scorer>;
  /** Draws one of 0 … n − 1 that nobody can predict; the random numbers of this computer when left out. */
  readonly draw?: (n: number) => number;
  /** Called with each line of the structured log as text. */
  readonly watch?: (line: string) => void;
}

/** What is known before power. */
export interface Brief {
  readonly task: Task;
  readonly identity: Identity;
  readonly environment: Environment;
  readonly acknowledgements: readonly Acknowledgement[];
  /** The readiness list that led to the permit, and when it was drawn up, ms since the Unix epoch. */
  readonly checks: readonly Check[];
  readonly readyAt: number;
}

/** On a real bench a command line cannot stand in for a person. */
function isByPerson({ means }: Acknowledgement): boolean {
  return means !== 'command-line option, simulated bench';
}

/** What a capture belongs to. */
export interface Origin {
  readonly order: Order;
  readonly parts: Parts;
  readonly brief: Brief;
  /** The entry that began the attempt. */
  readonly begun: Entry;
}

/** Asks the bench, the disk and the ledger for everything readiness is judged by. */
export async function situationOf(
  bench: Bench,
  order: Pick<Asking, 'documents'>,
  parts: Parts,
): Promise<Situation> {
  const { procedure, station } = order.documents;
  return {
    procedure,
    station,
    ratings: bench.ratings,
    interlocks: await bench.interlocks(),
    environment: await bench.environment(),
    last: parts.ledger.last(),
    freeBytes: freeSpace(parts.root),
    recordBytes: recordBytes(procedure),
    now: parts.clock.now(),
    sealUntil: parts.seal.until,
    references: order.documents.references,
    ledger: parts.ledger,
    selfTest: parts.selfTest,
  };
}

/** Bytes that one second of capture takes on the disk: 82 kB were measured, with room above. */
const CAPTURE_RATE = 120_000;
/** Bytes of certificate, table and log together. */
const PAGES = 1_000_000;

function recordBytes({ stages }: Procedure): number {
  const seconds = stages.reduce((sum, s) => sum + durationOf(s.pattern) * takesOf(s), 0);
  return seconds * CAPTURE_RATE + PAGES;
}

/** Holds what the device says of itself against what was scanned. */
export function identityProblems(identity: Identity, order: Asking): readonly Problem[] {
  const { model } = order.documents.procedure;
  const problems: Problem[] = [];
  if (identity.model !== model.code || identity.serial !== order.serial) {
    const what = `The device in the nest says ${identity.model} ${identity.serial}, but ${order.serial} was scanned.`;
    problems.push({ code: 'bench/wrong-item', what, fix: 'Scan the item that lies in the nest.' });
  }
  // The label was held against the model when it was read: one revision for all three.
  if (identity.revision !== undefined && identity.revision !== model.revision) {
    const what = `The device says hardware revision ${identity.revision}, but the procedure of model ${model.code} is for ${model.revision}.`;
    const fix = 'Set the item aside until a procedure for its revision is approved.';
    problems.push({ code: 'bench/wrong-item', what, fix });
  }
  if (!model.firmware.includes(identity.firmware)) {
    const what = `The device runs firmware ${identity.firmware}; allowed: ${model.firmware.join(', ')}.`;
    problems.push({
      code: 'bench/wrong-item',
      what,
      fix: 'Load released firmware, then test again.',
    });
  }
  return problems;
}

/**
 * Turns acknowledgements into a permit.
 *
 * @throws bench/outstanding-warnings naming every hazard nobody acknowledged.
 */
export function permitFor(bench: Bench, brief: Brief, order: Asking, now: number): EnergizePermit {
  const hazards = order.documents.procedure.warnings.map((w) => w.hazard);
  const answers = bench.simulated
    ? brief.acknowledgements
    : brief.acknowledgements.filter(isByPerson);
  const permit = issuePermit(brief.task, hazards, answers, now);
  if (!('outstanding' in permit)) return permit;
  const what = `Nobody acknowledged: ${permit.outstanding.join(', ')}.`;
  const fix = 'Read each warning and acknowledge it; the bench stays off until then.';
  throw new StallmarkError([{ code: 'bench/outstanding-warnings', what, fix }]);
}

/**
 * Enters that the attempt begins, before power, so that no crash can make it uncounted.
 *
 * @param partial - Given for a retest of some stages.
 */
export function begin(brief: Brief, order: Order, parts: Parts, partial?: PartialTest): Entry {
  const { procedure, limits, station } = order.documents;
  const letters = station.id.replaceAll('-', '');
  const beginning = {
    serial: order.serial,
    attempt: brief.task.attempt,
    by: order.operator,
    prefix: parts.seal.purpose === 'simulation' ? `SIM-${letters}` : letters,
    body: {
      bench: station.id,
      simulated: parts.seal.purpose === 'simulation',
      procedure: procedure.digest,
      limits: limits.digest,
      benchDescription: station.digest,
      attemptsAllowed: procedure.attempts,
      software: SOFTWARE.version,
      ...(order.sample?.body === undefined ? {} : { sampling: order.sample.body }),
      ...(order.sample?.words === undefined ? {} : { sample: order.sample.words }),
      acknowledgements: brief.acknowledgements.map((a): Json => ({ ...a, at: isoInstant(a.at) })),
      ...(partial === undefined
        ? {}
        : { stages: partial.played, carriedFrom: partial.record, carriedDigest: partial.digest }),
    },
  };
  return beginAttempt(parts.ledger, beginning, parts.clock.now());
}

/** What the capture file says of itself. */
export function captureMetadata({
  order,
  brief,
  begun,
  parts,
}: Origin): Readonly<Record<string, string>> {
  const { procedure, limits, station } = order.documents;
  return {
    record: numberOf(begun),
    serial: order.serial,
    attempt: String(brief.task.attempt),
    bench: station.id,
    procedure: procedure.digest,
    limits: limits.digest,
    benchDescription: station.digest,
    software: SOFTWARE.version,
    ...(parts.seal.purpose === 'simulation' ? { mark: SIMULATED_MARK } : {}),
  };
}
