import { expect, test } from 'vitest';
import { second } from '../../src/base/units.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import { readinessProblems, type Check } from '../../src/readiness/readiness.js';
import { warmUpChecks, type WarmedInstrument } from '../../src/readiness/warm-up.js';
import { handClock } from '../support/clock.js';
import { STATION as station } from '../support/station.js';

const AMPLIFIER: WarmedInstrument = {
  id: 'TT-204',
  what: 'torque transducer with bridge amplifier',
  warmUp: second(1800),
};
const SENSOR: WarmedInstrument = { id: 'CS-11', what: 'current sensor' };

const CASES: readonly {
  readonly name: string;
  readonly poweredFor: number | undefined;
  readonly state: Check['state'];
  readonly found: RegExp;
  readonly age?: number;
}[] = [
  {
    name: 'powered for hours',
    ...{ poweredFor: 21_600, state: 'ok', found: /360\.0 min, 30\.0 min are needed/u, age: 21_600 },
  },
  { name: 'just warm', poweredFor: 1800, state: 'ok', found: /30\.0 min/u, age: 1800 },
  {
    name: 'powered for 4 minutes',
    ...{ poweredFor: 240, state: 'failed', found: /4\.0 min of 30\.0 min: ready in 26\.0 min/u },
    age: 240,
  },
  {
    name: 'the power was interrupted a moment ago',
    ...{ poweredFor: 0, state: 'failed', found: /ready in 30\.0 min/u, age: 0 },
  },
  {
    name: 'a bench that does not know',
    ...{ poweredFor: undefined, state: 'not run', found: /does not know .* counts as cold/u },
  },
  {
    name: 'a bench that says no number',
    ...{ poweredFor: NaN, state: 'not run', found: /counts as cold/u },
  },
  {
    name: 'a count that runs backwards',
    ...{ poweredFor: -5, state: 'not run', found: /counts as cold/u },
  },
];

for (const { name, poweredFor, state, found, age } of CASES) {
  test(`${name}: ${state}`, () => {
    const checks = warmUpChecks([AMPLIFIER, SENSOR], poweredFor);
    expect(checks).toHaveLength(1); // an instrument without a warm-up time needs none
    const [check] = checks;
    expect(check).toMatchObject({ state, ...(age === undefined ? {} : { age }) });
    expect(check?.found).toMatch(found);
    const problems = readinessProblems(checks);
    expect(problems.map(({ code }) => code)).toEqual(state === 'ok' ? [] : ['readiness/not-ready']);
    if (state !== 'ok') expect(problems[0]?.what).toMatch(/warm-up of .* TT-204/u);
  });
}

test('the bench counts: a program that starts anew sees it as warm as it is, and time goes on', async () => {
  const clock = handClock();
  const made = { station, serial: 'H12-26-00001', attempt: 1, clock, pace: 'fast' } as const;
  const powered = async (faults: readonly ('cold-amplifier' | 'cold-amplifier:severe')[]) => {
    const bench = simulatedBench({ ...made, faults });
    const before = (await bench.environment()).poweredFor;
    for await (const block of bench.observe(second(2), { smoothing: 0, fixture: 'coupled' })) {
      expect(block.samples.torque?.length).toBe(400);
    }
    return [before, (await bench.environment()).poweredFor] as const;
  };
  const [before, after] = await powered([]);
  expect(before).toBe(6 * 3600);
  expect((after ?? NaN) - (before ?? NaN)).toBeCloseTo(2.2, 6); // with 0.2 s to load
  expect((await powered(['cold-amplifier']))[0]).toBe(240);
  expect(await powered(['cold-amplifier:severe'])).toEqual([undefined, undefined]);
});
