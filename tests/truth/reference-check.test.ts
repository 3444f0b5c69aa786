import { describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { drawItem } from '../../src/bench/spread.js';
import { rowName } from '../../src/procedure/reference-items.js';
import { prepareReference, type ReferenceDocuments } from '../../src/run/reference-documents.js';
import { handClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';
import { idealGrain, idealLag, idealRise, idealStaticGain } from '../support/reference.js';
import { checkedPlace, checkWith, type CheckedPlace } from '../support/reference-run.js';

const here = (): CheckedPlace => checkedPlace(temporaryFolder(), handClock());

/** What REF-H12-A is, reckoned apart from plant and scores; base units. */
function idealValues(): Readonly<Record<string, number>> {
  const item = drawItem('REF-H12-A', 361);
  const at = (smoothing: number): Parameters<typeof idealLag>[0] => ({
    ...{ deadTime: item.deadTime, slew: item.slew, smoothing },
    loop: 1 / (2 * Math.PI * item.loop.frequency),
  });
  const holds = [2, 4, 6, 4, 2, 0, -2, -4, -6, -4, -2, 0];
  return {
    'static.static-gain': idealStaticGain(item, holds),
    'static.torque-constant': item.torqueConstant,
    'steps-0.dead-time': item.deadTime,
    'steps-0.rise-time': idealRise(at(0), 3),
    'smoothing.lag': idealLag(at(200)),
    'smoothing.grain': idealGrain(at(200), 6, 1, 100),
  };
}

test('the values assigned to REF-H12-A are those it has, within U; its friction lies between four fifths and all', () => {
  const { item } = prepareReference({
    serial: 'REF-H12-A',
    now: Date.parse('2026-11-28T14:00:00Z'),
  });
  const ideal = idealValues();
  const friction = item.values.find((value) => rowName(value) === 'triangle.static-friction');
  const others = item.values.filter((value) => value !== friction);
  expect(others.map(rowName).sort()).toEqual(Object.keys(ideal).sort());
  for (const value of others) {
    const off = Math.abs(value.value - (ideal[rowName(value)] ?? NaN));
    expect(off, rowName(value)).toBeLessThanOrEqual(value.expanded);
  }
  const drawn = drawItem('REF-H12-A', 361).friction;
  for (const share of [0.8, 1]) {
    const off = Math.abs(share * drawn - (friction?.value ?? NaN));
    expect(off).toBeLessThanOrEqual(friction?.expanded ?? 0);
  }
});

describe('checks on the simulated bench', () => {
  test('REF-H12-A holds on five clampings, each entered with its cycle, without a record', async () => {
    const place = here();
    for (let cycle = 1; cycle <= 5; cycle++) {
      const checked = await checkWith('REF-H12-A', place);
      expect(checked, checked.reason).toMatchObject({ ok: true, cycle, kind: 'good', named: [] });
      expect(checked.values).toHaveLength(7);
    }
    expect(place.ledger.of('REF-H12-A').map(({ kind }) => kind)).toEqual(
      Array.from({ length: 5 }, () => ['note', 'bench-checked']).flat(),
    );
    const body = place.ledger.last()?.body;
    expect(body).toMatchObject({ check: 'reference', bench: 'TW-1', simulated: true, ok: true });
    expect(Object.keys(body?.['documents'] ?? {})).toEqual([
      ...['bench', 'limits', 'procedure', 'references'],
    ]);
    place.ledger.close();
  });

  test('REF-H12-B is rejected on what it names; the same item without its faults locks the bench', async () => {
    const place = here();
    const bad = await checkWith('REF-H12-B', place);
    expect(bad, bad.reason).toMatchObject({ ok: true, kind: 'known-bad' });
    expect(bad.named.map(({ row, rejected }) => [row, rejected])).toEqual([
      ['triangle.static-friction', true],
      ['smoothing.lag-increase', true],
    ]);
    const looksGood = await checkWith('REF-H12-B', place, { carries: [] });
    expect(looksGood.ok).toBe(false);
    expect(looksGood.reason).toMatch(
      /not rejected on .*smoothing\.lag-increase.*can only say yes/u,
    );
    // Rejected, but not on all that it names: a bench that is blind for smoothing.
    const half = await checkWith('REF-H12-B', place, { carries: ['bearing-rub'] });
    expect(half.ok).toBe(false);
    expect(half.reason).toContain('not rejected on smoothing.lag-increase:');
    place.ledger.close();
  });

  test('a good item that is off locks the bench and lists what was accepted since the last good check', async () => {
    const place = here();
    const { ledger, clock } = place;
    const accept = (serial: string): void => {
      const which = { serial, attempt: 1, by: 'op 17' };
      const certificate = `SIM-${serial}`;
      const begun = {
        ...which,
        kind: 'attempt-begun',
        body: { bench: 'TW-1', certificate },
      } as const;
      ledger.append(begun, clock.now());
      const body = { verdict: 'ACCEPT', certificate };
      ledger.append({ ...which, kind: 'record-issued', body }, clock.now());
    };
    accept('H12-26-00001');
    await checkWith('REF-H12-A', place);
    accept('H12-26-00002');
    accept('H12-26-00003');
    // As if the transducer read 1.2 % low: the values would have been assigned 1.2 % higher.
    const higher = (documents: ReferenceDocuments): ReferenceDocuments => {
      const values = documents.item.values.map((value) =>
        value.stage === 'static' ? { ...value, value: 1.012 * value.value } : value,
      );
      return { ...documents, item: { ...documents.item, values } };
    };
    const off = await checkWith('REF-H12-A', place, { alter: higher });
    expect(off.ok).toBe(false);
    expect(off.reason).toContain('off its assigned static.static-gain, static.torque-constant');
    expect(off.suspects).toMatchObject([
      { serial: 'H12-26-00002', attempt: 1, certificate: 'SIM-H12-26-00002' },
      { serial: 'H12-26-00003' },
    ]);
    expect(ledger.last()?.body['suspects']).toHaveLength(2);
    ledger.close();
  });

  const SPOILT = [
    ['hand-on-wheel', /quiet zero|hands off/u],
    ['reversed-polarity', /polarity/u],
    ['shunt-left-on', /shunt/u],
  ] as const;
  for (const [fault, why] of SPOILT) {
    test(`with ${fault} nothing is concluded: no check is entered, and the reason is`, async () => {
      const place = here();
      const failed: unknown = await checkWith('REF-H12-A', place, { faults: [fault] }).then(
        () => undefined,
        (error: unknown) => error,
      );
      if (!(failed instanceof StallmarkError)) throw new Error('the bench was checked');
      expect(failed.problems[0]).toMatchObject({
        code: 'readiness/not-ready',
        what: expect.stringMatching(why) as string,
      });
      const kinds = place.ledger.of('REF-H12-A').map(({ kind, body }) => [kind, body['what']]);
      expect(kinds).toEqual([
        ['note', 'reference check begun'],
        ['note', 'reference check ended without a result'],
      ]);
      place.ledger.close();
    });
  }
});

const REFUSED = [
  ['a product', 'H12-26-00001', /is no reference item .*/u],
  ['an unknown reference item', 'REF-H12-C', /"REF-H12-C" is no reference item/u],
] as const;
for (const [name, serial, says] of REFUSED) {
  test(`${name} scanned for a check is refused before anything else`, () => {
    expect(() => prepareReference({ serial, now: Date.parse('2026-11-28T14:00:00Z') })).toThrow(
      'reference/serial',
    );
    expect(() => prepareReference({ serial, now: Date.parse('2026-11-28T14:00:00Z') })).toThrow(
      says,
    );
  });
}

test('an item whose values expired is refused', () => {
  const now = Date.parse('2036-11-21T00:00:00Z');
  expect(() => prepareReference({ serial: 'REF-H12-A', now })).toThrow(/counted until 2036-11-20/u);
});
