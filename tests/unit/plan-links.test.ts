import { expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import type { TimingMethod } from '../../src/procedure/links.js';
import type { Station } from '../../src/procedure/station.js';
import { checkTiming } from '../../src/run/plan-links.js';
import { CHARACTERISTICS } from '../../src/scoring/catalogue.js';
import { shippedDocuments } from '../support/simulated-run.js';
import { linkedStation, wireText } from '../support/linked-station.js';

const { limits } = shippedDocuments();
const linked = linkedStation(wireText('command: [adapter]'));

function timed(method: TimingMethod, uncertainty: number): Station {
  return {
    ...linked,
    links: { ...linked.links, timing: { method, uncertainty: second(uncertainty) } },
  };
}

const problems = (station: Station): readonly string[] =>
  checkTiming({ limits, station }, CHARACTERISTICS).map(({ code, what }) => `${code}: ${what}`);

test('a captured command with U = 0.02 ms decides every limit of the H12', () => {
  expect(problems(timed('command', 20e-6))).toEqual([]);
});

test('the clock of the host decides no limit of time below 5 ms', () => {
  const found = problems(timed('host', 20e-6));
  expect(found.some((one) => one.startsWith('bench/timing: "steps-0.dead-time" has a limit'))).toBe(
    true,
  );
  const isShort = (value: number): boolean => Math.abs(value) < 5e-3;
  const times = new Set(
    CHARACTERISTICS.filter(({ dimension }) => dimension === 'time').map(({ id }) => id),
  );
  const short = limits.rows.filter(
    ({ characteristic, tolerance: t }) =>
      times.has(characteristic) &&
      (('lower' in t && isShort(t.lower)) || ('upper' in t && isShort(t.upper))),
  );
  expect(short.length).toBeGreaterThan(3);
  expect(found).toHaveLength(short.length);
});

test('a limit of 5 ms can be decided by the clock of the host, one of 4.999 ms cannot', () => {
  const [row] = limits.rows.filter(({ characteristic }) => characteristic === 'dead-time');
  if (row === undefined) throw new Error('the shipped limits have no dead time');
  const at = (upper: number): number =>
    checkTiming(
      {
        limits: { ...limits, rows: [{ ...row, tolerance: { kind: 'at-most', upper } }] },
        station: timed('host', 0),
      },
      CHARACTERISTICS,
    ).length;
  expect([at(0.005), at(0.004999)]).toEqual([0, 1]);
});

test('a budget that counts less for alignment than the links state is refused at its place', () => {
  const [first] = checkTiming({ limits, station: timed('trigger', 60e-6) }, CHARACTERISTICS);
  expect(first?.code).toBe('bench/timing');
  expect(first?.what).toContain('is uncertain by 0.06 ms, but the budget of');
  expect(first?.where?.line).toBeGreaterThan(1);
});

test('a simulated bench states no links and is asked for none', () => {
  expect(problems(shippedDocuments().station)).toEqual([]);
});
