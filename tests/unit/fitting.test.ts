import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { newtonMetre, second } from '../../src/base/units.js';
import type { Bench } from '../../src/bench/bench.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import type { Capture, Take } from '../../src/capture/capture.js';
import type { Gate } from '../../src/capture/gate.js';
import { fitted } from '../../src/procedure/fitting.js';
import { readLimits, readProcedure, readStation } from '../../src/procedure/schema.js';
import type { Station } from '../../src/procedure/station.js';
import { PACKAGE_ROOT } from '../../src/run/documents.js';
import { STATIC_GATES } from '../../src/scoring/gates-static.js';
import type { Context } from '../../src/scoring/scoring.js';
import { handClock } from '../support/clock.js';
import { captureOf, context, hold, stageOf, takeOf } from '../support/made-capture.js';
import { runItem, withStages } from '../support/simulated-run.js';
import { answering } from '../support/answering.js';

const BENCH = 'procedures/benches/tw-1.yaml';
const text = readFileSync(join(PACKAGE_ROOT, BENCH), 'utf8');
const written = (polarity: string): Station =>
  readStation(
    text.replace(/^shunt: .*$/mu, (line) => `${line}\nshunt-polarity: ${polarity}`),
    BENCH,
  );
const one = readStation(text, BENCH);
const both = written('both');

const FILE = 'procedures/h12-acceptance.yaml';
const procedure = readProcedure(readFileSync(join(PACKAGE_ROOT, FILE), 'utf8'), FILE, (name) =>
  readFileSync(join(PACKAGE_ROOT, 'procedures', name)),
);
const limits = readLimits(
  readFileSync(join(PACKAGE_ROOT, 'limits/as-h12.yaml'), 'utf8'),
  'limits/as-h12.yaml',
);

test('a bench says which ways round its shunt goes; one way if it says nothing', () => {
  expect(one.shuntPolarity).toBeUndefined();
  expect(written('positive').shuntPolarity).toBeUndefined();
  expect(both.shuntPolarity).toBe('both');
  expect(() => written('negative')).toThrow(StallmarkError);
});

test('on a bench with one way round a procedure stays what it is', () => {
  expect(fitted(procedure, one)).toBe(procedure);
});

test('on a bench with both, the take the other way round follows each with the shunt, and no other', () => {
  const onBoth = fitted(procedure, both);
  expect(onBoth.digest).toBe(procedure.digest);
  const fixtures = onBoth.stages.map(({ takes }) => takes.map(({ fixture }) => fixture));
  expect(fixtures[0]).toEqual(['uncoupled', 'shunt', 'shunt-negative', 'coupled']);
  expect(onBoth.stages.slice(1)).toEqual(procedure.stages.slice(1));
});

describe('the gate', () => {
  const zero = (fixture: Take['settings']['fixture'], level: number): Take =>
    takeOf({
      ...{ pattern: hold(0, 2), shaft: () => level, torqueNoise: 0.002 },
      settings: { smoothing: 0, fixture },
    });
  const judge = (given: Context, ...[first, ...rest]: readonly [Take, ...Take[]]): Gate => {
    const rule = STATIC_GATES.find(({ id }) => id === 'shunt');
    if (rule === undefined) throw new Error('there is no gate on the shunt');
    return rule.judge(captureOf(first, ...rest), stageOf(hold(0, 2), {}, 'off'), {}, given);
  };
  const twoWays: Context = { ...context, shuntPolarity: 'both' };

  // Stored value 5 N·m; 0.15 % of it and 2 mN·m allowed, so 9.5 mN·m.
  const CASES = [
    { positive: 5.01, negative: -4.99, holds: true, observed: 0 },
    { positive: 5.019, negative: -4.99, holds: true, observed: 0.009 },
    { positive: 5.01, negative: -4.999, holds: true, observed: -0.009 },
    { positive: 5.021, negative: -4.99, holds: false, observed: 0.011 },
    { positive: 5.01, negative: -5.001, holds: false, observed: -0.011 },
    { positive: 5.01, negative: 5.01, holds: false, observed: 10 },
    { positive: 5.01, negative: 0.01, holds: false, observed: 5 },
    { positive: -4.99, negative: 5.01, holds: false, observed: 10 },
  ];
  for (const { positive, negative, holds, observed } of CASES) {
    test(`${positive} and ${negative} N·m after 0.01 N·m ${holds ? 'hold' : 'do not hold'}`, () => {
      const gate = judge(
        twoWays,
        zero('uncoupled', 0.01),
        zero('shunt', positive),
        zero('shunt-negative', negative),
      );
      expect(gate).toMatchObject({ holds, scope: 'run', blames: 'stand', unit: 'N·m' });
      expect(Math.abs(gate.observed)).toBeCloseTo(Math.abs(observed), 3); // noise of means: 10 µN·m
      expect(gate.evidence).toContain('expected 5 ±');
      expect(gate.evidence).toContain('expected -5 ±');
    });
  }

  test('does not hold where the other way round was not taken', () => {
    const gate = judge(twoWays, zero('uncoupled', 0.01), zero('shunt', 5.01));
    expect(gate.holds).toBe(false);
    expect(gate.evidence).toContain('No take was shunt-negative');
  });
});

const stages = ['zero', 'idle', 'close'];
const onBench = (station: Station): Parameters<typeof runItem>[0] =>
  withStages({ procedure: fitted(procedure, station), limits, station }, stages);

async function shuntGate(station: Station, alter?: (bench: Bench) => Bench): Promise<Gate> {
  const serial = 'H12-26-00001';
  const performed = await runItem(onBench(station), { serial, ...(alter && { alter }) });
  const gate = performed.outcomes[0]?.gates.find(({ id }) => id === 'shunt');
  if (gate === undefined) throw new Error('the shunt was not judged');
  return gate;
}

test('a simulated bench with both ways round takes both and both hold', async () => {
  const kept: Capture[] = [];
  const performed = await runItem(onBench(both), {
    serial: 'H12-26-00001',
    ready: true,
    keep: (capture) => void kept.push(capture),
  });
  expect(kept[0]?.takes.map(({ settings }) => settings.fixture)).toEqual([
    'uncoupled',
    'shunt',
    'shunt-negative',
    'coupled',
  ]);
  expect(performed.outcomes.flatMap(({ gates }) => gates.filter(({ holds }) => !holds))).toEqual(
    [],
  );
  expect((await shuntGate(both)).evidence).toMatch(
    /by (?:4\.99\d|5(?:\.00\d)?) N·m.*The other way round: .*by -(?:4\.99\d|5(?:\.00\d)?) N·m/u,
  );
});

test('a resistor that is off one way round only is found', async () => {
  // 0.4 % of the negative shunt: 20 mN·m against 9.5 allowed.
  const weak = (inner: Bench): Bench =>
    answering(inner, {
      async *observe(duration, settings) {
        for await (const block of inner.observe(duration, settings)) {
          const { torque } = block.samples;
          const isOff = settings.fixture === 'shunt-negative' && torque !== undefined;
          yield isOff
            ? { ...block, samples: { ...block.samples, torque: torque.map((t) => t + 0.02) } }
            : block;
        }
      },
    });
  const gate = await shuntGate(both, weak);
  expect(gate.holds).toBe(false);
  expect(gate.observed).toBeCloseTo(0.02, 2);
});

test('a bench whose shunt goes one way is refused when its description says both', () => {
  const clock = handClock();
  const bench = simulatedBench({
    ...{ station: one, serial: 'H12-26-00001', attempt: 1, faults: [], clock, pace: 'fast' },
  });
  expect(bench.ratings.fixtures).not.toContain('shunt-negative');
  const run = runItem(onBench(both), {
    serial: 'H12-26-00001',
    ready: true,
    alter: (inner) => answering(inner, { ratings: bench.ratings }),
  });
  return expect(run).rejects.toMatchObject({
    problems: [{ what: expect.stringContaining('needs the stand shunt-negative') as string }],
  });
});

test('what is measured on a bench with one way round is what it was', async () => {
  const clock = handClock();
  const first = async (station: Station): Promise<readonly number[]> => {
    const bench = simulatedBench({
      ...{ station, serial: 'H12-26-00001', attempt: 1, faults: [], clock, pace: 'fast' },
    });
    const settings = { smoothing: 0, fixture: 'shunt' } as const;
    for await (const { samples } of bench.observe(second(0.02), settings)) {
      return [...(samples.torque ?? [])];
    }
    return [];
  };
  const samples = await first(one);
  expect(samples).toHaveLength(400);
  expect(await first(both)).toEqual(samples);
  expect(newtonMetre(samples[0] ?? 0)).toBeCloseTo(5, 1);
});
