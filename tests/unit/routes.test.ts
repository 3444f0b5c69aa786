import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { dayAt, dayStart } from '../../src/base/calendar.js';
import { isoInstant } from '../../src/base/clock.js';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { checkApproval } from '../../src/procedure/approval.js';
import { ordinal, readRoutes, samplingWords } from '../../src/procedure/routes.js';

const FILE = 'routes.yaml';

const document = (entries: string, zone = 'Europe/Berlin'): string => `routes: works
title: Routes
issue: 1
date: 2026-11-28
zone: ${zone}
entries:
${entries}`;

const entry = (span: string, more = 'model: H12'): string =>
  `  - { ${more}, revision: C3, procedure: { id: h12-acceptance, issue: 4 }, limits: { id: AS-H12, issue: 10 }, ${span} }\n`;

const EXTENDED = 'procedure: { id: h12-extended, issue: 1 }, limits: { id: AS-H12X, issue: 2 }';

function problemsOf(text: string): readonly Problem[] {
  try {
    readRoutes(text, FILE);
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}

// Local midnights as the tz database has them: Berlin is at +01:00, in summer +02:00.
const beginnings: readonly (readonly [zone: string, day: string, start: string])[] = [
  ['UTC', '2026-11-28', '2026-11-28T00:00:00Z'],
  ['Europe/Berlin', '2026-10-25', '2026-10-24T22:00:00Z'], // 25 hours, begins in summer time
  ['Europe/Berlin', '2026-10-26', '2026-10-25T23:00:00Z'],
  ['Europe/Berlin', '2026-03-29', '2026-03-28T23:00:00Z'], // 23 hours, begins in winter time
  ['Europe/Berlin', '2026-03-30', '2026-03-29T22:00:00Z'],
  ['America/Santiago', '2026-09-06', '2026-09-06T04:00:00Z'], // put on at midnight: begins at 01:00
  ['Pacific/Kiritimati', '2026-11-28', '2026-11-27T10:00:00Z'], // +14:00
  ['Pacific/Pago_Pago', '2026-11-28', '2026-11-28T11:00:00Z'], // -11:00
];

for (const [zone, day, start] of beginnings) {
  test(`${day} begins in ${zone} at ${start}, and not 1 ms earlier`, () => {
    const at = dayStart(day, zone);
    expect(isoInstant(at)).toBe(start);
    expect(at % 1000).toBe(0);
    expect(dayAt(at, zone)).toBe(day);
    expect(dayAt(at - 1, zone) < day).toBe(true);
  });
}

const spans: readonly (readonly [written: string, utc: string])[] = [
  ['2026-10-25', '2026-10-24T22:00:00Z'],
  ['2026-03-29', '2026-03-28T23:00:00Z'],
  ['2026-10-25T02:30+02:00', '2026-10-25T00:30:00Z'], // the first half past two
  ['2026-10-25T02:30+01:00', '2026-10-25T01:30:00Z'], // the second one
  ['2026-11-28T06:00:00Z', '2026-11-28T06:00:00Z'],
];

for (const [written, utc] of spans) {
  test(`"from: ${written}" is kept as ${utc}`, () => {
    const { routes } = readRoutes(document(entry(`from: ${written}`)), FILE);
    expect(routes.map(({ from }) => isoInstant(from))).toEqual([utc]);
    expect(routes[0].until).toBeUndefined();
  });
}

test('two routes that follow each other to the millisecond are in order', () => {
  const text = document(
    entry('from: 2026-01-01, until: 2026-10-25') + entry('from: 2026-10-24T22:00:00Z'),
  );
  const { routes } = readRoutes(text, FILE);
  expect(routes.map(({ until }) => until)).toEqual([routes[1]?.from, undefined]);
});

const refusals: readonly {
  readonly name: string;
  readonly text: string;
  readonly code: string;
  readonly says: string;
}[] = [
  {
    name: 'two that count without an end',
    text: document(entry('from: 2026-01-01') + entry('from: 2026-11-28')),
    code: 'route/overlap',
    says: 'Route 2 and route 1 both count for H12 C3 from 2026-11-27T23:00:00Z without an end.',
  },
  {
    name: 'two that count at once for one second',
    text: document(
      entry('from: 2026-01-01, until: 2026-11-28T00:00:01+01:00') + entry('from: 2026-11-28'),
    ),
    code: 'route/overlap',
    says: 'Route 2 and route 1 both count for H12 C3 from 2026-11-27T23:00:00Z until 2026-11-27T23:00:01Z.',
  },
  {
    name: 'a day that begins an hour before UTC makes two count at once',
    text: document(
      entry('from: 2026-01-01, until: 2026-03-29T00:00:00Z') + entry('from: 2026-03-29'),
    ),
    code: 'route/overlap',
    says: 'Route 2 and route 1 both count for H12 C3 from 2026-03-28T23:00:00Z until 2026-03-29T00:00:00Z.',
  },
  {
    name: 'one by model and one by GTIN, which may be of one item',
    text: document(entry('from: 2026-01-01') + entry('from: 2026-02-01', "gtin: '09520123401207'")),
    code: 'route/overlap',
    says: 'Route 2 and route 1 both count for GTIN 09520123401207 C3 from 2026-01-31T23:00:00Z without an end.',
  },
  {
    name: 'an end before the beginning',
    text: document(entry('from: 2026-11-28, until: 2026-11-28')),
    code: 'route/order',
    says: 'Route 1 counts from 2026-11-28, but only until 2026-11-28.',
  },
  {
    name: 'neither model nor GTIN',
    text: document(
      '  - { revision: C3, procedure: { id: a, issue: 1 }, limits: { id: b, issue: 1 }, from: 2026-01-01 }\n',
    ),
    code: 'route/order',
    says: 'Route 1 has neither "model" nor "gtin", so that it counts for no item.',
  },
  {
    name: 'a GTIN with a wrong check digit',
    text: document(entry('from: 2026-01-01', "gtin: '09520123401208'")),
    code: 'document/value',
    says: 'The GTIN 09520123401208 of route 1 ends with 8, but its check digit is 7.',
  },
  {
    name: 'a day that does not exist',
    text: document(entry('from: 2026-02-30')),
    code: 'document/value',
    says: 'The from of route 1 is 2026-02-30, which is no day of the calendar.',
  },
  {
    name: 'an instant without its offset, which stands twice in the night the clocks are put back',
    text: document(entry('from: 2026-10-25T02:30')),
    code: 'document/value',
    says: 'The from of route 1 is "2026-10-25T02:30", but must be a day such as 2026-09-14, or an instant with its offset such as 2026-09-14T06:00+02:00.',
  },
  {
    name: 'sampling without a rule',
    text: document(entry(`from: 2026-01-01, sampling: { ${EXTENDED} }`)),
    code: 'document/key',
    says: 'The sampling of route 1 has neither "every" nor "random", so that it picks no item.',
  },
  {
    name: 'sampling to the documents of the route itself',
    text: document(
      entry(
        'from: 2026-01-01, sampling: { every: 25, procedure: { id: h12-acceptance, issue: 4 }, limits: { id: AS-H12, issue: 10 } }',
      ),
    ),
    code: 'document/value',
    says: 'The sampling of route 1 names the procedure and limits of the route itself, so that a sample is tested like any other item.',
  },
  {
    name: 'sampling of every item',
    text: document(entry(`from: 2026-01-01, sampling: { every: 1, ${EXTENDED} }`)),
    code: 'document/value',
    says: 'The every of the sampling of route 1 is the number 1, but must be at least 2.',
  },
  {
    name: 'a draw that is certain',
    text: document(entry(`from: 2026-01-01, sampling: { random: 1 in 1, ${EXTENDED} }`)),
    code: 'document/value',
    says: 'The random of the sampling of route 1 is "1 in 1", but must be 1 in 2 or more, such as 1 in 40.',
  },
  {
    name: 'a zone nobody knows',
    text: document(entry('from: 2026-01-01'), 'Europe/Tarnwick'),
    code: 'document/value',
    says: 'The zone is "Europe/Tarnwick", which is no time zone of the IANA list.',
  },
];

for (const { name, text, code, says } of refusals) {
  test(`${name}: ${code}`, () => {
    const found = problemsOf(text);
    expect(found.map((p) => p.code)).toEqual([code]);
    expect(found[0]?.what).toBe(says);
    expect(found[0]?.where?.file).toBe(FILE);
  });
}

const rules: readonly (readonly [written: string, read: object, words: string])[] = [
  ['every: 25', { every: 25 }, 'every 25th'],
  ['random: 1 in 40', { random: 40 }, '1 in 40 at random'],
  [
    'every: 22, random: 1 in 99999',
    { every: 22, random: 99_999 },
    'every 22nd, 1 in 99999 at random',
  ],
];

for (const [written, read, words] of rules) {
  test(`sampling: "${written}" is read, and called ${words}`, () => {
    const text = document(entry(`from: 2026-01-01, sampling: { ${written}, ${EXTENDED} }`));
    const { sampling } = readRoutes(text, FILE).routes[0];
    expect(sampling).toEqual({
      ...read,
      procedure: { id: 'h12-extended', issue: 1 },
      limits: { id: 'AS-H12X', issue: 2 },
      where: sampling?.where,
    });
    expect(sampling?.where).toMatchObject({ file: FILE, line: 7 });
    expect(samplingWords(sampling ?? {})).toBe(words);
  });
}

test('a route without sampling has none', () => {
  expect(readRoutes(document(entry('from: 2026-01-01')), FILE).routes[0].sampling).toBeUndefined();
});

const ordinals = [
  [2, '2nd'],
  [3, '3rd'],
  [4, '4th'],
  [11, '11th'],
  [12, '12th'],
  [13, '13th'],
  [21, '21st'],
  [101, '101st'],
  [111, '111th'],
  [112, '112th'],
  [1000, '1000th'],
] as const;
for (const [n, word] of ordinals) {
  test(`the ${word} is written with its ending`, () => {
    expect(ordinal(n)).toBe(word);
  });
}

const apart: readonly (readonly [string, string])[] = [
  [
    'of other revisions',
    entry('from: 2026-01-01') + entry('from: 2026-01-01').replace('revision: C3', 'revision: D1'),
  ],
  ['of other models', entry('from: 2026-01-01') + entry('from: 2026-01-01', 'model: H08')],
  [
    'of other GTINs of one model',
    entry('from: 2026-01-01', "model: H12, gtin: '09520123401207'") +
      entry('from: 2026-01-01', "model: H12, gtin: '09520123400682'"),
  ],
];

for (const [name, entries] of apart) {
  test(`routes ${name} may count at once`, () => {
    expect(problemsOf(document(entries))).toEqual([]);
  });
}

test('the shipped routes are approved as they stand', () => {
  const file = new URL('../../procedures/routes.yaml', import.meta.url);
  expect(checkApproval(readRoutes(readFileSync(file, 'utf8'), FILE))).toEqual([]);
});
