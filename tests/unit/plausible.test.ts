import { expect, test } from 'vitest';
import type { Take } from '../../src/capture/capture.js';
import { screen, type Expectations } from '../../src/capture/screen.js';
import { captureOf, makeTake, withChannel } from '../support/takes.js';

const H12: Expectations = { torqueRange: 20, currentRange: 30, updates: 1000 };
const IDLE: Expectations = { ...H12, idleSupply: { from: 47.5, to: 49 } };

/** The healthy take with a channel brought to a mean, its noise kept. */
const at = (channel: 'winding' | 'supply', mean: number): Take =>
  withChannel(makeTake({}), channel, (samples) => {
    const offset = mean - (channel === 'winding' ? 23 : 48);
    samples.forEach((value, i) => {
      samples[i] = value + offset;
    });
  });

const CASES: readonly (readonly [
  name: string,
  take: Take,
  expectations: Expectations,
  broken: readonly (readonly [id: string, observed: number, says: string])[],
])[] = [
  ['a winding at room temperature', at('winding', 23), IDLE, []],
  ['the coldest winding that can be', at('winding', -10), IDLE, []],
  ['the hottest winding that can be', at('winding', 180), IDLE, []],
  ['a worked item of 75 °C: no matter of the sensor', at('winding', 75), IDLE, []],
  [
    'a winding sensor with a short',
    at('winding', -200),
    IDLE,
    [['winding-plausible', 190, 'channel winding says -200.0 °C']],
  ],
  [
    'a winding sensor with an open wire',
    at('winding', 200),
    H12,
    [['winding-plausible', 20, '200.0 °C']],
  ],
  ['a supply at either end of its band', at('supply', 47.6), IDLE, []],
  [
    'a supply that is set too low',
    at('supply', 44),
    IDLE,
    [['idle-supply', 3.5, 'channel supply says 44.00 V']],
  ],
  ['a supply channel at its end', at('supply', 80), IDLE, [['idle-supply', 31, '47.5 … 49 V']]],
  ['the same with power on, where gates of its own judge', at('supply', 44), H12, []],
];

for (const [name, take, expectations, broken] of CASES) {
  test(`${name}: ${broken.length === 0 ? 'fit' : 'not fit'}`, () => {
    const screening = screen(captureOf(makeTake({}), take), expectations);
    const gates = screening.gates.filter(({ holds }) => !holds);
    expect(gates.map(({ id }) => id)).toEqual(broken.map(([id]) => id));
    broken.forEach(([, observed, says], i) => {
      expect(gates[i]?.observed).toBeCloseTo(observed, 1);
      expect(gates[i]?.evidence).toContain(says);
      expect(gates[i]?.evidence).toContain('take 2 of 2');
      expect(gates[i]).toMatchObject({ blames: 'stand', concern: 'sensor' });
    });
  });
}

test('samples that are no number are passed over: they have a gate of their own', () => {
  const take = withChannel(makeTake({}), 'winding', (samples) => {
    samples.fill(NaN, 0, 100);
  });
  const broken = screen(captureOf(take), IDLE).gates.filter(({ holds }) => !holds);
  expect(broken.map(({ id }) => id)).toEqual(['values-finite']);
});
