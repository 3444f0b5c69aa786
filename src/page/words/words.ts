import type { ItemVerdict } from '../../decision/decision.js';
import type { CheckState } from '../../readiness/readiness.js';
import type { Check } from '../../readiness/readiness.js';
import type { ResultView, WarningView } from '../../serve/nest-view.js';

/** Languages of the operator page and of log-in, as tags of warnings and of documents. */
export const LANGUAGES = ['en', 'de', 'es', 'pl', 'zh'] as const;
export type Language = (typeof LANGUAGES)[number];

/** What a refusal is about, as an operator sorts it; `problem-words.ts` sorts codes into these. */
export type ProblemKind =
  | 'label'
  | 'model'
  | 'attempts'
  | 'state'
  | 'claimed'
  | 'quarantined'
  | 'documents'
  | 'text'
  | 'readiness'
  | 'interlock'
  | 'item'
  | 'torque'
  | 'link'
  | 'page'
  | 'now'
  | 'stopped'
  | 'person'
  | 'records'
  | 'other';

/** Checks as the readiness strip sums them up. */
export type CheckGroup = 'instruments' | 'references' | 'guard' | 'stop' | 'surroundings' | 'rest';

/** Whom a HOLD points at; `nobody` when the value is too near its limit. */
export type Blamed = NonNullable<ResultView['blames']> | 'nobody';

/** One sentence that says what was refused, and an order. */
export interface ProblemWords {
  readonly what: string;
  readonly do: string;
}

/**
 * Every text of the operator page and of log-in in one language. `{name}` stands for a value; a
 * language that lacks a text does not compile. Sentences of `say` and `next` are orders of at most eight
 * words, read from two metres.
 */
export interface Words {
  /** The language in itself. */
  readonly language: string;
  /** For numbers and times, BCP 47. */
  readonly locale: string;
  readonly power: { readonly on: string; readonly off: string; readonly unknown: string };
  readonly simulated: string;
  readonly verdict: Readonly<Record<ItemVerdict['word'], string>>;
  readonly signal: Readonly<Record<WarningView['signal'], string>>;
  readonly blamed: Readonly<Record<Blamed, string>>;
  /** What to think of a HOLD by each. */
  readonly blame: Readonly<Record<Blamed, string>>;
  readonly say: Readonly<
    Record<
      | 'connecting'
      | 'lost'
      | 'take'
      | 'another'
      | 'look'
      | 'scan'
      | 'refused'
      | 'clear'
      | 'call'
      | 'checking'
      | 'warnings'
      | 'noText'
      | 'start'
      | 'arrange'
      | 'countdown'
      | 'on'
      | 'off'
      | 'deciding'
      | 'stopped'
      | 'pageLost'
      | 'notBegun'
      | 'brokenOff',
      string
    >
  >;
  /** The next step after a verdict. */
  readonly next: Readonly<Record<'accept' | 'reject' | `hold-${Blamed}`, string>>;
  readonly item: Readonly<
    Record<
      | 'item'
      | 'model'
      | 'attempt'
      | 'attemptOf'
      | 'procedure'
      | 'limits'
      | 'issue'
      | 'ceiling'
      | 'record'
      | 'sample',
      string
    >
  >;
  readonly groups: Readonly<Record<CheckGroup, string>>;
  readonly states: Readonly<Record<CheckState, string>>;
  readonly roles: Readonly<Record<Check['clear'], string>>;
  readonly ready: Readonly<
    Record<
      'all' | 'heading' | 'told' | 'clears' | 'again' | 'notYet' | 'bench' | 'checkedAt',
      string
    >
  >;
  readonly scan: Readonly<
    Record<'where' | 'nothing' | 'type' | 'typed' | 'send' | 'back' | 'broken' | 'detail', string>
  >;
  readonly problems: Readonly<Record<ProblemKind, ProblemWords>>;
  readonly warn: Readonly<
    Record<
      | 'keep'
      | 'acknowledge'
      | 'done'
      | 'given'
      | 'both'
      | 'oneStart'
      | 'coming'
      | 'begin'
      | 'missing'
      | 'missingWhy'
      | 'crushZone'
      | 'clamp'
      | 'guard',
      string
    >
  >;
  readonly run: Readonly<
    Record<
      | 'stage'
      | 'left'
      | 'torque'
      | 'time'
      | 'last'
      | 'before'
      | 'command'
      | 'produced'
      | 'shaft'
      | 'trace'
      | 'powerIn'
      | 'arranged'
      | 'byHand'
      | 'deciding'
      | 'stages',
      string
    >
  >;
  readonly result: Readonly<
    Record<
      | 'why'
      | 'found'
      | 'allowed'
      | 'pointsAt'
      | 'scanNext'
      | 'accepted'
      | 'rejectSteps'
      | 'rejectTag'
      | 'rejectPut'
      | 'rejectNoRetest'
      | 'place'
      | 'before',
      string
    >
  >;
  readonly ended: Readonly<
    Record<'whatHappened' | 'torqueOff' | 'noVerdict' | 'counts' | 'reset' | 'at', string>
  >;
  readonly stop: Readonly<Record<'stop' | 'back' | 'unheard' | 'key' | 'not' | 'danger', string>>;
  readonly hold: Readonly<
    Record<'take' | 'giveBack' | 'free' | 'another' | 'mayNot' | 'lost', string>
  >;
  readonly settings: Readonly<
    Record<'open' | 'heading' | 'sound' | 'on' | 'off' | 'try' | 'close' | 'logOut', string>
  >;
  readonly logIn: Readonly<
    Record<
      | 'heading'
      | 'id'
      | 'secret'
      | 'name'
      | 'logIn'
      | 'atBench'
      | 'atDesk'
      | 'simulatedOnly'
      | 'refused',
      string
    >
  >;
}

/** Puts values in the places of a text. @throws Error when a place has no value: our defect. */
export function fill(text: string, values: Readonly<Record<string, string | number>>): string {
  return text.replace(/\{(\w+)\}/gu, (_, name: string) => {
    const value = values[name];
    if (value === undefined) throw new Error(`no value for {${name}} in "${text}"`);
    return String(value);
  });
}
