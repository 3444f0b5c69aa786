import { expect, test } from 'vitest';
import type { ErrorCode } from '../../src/base/codes.js';
import type { ReferenceItem, ReferenceRegister } from '../../src/procedure/reference-items.js';
import { DEFAULT_FOLDERS, readDocuments } from '../../src/run/documents.js';
import { checkReferences, checkRegisters } from '../../src/run/plan-references.js';
import { CHARACTERISTICS } from '../../src/scoring/catalogue.js';

const all = readDocuments(DEFAULT_FOLDERS);
const [register] = all.references;
if (register === undefined) throw new Error('no register is shipped');
const { items } = register;
const [good] = items;
const NOW = Date.parse('2026-11-25T14:00:00Z');
const partners = { ...all, characteristics: CHARACTERISTICS, now: NOW };

const bad = items.find((item) => item.kind === 'known-bad');
if (bad?.kind !== 'known-bad') throw new Error('no known-bad item is shipped');

const gain = good.values.find(({ characteristic }) => characteristic === 'static-gain');
if (gain === undefined) throw new Error('the gain is not assigned');

const alone = (item: ReferenceItem): ReferenceRegister => ({ ...register, items: [item] });

test('the shipped register has no problem, and a line of its own', () => {
  expect(checkRegisters(all.references, partners)).toMatchObject({
    problems: [],
    summary: [expect.stringContaining('2 items') as string],
  });
});

const WRONG: readonly {
  readonly name: string;
  readonly item: ReferenceItem;
  readonly code: ErrorCode;
  readonly says: RegExp;
}[] = [
  {
    name: 'a serial that a product could have',
    item: { ...good, serial: 'H12-26-00001' },
    ...{ code: 'reference/item', says: /"H12-26-00001" has a serial of model H12/u },
  },
  {
    name: 'values that expired yesterday',
    item: { ...good, assigned: { ...good.assigned, expires: '2026-11-24' } },
    ...{ code: 'reference/item', says: /counted until 2026-11-24; today is 2026-11-25/u },
  },
  {
    name: 'a fault that the simulated bench does not know',
    item: { ...bad, simulate: ['swapped-smoothin'] },
    ...{ code: 'reference/item', says: /knows no fault "swapped-smoothin"/u },
  },
  {
    name: 'a model without a procedure for such checks',
    item: { ...good, model: 'H06' },
    ...{ code: 'reference/item', says: /model H06, which has 0 procedures/u },
  },
  {
    name: 'a value that the procedure does not read',
    item: { ...good, values: [{ ...gain, characteristic: 'linearity' }] },
    ...{ code: 'reference/item', says: /"static\.linearity", which its procedure does not read/u },
  },
  {
    name: 'a value of another dimension',
    item: { ...good, values: [{ ...gain, characteristic: 'torque-constant' }] },
    ...{ code: 'procedure/unit-mismatch', says: /is in %, a ratio, but "torque-constant"/u },
  },
  {
    name: 'an allowance wider than the product limit',
    item: { ...good, values: [{ ...gain, allowed: 0.02 }] },
    ...{ code: 'reference/item', says: /may have 97\.67 … 101\.67 % .*but a product only 98\.3/u },
  },
  {
    name: 'a rejection that no product limit decides',
    item: { ...bad, rejectedOn: [{ ...gain, stage: 'smoothing', characteristic: 'lag-increas' }] },
    ...{ code: 'reference/item', says: /no product limit decides/u },
  },
];

for (const { name, item, code, says } of WRONG) {
  test(`${name} is refused`, () => {
    const problems = checkReferences(alone(item), partners);
    expect(problems.map((problem) => problem.code)).toContain(code);
    expect(problems.map(({ what }) => what).join(' ')).toMatch(says);
  });
}

test('expiry is not judged without a clock', () => {
  const expired = { ...good, assigned: { ...good.assigned, expires: '2026-11-24' } };
  expect(checkReferences(alone(expired), { ...partners, now: undefined })).toEqual([]);
});

test('a register that was changed after its approval is told', () => {
  const changed = { ...register, digest: '0'.repeat(64) };
  const { problems } = checkRegisters([changed], partners);
  expect(problems.map(({ code }) => code)).toEqual(['document/changed']);
});
