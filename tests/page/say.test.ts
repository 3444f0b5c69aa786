import { expect, test } from 'vitest';
import type { NestView, Phase, ResultView, WarningView } from '../../src/serve/nest-view.js';
import type { HoldView } from '../../src/serve/hold.js';
import { said, untold, type Cue } from '../../src/page/operator/say.js';
import { WORDS_OF } from '../../src/page/words/languages.js';

const words = WORDS_OF.en;
const YOURS: HoldView = { hold: 'yours', mayHold: true };

function view(phase: Phase, more: Partial<NestView> = {}): NestView {
  return {
    ...{ bench: 'TW-1', nest: 1, simulated: true, power: 'off', checks: [], mayTest: true },
    ...{ checkedAt: 1, phase },
    ...more,
  };
}

function warning(...languages: readonly string[]): WarningView {
  const text = { heading: 'h', hazard: 'z', consequence: 'c', avoidance: 'a' };
  const texts = Object.fromEntries(languages.map((language) => [language, text]));
  return { hazard: 'crushing', signal: 'WARNING', sign: 'W024', issue: 2, texts };
}

function result(word: ResultView['word'], blames?: ResultView['blames']): Phase {
  const common = { serial: 'H12-26-04711', number: 'TW1-2026-000001', attempt: 1, issued: 0 };
  const rest = { reason: 'r', stages: [], causes: [], word };
  const blamed = blames === undefined ? {} : { blames };
  return { kind: 'verdict', result: { ...common, ...rest, ...blamed } };
}

const ended = (how: (Phase & { kind: 'ended' })['how']): Phase => ({
  ...{ kind: 'ended', problems: [], at: 0 },
  how,
});
const running: Phase = { kind: 'running', stage: 0, since: 0, end: 1 };
const failed = (clear: 'operator' | 'maintenance'): Partial<NestView> => ({
  mayTest: false,
  checks: [{ name: 'interlocks', state: 'failed', found: 'guard open', clear }],
});

interface Row {
  readonly what: string;
  readonly view: NestView;
  readonly hold?: HoldView;
  readonly says: string;
  readonly cue?: Cue;
}

const rows: readonly Row[] = [
  {
    what: 'nobody holds',
    view: view({ kind: 'waiting' }),
    hold: { hold: 'free', mayHold: true },
    says: words.say.take,
  },
  {
    what: 'a browser from afar',
    view: view({ kind: 'waiting' }),
    hold: { hold: 'free', mayHold: false },
    says: words.say.look,
  },
  {
    what: 'another page',
    view: view({ kind: 'waiting' }),
    hold: { hold: 'another', holder: 'B. Quillane', mayHold: true },
    says: 'B. Quillane works at this bench.',
  },
  {
    what: 'another page under power',
    view: view(running, { power: 'on' }),
    hold: { hold: 'another', mayHold: true },
    says: words.say.on,
  },
  {
    what: 'a free nest under power',
    view: view(running, { power: 'on' }),
    hold: { hold: 'free', mayHold: true },
    says: words.say.on,
  },
  { what: 'waiting', view: view({ kind: 'waiting' }), says: words.say.scan },
  {
    what: 'waiting before the first list',
    view: view({ kind: 'waiting' }, { mayTest: false, checkedAt: 0 }),
    says: words.say.scan,
  },
  {
    what: 'a refused scan',
    view: view({ kind: 'waiting', refused: [] }),
    says: words.say.refused,
    cue: 'attention',
  },
  {
    what: 'not ready, the operator clears it',
    view: view({ kind: 'waiting' }, failed('operator')),
    says: words.say.clear,
  },
  {
    what: 'not ready, maintenance clears it',
    view: view({ kind: 'waiting' }, failed('maintenance')),
    says: 'Not ready. Call: maintenance.',
  },
  { what: 'checking', view: view({ kind: 'checking' }), says: words.say.checking },
  {
    what: 'warnings',
    view: view({ kind: 'warnings', warnings: [warning('en')] }),
    says: words.say.warnings,
    cue: 'attention',
  },
  {
    what: 'a warning without a text',
    view: view({ kind: 'warnings', warnings: [warning('en'), warning('de')] }),
    says: words.say.noText,
    cue: 'attention',
  },
  {
    what: 'start',
    view: view({ kind: 'start', warnings: [warning('en')], until: 1 }),
    says: words.say.start,
  },
  {
    what: 'arrange',
    view: view({ kind: 'arrange', instruction: 'i' }),
    says: words.say.arrange,
    cue: 'attention',
  },
  {
    what: 'countdown',
    view: view({ kind: 'countdown', stage: 0, at: 1 }),
    says: words.say.countdown,
  },
  { what: 'running under power', view: view(running, { power: 'on' }), says: words.say.on },
  { what: 'running without power', view: view(running), says: words.say.off },
  { what: 'deciding', view: view({ kind: 'deciding' }), says: words.say.deciding },
  {
    what: 'deciding under power',
    view: view({ kind: 'deciding' }, { power: 'on' }),
    says: words.say.on,
  },
  { what: 'ACCEPT', view: view(result('ACCEPT')), says: words.next.accept, cue: 'accept' },
  { what: 'REJECT', view: view(result('REJECT')), says: words.next.reject, cue: 'reject' },
  {
    what: 'HOLD by uncertainty',
    view: view(result('HOLD')),
    says: words.next['hold-nobody'],
    cue: 'hold',
  },
  {
    what: 'HOLD by the stand',
    view: view(result('HOLD', 'stand')),
    says: words.next['hold-stand'],
    cue: 'hold',
  },
  {
    what: 'HOLD by the operator',
    view: view(result('HOLD', 'operator')),
    says: words.next['hold-operator'],
    cue: 'hold',
  },
  { what: 'stopped', view: view(ended('stopped')), says: words.say.stopped, cue: 'attention' },
  { what: 'page lost', view: view(ended('page lost')), says: words.say.pageLost, cue: 'attention' },
  { what: 'refused', view: view(ended('refused')), says: words.say.notBegun, cue: 'attention' },
  {
    what: 'broken off',
    view: view(ended('broken off')),
    says: words.say.brokenOff,
    cue: 'attention',
  },
  {
    what: 'stopped, but power is still on',
    view: view(ended('stopped'), { power: 'on' }),
    says: words.say.on,
    cue: 'attention',
  },
];

for (const { what, view: told, hold = YOURS, says, cue } of rows) {
  test(`${what}: "${says}"`, () => {
    const heard = cue === undefined ? { sentence: says } : { sentence: says, cue };
    expect(said(told, hold, words, 'en')).toEqual(heard);
  });
}

test('power that nobody knows counts as power', () => {
  for (const phase of [running, ended('broken off'), { kind: 'deciding' } as const]) {
    expect(said(view(phase, { power: 'unknown' }), YOURS, words, 'en').sentence).toBe(words.say.on);
  }
});

test('every ending of an item with a verdict has a sentence of its own in every language', () => {
  for (const { next } of Object.values(WORDS_OF)) {
    const { accept, reject } = next;
    const held = [next['hold-nobody'], next['hold-stand'], next['hold-operator']];
    expect(new Set([accept, reject, ...held]).size).toBe(5);
  }
});

test('a warning counts as untold in the language of the person only', () => {
  const both = [warning('en', 'de'), warning('en')];
  expect(untold(both, 'en')).toEqual([]);
  expect(untold(both, 'de')).toEqual([both[1]]);
  expect(untold(both, 'pl')).toEqual(both);
});
