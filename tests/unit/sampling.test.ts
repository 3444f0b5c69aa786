import { join } from 'node:path';
import { expect, test } from 'vitest';
import { sampling, samplingTable } from '../../src/cli/sampling.js';
import { chained, type Entry, type NewEntry } from '../../src/ledger/ledger.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import {
  auditWords,
  pickEntry,
  pickOf,
  samplingBody,
  samplingState,
  sampleWords,
  type Drawing,
  type SamplePick,
  type SamplingState,
} from '../../src/readiness/sampling.js';
import { temporaryFolder } from '../support/folder.js';
import { lcg } from '../support/lcg.js';
import { attempt, begun, ended, history, moved, type ENDS } from '../support/history.js';

const MODEL = {
  code: 'H12',
  name: 'H12 console helm',
  gtin: '09520123401207',
  revision: 'C3',
  serial: '^H12-[0-9]{2}-[0-9]{5}$',
};
const PLACE = { bench: 'TW-1', simulated: true, model: MODEL };
const serial = (n: number): string => `H12-26-${String(n).padStart(5, '0')}`;
type How = keyof typeof ENDS | 'broken off';

/** An attempt of item n that was sampled. */
const tested = (n: number, pick: SamplePick, how: How = 'accepted', number = 1) =>
  attempt(serial(n), number, how, { sampling: { pick, rule: 'every 25th', since: 0 } });
const picked = (n: number): NewEntry => ({
  ...{ kind: 'note', serial: serial(n), attempt: 0, by: 'op-17' },
  body: { note: 'sample picked', bench: 'TW-1', simulated: true },
});

/** What the ledger tells after some entries, in short. */
function told(
  ...entries: readonly NewEntry[]
): readonly [number, string | undefined, string | undefined] {
  const { since, owed, last } = samplingState(history(...entries).toReversed(), PLACE);
  return [since.size, owed?.serial, last?.serial];
}

const states: readonly (readonly [
  name: string,
  entries: readonly NewEntry[],
  since: number,
  owed?: number | undefined,
  last?: number,
])[] = [
  ['nothing', [], 0],
  ['two items', [...tested(1, 'none'), ...tested(2, 'none')], 2],
  [
    'one item tested twice',
    [...tested(1, 'none', 'invalid'), ...tested(1, 'none', 'accepted', 2)],
    1,
  ],
  ['an attempt that no rule counted for', attempt(serial(1), 1, 'accepted'), 0],
  ['a sample that was completed', [picked(1), ...tested(1, 'every')], 0, undefined, 1],
  [
    'a rejected sample is completed',
    [picked(1), ...tested(1, 'every', 'rejected')],
    0,
    undefined,
    1,
  ],
  ['an undecided one too', [picked(1), ...tested(1, 'random', 'inconclusive')], 0, undefined, 1],
  ['a sample taken away before it began', [...tested(1, 'none'), picked(2)], 1, 2],
  ['a sample broken off', [picked(1), ...tested(1, 'every', 'broken off')], 1, 1],
  ['a sample that was invalid', [picked(1), ...tested(1, 'random', 'invalid')], 1, 1],
  [
    'a sample that goes on',
    [picked(1), begun(serial(1), 1, { sampling: { pick: 'every' } })],
    1,
    1,
  ],
  [
    'another one in its place',
    [picked(1), picked(2), ...tested(2, 'skipped'), ...tested(3, 'none')],
    1,
    undefined,
    2,
  ],
  [
    'its place taken up and left again',
    [picked(1), picked(2), ...tested(2, 'skipped', 'broken off')],
    1,
    2,
  ],
  [
    'its own second attempt',
    [picked(1), ...tested(1, 'every', 'invalid'), ...tested(1, 'skipped', 'accepted', 2)],
    0,
    undefined,
    1,
  ],
  [
    'a sample of another bench',
    [{ ...picked(1), body: { ...picked(1).body, bench: 'TW-2' } }, ...tested(2, 'none')],
    1,
  ],
  [
    'a sample of a real bench of that name',
    [{ ...picked(1), body: { ...picked(1).body, simulated: false } }],
    0,
  ],
  ['a sample of another model', [{ ...picked(1), serial: 'H08-26-00001' }], 0],
  ['a note of another kind', [{ ...picked(1), body: { ...picked(1).body, note: 'recovery' } }], 0],
  [
    'a beginning nobody can read',
    [
      begun(serial(1), 1, { sampling: 'none' }),
      begun(serial(2), 1, { sampling: { pick: 'some' } }),
    ],
    0,
  ],
];

for (const [name, entries, since, owed, last] of states) {
  test(`${name}: ${String(since)} since, owed ${String(owed)}, last ${String(last)}`, () => {
    expect(told(...entries)).toEqual([
      since,
      owed === undefined ? undefined : serial(owed),
      last === undefined ? undefined : serial(last),
    ]);
  });
}

test('the ledger is read back to the last completed sample and no further', () => {
  const entries = history(
    ...tested(1, 'none'),
    picked(2),
    ...tested(2, 'every'),
    ...tested(3, 'none'),
  );
  let read = 0;
  function* newest(): Generator<Entry> {
    for (const entry of entries.toReversed()) {
      read += 1;
      yield entry;
    }
  }
  expect(samplingState(newest(), PLACE).last).toMatchObject({ serial: serial(2), entry: 4 });
  expect(read).toBe(4);
});

const state = (count: number, owed?: number): SamplingState => ({
  since: new Set(Array.from({ length: count }, (_, i) => serial(i + 1))),
  ...(owed === undefined ? {} : { owed: { serial: serial(owed), entry: 812, at: '' } }),
});
const never = (): number => {
  throw new Error('nothing is drawn here');
};

const picks: readonly (readonly [
  name: string,
  drawing: Omit<Drawing, 'serial'> & { readonly n: number },
  pick: SamplePick,
])[] = [
  ['the 24th of 25', { n: 24, rule: { every: 25 }, state: state(23), draw: never }, 'none'],
  ['the 25th of 25', { n: 25, rule: { every: 25 }, state: state(24), draw: never }, 'every'],
  ['more than were due', { n: 99, rule: { every: 25 }, state: state(40), draw: never }, 'every'],
  ['the 24th, tested again', { n: 24, rule: { every: 25 }, state: state(24), draw: never }, 'none'],
  ['one that is owed', { n: 9, rule: { every: 25 }, state: state(3, 2), draw: never }, 'skipped'],
  [
    'the owed one itself',
    { n: 2, rule: { random: 9 }, state: state(3, 2), draw: never },
    'skipped',
  ],
  ['drawn', { n: 9, rule: { random: 40 }, state: state(3), draw: () => 0 }, 'random'],
  ['not drawn', { n: 9, rule: { random: 40 }, state: state(3), draw: () => 39 }, 'none'],
  ['drawn for before', { n: 3, rule: { random: 40 }, state: state(3), draw: never }, 'none'],
  [
    'the count before chance',
    { n: 9, rule: { every: 4, random: 9 }, state: state(3), draw: never },
    'every',
  ],
];

for (const [name, { n, ...drawing }, pick] of picks) {
  test(`${name}: ${pick}`, () => {
    expect(pickOf({ ...drawing, serial: serial(n) })).toBe(pick);
  });
}

/** Tests items one after the other under a rule, as a bench does, and lists which were samples. */
function samplesOf(rule: Drawing['rule'], items: number, draw: Drawing['draw']): readonly number[] {
  const found: number[] = [];
  const entries: Entry[] = [];
  const enter = (entry: NewEntry): void => void entries.push(chained(entry, entries.at(-1), 0));
  for (let n = 1; n <= items; n++) {
    const now = samplingState(entries.toReversed(), PLACE);
    const drawing = { serial: serial(n), rule, state: now, draw };
    const pick = pickOf(drawing);
    if (pick !== 'none') {
      enter(pickEntry(PLACE, drawing, pick, 'op-17'));
      found.push(n);
    }
    enter(begun(serial(n), 1, { sampling: samplingBody(pick, drawing) }));
    enter(ended(serial(n), 1, 'accepted'));
  }
  return found;
}

test('every 5th of 23 items is the 5th, 10th, 15th and 20th', () => {
  expect(samplesOf({ every: 5 }, 23, never)).toEqual([5, 10, 15, 20]);
});

test('1 in 10 of 2,000 items at random: as many as chance gives, within 4 standard deviations', () => {
  const next = lcg(20_261_128);
  const found = samplesOf({ random: 10 }, 2000, (n) => Math.floor(next() * n));
  // Binomial: mean 200, standard deviation sqrt(2000 · 0.1 · 0.9) = 13.4.
  expect(Math.abs(found.length - 200)).toBeLessThan(4 * Math.sqrt(180));
});

test('what the operator and the record are told', () => {
  const drawing = {
    serial: serial(9),
    rule: { every: 25, random: 40 },
    state: state(3, 2),
    draw: never,
  };
  expect(sampleWords('every', drawing)).toBe('extended procedure, every 25th');
  expect(sampleWords('random', drawing)).toBe('extended procedure, drawn at random, 1 in 40');
  expect(sampleWords('skipped', drawing)).toBe(
    'extended procedure, because the sample H12-26-00002 (entry 812) was not completed',
  );
  expect(pickEntry(PLACE, drawing, 'skipped', 'op-17')).toEqual({
    ...{ kind: 'note', serial: serial(9), attempt: 0, by: 'op-17' },
    body: {
      ...{ note: 'sample picked', bench: 'TW-1', simulated: true },
      why: 'extended procedure, because the sample H12-26-00002 (entry 812) was not completed',
      sampling: { pick: 'skipped', rule: 'every 25th, 1 in 40 at random', since: 3, owed: 812 },
    },
  });
});

test('an audit sample is told until the item is released otherwise', () => {
  const one = serial(1);
  const audit = moved(one, 'audit', 'accepted', 'released for retest');
  const accepted = attempt(one, 1, 'accepted');
  expect(auditWords(history(...accepted))).toBeUndefined();
  const words = 'audit sample from stock (entry 3, R. Dunmallard): clamp was loose';
  expect(auditWords(history(...accepted, audit))).toBe(words);
  expect(auditWords(history(...accepted, audit, ...attempt(one, 2, 'invalid')))).toBe(words);
  const release = moved(one, 'release', 'rejected', 'released for retest');
  const after = history(...accepted, audit, ...attempt(one, 2, 'rejected'), release);
  expect(auditWords(after)).toBeUndefined();
});

test('the table says for each route its rule, the count, and what the next item is', () => {
  const documents = { procedure: { id: 'h12-x', issue: 1 }, limits: { id: 'AS-H12X', issue: 2 } };
  const lines = samplingTable([
    { route: 'H08 A1' },
    {
      route: 'H12 C3',
      sampling: { every: 25, ...documents, state: state(7, 2), next: 'owed' },
    },
    { route: 'H12 D1', sampling: { every: 25, ...documents, state: state(24), next: 'due' } },
    { route: 'H15 A1', sampling: { random: 40, ...documents, state: state(0), next: 'by chance' } },
    { route: 'H16 A1', sampling: { every: 25, ...documents, state: state(3), next: 'none' } },
  ]);
  expect(lines).toEqual([
    'route   samples            tested to                       since the last  next item',
    'H08 A1  none                                                               as every item',
    'H12 C3  every 25th         h12-x issue 1, AS-H12X issue 2               7  a sample, forced: the sample H12-26-00002, entry 812, was not completed',
    'H12 D1  every 25th         h12-x issue 1, AS-H12X issue 2              24  a sample, by the count',
    'H15 A1  1 in 40 at random  h12-x issue 1, AS-H12X issue 2               0  a sample only when it is drawn',
    'H16 A1  every 25th         h12-x issue 1, AS-H12X issue 2               3  as every item',
  ]);
});

test('the command tells of every shipped route, as text and as JSON', () => {
  const data = temporaryFolder();
  openLedger(join(data, 'ledger.db')).close();
  const printed = (json: { readonly json?: true }): string => {
    const lines: string[] = [];
    const out = (text: string): void => void lines.push(text);
    const ask = (): Promise<string> => Promise.reject(new Error('nobody answers'));
    const to = { out, err: out, width: 100, isInteractive: false, ask };
    expect(sampling({ data, ...json }, to)).toBe(0);
    return lines.join('\n');
  };
  expect(printed({})).toMatch(/^route +samples .*\n(?:.*\n)*H12 C3 +none +as every item/u);
  expect(JSON.parse(printed({ json: true }))).toMatchObject({
    ...{ bench: 'TW-1', simulated: true },
    routes: expect.arrayContaining([{ route: 'H12 C3', sampling: null }]) as unknown,
  });
});
