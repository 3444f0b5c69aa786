import { describe, expect, test } from 'vitest';
import { COMPONENT_KINDS, type Adapter, type Identity } from '../../src/bench/bench.js';
import type { FaultName } from '../../src/bench/fault.js';
import { identityOf } from '../../src/bench/nameplate.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import { drawItem } from '../../src/bench/spread.js';
import { handClock } from '../support/clock.js';
import { STATION as station } from '../support/station.js';

const SERIAL = 'H12-26-04711';
const of = (serial: string): Identity => identityOf(drawItem(serial, 361));

test('an item tells revision, components and parameters, the same whenever it is asked', () => {
  const { components = [], ...identity } = of(SERIAL);
  expect(identity).toMatchObject({ model: 'H12', serial: SERIAL, revision: 'C3' });
  expect(identity.parametersDigest).toMatch(/^[0-9a-f]{64}$/u);
  expect(components.map(({ kind }) => kind)).toEqual(COMPONENT_KINDS);
  for (const { kind, serial } of components) {
    expect(serial).toMatch(/^[MDE]-[0-9]{8}$/u);
    expect(serial.slice(0, 1)).toBe(kind.slice(0, 1).toUpperCase());
  }
  expect(of(SERIAL)).toEqual({ ...identity, components });
});

test('a thousand items have a thousand motors, drives, encoders and sets of parameters', () => {
  const all = Array.from({ length: 1000 }, (_, i) =>
    of(`H12-26-${String(i + 1).padStart(5, '0')}`),
  );
  const serials = all.flatMap(({ components = [] }) => components.map(({ serial }) => serial));
  expect(new Set(serials).size).toBe(3000);
  expect(new Set(all.map(({ parametersDigest }) => parametersDigest)).size).toBe(1000);
});

/** Whether a fault lies in the parameters that were set at the factory. */
const FAULTS: readonly (readonly [FaultName, boolean])[] = [
  ['swapped-smoothing', true],
  ['wrong-slew', true],
  ['weak-magnets', false],
  ['hum', false],
];

describe('the bench', () => {
  const made = (...faults: readonly FaultName[]): ReturnType<typeof simulatedBench> =>
    simulatedBench({
      ...{ station, serial: SERIAL, attempt: 1, faults, clock: handClock(), pace: 'fast' },
    });

  test.each(FAULTS)('%s shows in the digest of the parameters: %s', async (fault, shows) => {
    const [good, bad] = [await made().identify(), await made(fault).identify()];
    expect(bad.parametersDigest !== good.parametersDigest).toBe(shows);
    expect(bad.components).toEqual(good.components);
  });

  const adapter = async (...faults: readonly FaultName[]): Promise<Adapter | undefined> =>
    (await made(...faults).environment()).adapter;

  test('reads the first adapter of its description, a spare, one of another bench, or none', async () => {
    const [usual, spare] = station.adapters ?? [];
    expect(usual).toBeDefined();
    expect(await adapter()).toEqual(usual);
    expect(await adapter('wrong-adapter:slight')).toEqual(spare);
    expect(await adapter('wrong-adapter')).toMatchObject({ id: 'AD-31' });
    expect(await adapter('wrong-adapter:severe')).toBeUndefined();
  });

  test('whose description names no adapter reads none', async () => {
    const { id, torqueRange, currentRange, sampleRate, shunt, stand } = station;
    const bare = { id, torqueRange, currentRange, sampleRate, shunt, stand };
    const bench = simulatedBench({
      ...{
        station: bare,
        serial: SERIAL,
        attempt: 1,
        faults: [],
        clock: handClock(),
        pace: 'fast',
      },
    });
    expect('adapter' in (await bench.environment())).toBe(false);
  });
});
