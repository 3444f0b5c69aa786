import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { ErrorCode } from '../../src/base/codes.js';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { checkApproval } from '../../src/procedure/approval.js';
import { readReferences } from '../../src/procedure/reference-items.js';
import { checkBench } from '../../src/procedure/meaning.js';
import { readStation } from '../../src/procedure/schema.js';
import { Values } from '../../src/procedure/values.js';
import { readYaml } from '../../src/procedure/yaml.js';

const FILE = 'procedures/benches/reference-items.yaml';
const BENCH = 'procedures/benches/tw-1.yaml';
const shipped = (file: string): string =>
  readFileSync(new URL(`../../${file}`, import.meta.url), 'utf8');

function problemsOf(read: () => unknown): readonly Problem[] {
  try {
    read();
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}

test('the shipped register is approved and says what the scenario does', () => {
  const register = readReferences(shipped(FILE), FILE);
  expect(checkApproval(register)).toEqual([]);
  const [good, bad] = register.items;
  expect(good).toMatchObject({ serial: 'REF-H12-A', kind: 'good', model: 'H12', simulate: [] });
  expect(good.values[0]).toMatchObject({
    ...{ stage: 'static', characteristic: 'static-gain' },
    ...{ value: 0.9967, expanded: 0.0035, allowed: 0.0051 },
  });
  expect(bad).toMatchObject({
    serial: 'REF-H12-B',
    kind: 'known-bad',
    rejectedOn: [
      { stage: 'smoothing', characteristic: 'lag-increase' },
      { stage: 'triangle', characteristic: 'static-friction' },
    ],
    simulate: ['swapped-smoothing', 'bearing-rub'],
  });
});

interface Change {
  readonly name: string;
  readonly from: string;
  readonly to: string;
  readonly code: ErrorCode;
  /** Text at which the problem begins, its first place after the change. */
  readonly at: string;
  readonly says: RegExp;
}

const GAIN = 'value: 99.67 %, U: 0.35 %, allowed: 0.51 %';
const NAMED = '    rejected-on: [smoothing.lag-increase, triangle.static-friction]\n';

const CHANGES: readonly Change[] = [
  {
    name: 'a known-bad item that names nothing',
    ...{ from: NAMED, to: '' },
    ...{ code: 'reference/item', at: 'kind: known-bad', says: /names no characteristic/u },
  },
  {
    name: 'a known-bad item with an empty list',
    ...{ from: NAMED, to: '    rejected-on: []\n' },
    ...{ code: 'document/value', at: '[]', says: /at least 1/u },
  },
  {
    name: 'a good item that is to be rejected',
    ...{ from: 'kind: good\n', to: 'kind: good\n    rejected-on: [static.static-gain]\n' },
    ...{ code: 'reference/item', at: 'kind: good', says: /is good, but names/u },
  },
  {
    name: 'a good item without values',
    ...{ from: 'kind: known-bad', to: 'kind: good' },
    ...{
      code: 'reference/item',
      at: 'kind: good\n    assigned:\n      date: 2026-11-20\n      expires: 2036-11-20\n      by: R.',
      says: /no assigned values/u,
    },
  },
  {
    name: 'two items with one serial',
    ...{ from: 'serial: REF-H12-B', to: 'serial: REF-H12-A' },
    ...{
      code: 'procedure/duplicate',
      at: 'REF-H12-A\n    what: H12',
      says: /A second reference item is called "REF-H12-A"/u,
    },
  },
  {
    name: 'values that expire before they were assigned',
    ...{ from: 'expires: 2036-11-20', to: 'expires: 2026-11-19' },
    ...{
      code: 'reference/item',
      at: '2026-11-19',
      says: /of 2026-11-20 that expire on 2026-11-19/u,
    },
  },
  {
    name: 'a day that does not exist',
    ...{ from: 'expires: 2036-11-20', to: 'expires: 2036-02-30' },
    ...{ code: 'document/value', at: '2036-02-30', says: /no day of the calendar/u },
  },
  {
    name: 'U in another kind of unit',
    ...{ from: GAIN, to: GAIN.replace('0.35 %', '0.35 ms') },
    ...{
      code: 'procedure/unit-mismatch',
      at: '0.35 ms',
      says: /is a ratio, but its U is 0\.35 ms/u,
    },
  },
  {
    name: 'less allowed than is known of the value',
    ...{ from: GAIN, to: GAIN.replace('0.51 %', '0.3 %') },
    ...{
      code: 'reference/item',
      at: '0.3 %',
      says: /allows 0\.3 %, but is itself known to 0\.35 % only/u,
    },
  },
  {
    name: 'an allowance of nothing',
    ...{ from: GAIN, to: 'value: 99.67 %, U: 0.35 %, allowed: 0 %' },
    ...{ code: 'document/value', at: '0 % }', says: /must be above 0/u },
  },
  {
    name: 'a bare number',
    ...{ from: GAIN, to: GAIN.replace('99.67 %', '99.67') },
    ...{ code: 'procedure/bare-number', at: '99.67', says: /without a unit/u },
  },
  {
    name: 'a row that is none',
    ...{ from: 'static.static-gain:', to: 'static-gain:' },
    ...{ code: 'document/key', at: 'static-gain:', says: /"static-gain"/u },
  },
  {
    name: 'an unknown kind',
    ...{ from: 'kind: good', to: 'kind: middling' },
    ...{ code: 'document/value', at: 'middling', says: /"good" or "known-bad"/u },
  },
];

for (const { name, from, to, code, at, says } of CHANGES) {
  test(`${name} is refused at its place`, () => {
    const text = shipped(FILE).replace(from, to);
    expect(text).not.toBe(shipped(FILE));
    const before = text.slice(0, text.indexOf(at)).split('\n');
    const where = { line: before.length, column: (before.at(-1)?.length ?? 0) + 1 };
    const problems = problemsOf(() => readReferences(text, FILE));
    expect(problems).toMatchObject([{ code, where, what: expect.stringMatching(says) as string }]);
  });
}

test('all problems are told at once', () => {
  const text = shipped(FILE)
    .replace(NAMED, '')
    .replace(GAIN, GAIN.replace('0.51 %', '0.3 %'))
    .replace('serial: REF-H12-B', 'serial: REF-H12-A');
  expect(problemsOf(() => readReferences(text, FILE)).map(({ code }) => code)).toEqual([
    'reference/item',
    'procedure/duplicate',
    'reference/item',
  ]);
});

const REQUIRED = 'reference: { within: 8 h, items: 200, required: false }';

test('the shipped bench states how long a check counts', () => {
  expect(readStation(shipped(BENCH), BENCH).checks?.reference).toEqual({
    ...{ within: 28_800, items: 200, required: false },
  });
  const without = shipped(BENCH).replace(/^checks:\n(?: {2}.*\n)+/mu, '');
  expect(readStation(without, BENCH).checks).toBeUndefined();
});

const POLICIES: readonly (readonly [name: string, to: string, says: RegExp])[] = [
  ['hours without unit', REQUIRED.replace('8 h', "'8'"), /whole hours such as 8 h/u],
  ['no item at all', REQUIRED.replace('200', '0'), /at least 1/u],
  ['neither true nor false', REQUIRED.replace('false', 'perhaps'), /true or false/u],
  ['no word on being required', REQUIRED.replace(', required: false', ''), /has no "required"/u],
];
for (const [name, to, says] of POLICIES) {
  test(`a policy with ${name} is refused`, () => {
    const text = shipped(BENCH).replace(REQUIRED, to);
    const problems = problemsOf(() => readStation(text, BENCH));
    expect(problems.map(({ what }) => what).join()).toMatch(says);
  });
}

// No other kind of bench can be read yet; the rule must be there before one can.
const REAL: readonly (readonly [name: string, policy: string | undefined, isRefused: boolean])[] = [
  ['says false', REQUIRED, true],
  ['says nothing', undefined, true],
  ['says true', REQUIRED.replace('false', 'true'), false],
];
for (const [name, policy, isRefused] of REAL) {
  test(`a bench that is not simulated and ${name} is ${isRefused ? '' : 'not '}refused for it`, () => {
    const text = shipped(BENCH)
      .replace('kind: simulated', 'kind: wired')
      .replace(REQUIRED, policy ?? '# none');
    const { located } = readYaml(text, BENCH);
    if (located === undefined) throw new Error('the bench is no YAML');
    const values = new Values(located);
    checkBench(values);
    const told = values.problems.map(({ what }) => what).join();
    expect(told.includes('must require checks with reference items')).toBe(isRefused);
  });
}
