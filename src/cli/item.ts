import { EXIT } from '../base/codes.js';
import { systemClock } from '../base/clock.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import { fits } from '../identity/serial.js';
import type { Entry } from '../ledger/ledger.js';
import { openLedger, type LedgerFile } from '../ledger/sqlite.js';
import { signedIn } from '../certificate/signed-entry.js';
import type { Role } from '../people/people.js';
import type { Model } from '../procedure/procedure.js';
import { openClaim } from '../readiness/claim.js';
import {
  ITEM_EVENTS,
  TRANSITIONS,
  type Actor,
  type ItemEvent,
  type Statement,
} from '../readiness/disposition.js';
import { lastTold, type ToldByItem } from '../readiness/built-in.js';
import { moveItem } from '../readiness/item-move.js';
import { textIn, type PastAttempt } from '../readiness/past-attempts.js';
import { quarantineProblems } from '../readiness/quarantine.js';
import { doublesNote, isFlagged, reconciled } from '../readiness/reconcile.js';
import { releaseOf } from '../readiness/release.js';
import { statusOf, type ItemStatus } from '../readiness/retest.js';
import type { ReleasedScope } from '../readiness/rework-scope.js';
import { clearBench } from '../readiness/suspected-bench.js';
import { DEFAULT_FOLDERS, readDocuments } from '../run/documents.js';
import { ledgerFile } from '../run/places.js';
import { scopeAsked, type ScopeOptions } from './retest-scope.js';
import type { Terminal } from './terminal.js';
import { actorFor, type ActorOptions } from './who.js';

/** Where records lie and how to print. */
export interface ItemOptions {
  readonly data: string;
  readonly json?: true;
}

/** Options of `item move`. */
export interface MoveOptions extends ItemOptions, ActorOptions, ScopeOptions {
  readonly why: string;
  /** Components, comma-separated. */
  readonly replaced?: string;
  readonly replacedBy?: string;
  readonly signature?: string;
}

/** Shows where an item is, what led there and what may happen next. */
export function itemState(written: string, options: ItemOptions, to: Terminal): number {
  const serial = written.normalize('NFC');
  const ledger = openLedger(ledgerFile(options.data), { readOnly: true });
  try {
    const history = ledger.of(serial);
    const model = modelOf(serial);
    const status = statusOf(history, model?.attempts ?? 1);
    const told = lastTold(history);
    const held = quarantineProblems(
      {
        ...{ serial, model: model?.code ?? '', lot: undefined, attempts: status.attempts },
        ...(told === undefined ? {} : { components: told.components }),
      },
      ledger.of(''),
    );
    const scope = releaseOf(history)?.scope ?? { kind: 'full' };
    const facts = {
      ...{ serial, ...status, claim: openClaim(history) ?? null, quarantines: held },
      ...(told === undefined ? {} : { told }),
      // An attempt that may begin now is under the last release.
      ...(TRANSITIONS[status.state].begin === undefined ? {} : { scope }),
    };
    if (options.json === true) to.out(JSON.stringify({ ...facts, next: nextOf(status) }, null, 2));
    else showState(facts, to);
    return EXIT.conforming;
  } finally {
    ledger.close();
  }
}

interface Facts extends ItemStatus {
  readonly serial: string;
  readonly quarantines: readonly Problem[];
  /** What it said of itself in its last record. */
  readonly told?: ToldByItem;
  readonly scope?: ReleasedScope;
}

function showState(facts: Facts, to: Terminal): void {
  const since = facts.since === undefined ? '' : ` since ${facts.since.slice(0, 19)}Z`;
  to.out(`${facts.serial} is ${facts.state}${since}. ${facts.why}`);
  for (const attempt of facts.attempts) to.out(attemptLine(attempt));
  to.out(
    `${String(facts.counted)} of ${String(facts.allowed)} attempts allowed without a disposition are used.`,
  );
  if (facts.scope?.kind === 'stages') {
    const { stages, record } = facts.scope;
    to.out(`Its retest is for the stages ${stages.join(', ')}; other rows from record ${record}.`);
  }
  if (facts.told !== undefined) to.out(toldLine(facts.told));
  for (const { what, fix } of facts.quarantines) to.out(`${what} ${fix}`);
  for (const { event, to: next, by } of nextOf(facts)) {
    to.out(`  ${event.padEnd(12)}→ ${next} (${by.join(', ')})`);
  }
}

/** What was built in and loaded when it was last tested to a record. */
function toldLine({ certificate, firmware, revision, components, ...told }: ToldByItem): string {
  const parts = [
    `firmware ${firmware}`,
    ...(revision === undefined ? [] : [`hardware revision ${revision}`]),
    ...(told.parametersDigest === undefined
      ? []
      : [`parameters ${told.parametersDigest.slice(0, 8)}…`]),
    ...components.map(({ kind, serial }) => `${kind} ${serial}`),
  ];
  return `In record ${certificate} it told: ${parts.join(', ')}.`;
}

function attemptLine({ attempt, begun, bench, certificate, ended }: PastAttempt): string {
  const end = ended === undefined ? 'not ended' : `${ended.word}  ${ended.reason}`;
  return `  attempt ${String(attempt)}  ${begun.slice(0, 19)}Z  ${bench}  ${certificate}  ${end}`;
}

const nextOf = ({
  state,
}: ItemStatus): readonly { event: string; to: string; by: readonly Role[] }[] =>
  Object.entries(TRANSITIONS[state]).map(([event, { to, by }]) => ({ event, to, by }));

/** Enters that a person moves an item. */
export async function itemMove(
  serial: string,
  event: string,
  options: MoveOptions,
  to: Terminal,
): Promise<number> {
  const known: ItemEvent | undefined = ITEM_EVENTS.find((one) => one === event);
  if (known === undefined) {
    throw refusal(`"${event}" is no event.`, `Give one of: ${ITEM_EVENTS.join(', ')}.`);
  }
  const attempts = modelOf(serial.normalize('NFC'))?.attempts ?? 1;
  return entering(options, to, async (ledger, actor) => {
    const history = ledger.of(serial.normalize('NFC'));
    if (history.length === 0) refuseUnknown(serial);
    if (options.signature !== undefined) refuseUnsigned(history, options.signature);
    const said = saidIn(options, actor);
    const asked = await scopeAsked(serial.normalize('NFC'), options, said, ledger);
    const wish = { serial, event: known, actor, ...said, ...asked };
    return moveItem(ledger, wish, (past) => statusOf(past, attempts).state, now());
  });
}

/** What the options say besides who does it. */
function saidIn({ why, signature, ...options }: MoveOptions, actor: Actor): Statement {
  const replaced = (options.replaced ?? '').split(',').map((name) => name.trim());
  const rework = { replaced: replaced.filter((n) => n !== ''), by: options.replacedBy ?? actor.by };
  return {
    why,
    ...(options.replaced === undefined ? {} : { rework }),
    ...(signature === undefined ? {} : { signature }),
  };
}

/** A concession is signed by a person for this item; the number of any other entry is none. */
function refuseUnsigned(history: readonly Entry[], number: string): void {
  const signed = history.flatMap((entry) => signedIn(entry) ?? []);
  const isSigned = signed.some(
    ({ entry, meaning }) => String(entry) === number && meaning === 'concession',
  );
  if (isSigned) return;
  const what = `Entry ${number} is no signature of this item that means concession.`;
  throw refusal(what, 'Have it signed: stallmark sign NUMBER --as ID --meaning concession.');
}

/** A mistyped serial must not begin a history. */
function refuseUnknown(serial: string): void {
  if (modelOf(serial.normalize('NFC')) !== undefined) return;
  const what = `"${serial}" follows the grammar of no model, and the ledger has no entry of it.`;
  throw refusal(what, 'Scan the label again.');
}

/** Holds two ledgers against each other and flags every serial that was tested under both. */
export async function itemReconcile(
  other: string,
  options: ItemOptions & ActorOptions,
  to: Terminal,
): Promise<number> {
  const second = openLedger(ledgerFile(other), { readOnly: true });
  const ledger = openExisting(options.data);
  try {
    const { by } = await actorFor(options, ledger, to);
    const doubles = reconciled(ledger.entries(), second.entries());
    for (const one of doubles) {
      if (isFlagged(one, ledger.of(one.serial))) continue;
      ledger.append(doublesNote(one, by), now());
    }
    if (options.json === true) to.out(JSON.stringify(doubles, null, 2));
    else if (doubles.length === 0) to.out('No serial was tested under both ledgers.');
    else for (const { what } of doubles) to.out(`${what} In quarantine until it is moved.`);
    return doubles.length === 0 ? EXIT.conforming : EXIT.held;
  } finally {
    ledger.close();
    second.close();
  }
}

/** Enters that a bench with invalid measurements was looked into and may test again. */
export function benchClear(
  bench: string,
  options: ItemOptions & ActorOptions & { readonly why: string },
  to: Terminal,
): Promise<number> {
  const { why } = options;
  return entering(options, to, (ledger, actor) => clearBench(ledger, { bench, why, actor }, now()));
}

/** ms since the Unix epoch. */
export const now = (): number => systemClock.now();

/** A wrong option. */
export const refusal = (what: string, fix: string): StallmarkError =>
  new StallmarkError([{ code: 'usage/argument', what, fix }]);

/** A ledger that is not there is not made by a command that moves an item. */
function openExisting(data: string): LedgerFile {
  openLedger(ledgerFile(data), { readOnly: true }).close();
  return openLedger(ledgerFile(data));
}

/** Opens the ledger, has the person log in, does the work, and says what was entered. */
export async function entering(
  options: ItemOptions & ActorOptions,
  to: Terminal,
  work: (ledger: LedgerFile, actor: Actor) => Entry | Promise<Entry>,
): Promise<number> {
  const ledger = openExisting(options.data);
  try {
    const entry = await work(ledger, await actorFor(options, ledger, to));
    if (options.json === true) to.out(JSON.stringify(entry, null, 2));
    else to.out(`Entry ${String(entry.number)}: ${entered(entry)}`);
    return EXIT.conforming;
  } finally {
    ledger.close();
  }
}

function entered({ kind, serial, by, body }: Entry): string {
  const why = textIn(body, 'why');
  if (kind === 'bench-checked') {
    const found = body['ok'] === true ? 'holds' : 'is off';
    return `${textIn(body, 'instrument')} of ${textIn(body, 'bench')} ${found} (${by}: ${why}).`;
  }
  return kind === 'item-moved'
    ? `${serial} is ${textIn(body, 'to')}, was ${textIn(body, 'from')} (${by}: ${why}).`
    : `${textIn(body, 'what')} (${by}: ${why}).`;
}

/** Models there are procedures for, with the attempts that they allow. */
export function knownModels(): readonly (Model & { readonly attempts: number })[] {
  const all = readDocuments(DEFAULT_FOLDERS);
  throwIfAny(all.problems);
  return all.procedures
    .filter(({ purpose }) => purpose === 'acceptance')
    .map(({ model, attempts }) => ({ ...model, attempts }));
}

const modelOf = (serial: string): (Model & { readonly attempts: number }) | undefined =>
  knownModels().find((model) => fits(serial, model));
