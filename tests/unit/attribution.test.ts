import { expect, test } from 'vitest';
import type { Gate } from '../../src/capture/gate.js';
import {
  ATTRIBUTIONS,
  itemFaultOf,
  type Apart,
  type Signs,
} from '../../src/decision/attribution.js';
import { gateRule } from '../../src/scoring/catalogue.js';
import { gateAs } from '../support/stand.js';

function gate(id: string, holds: boolean, over: Partial<Gate> = {}): Gate {
  return gateAs({
    name: id,
    id,
    scope: 'run',
    holds,
    observed: holds ? 0 : 1,
    allowed: 0,
    unit: '1',
    blames: 'stand',
    evidence: `${id} was judged.`,
    ...over,
  });
}

const lines: Apart = { channel: 'safety-lines', clears: true, found: 'guard closed' };
const supply: Apart = { channel: 'supply', clears: true, found: 'supply 48.1 V' };
const silence: Apart = { channel: 'silence', clears: true, found: 'the device is silent' };
const fault = { code: 'bench/device-fault', what: 'The device reports fault 14.' };
const hang = { code: 'bench/unreachable', what: 'The device did not answer.' };
const stageGates = ['samples-complete', 'samples-in-order', 'updates-lost'].map((id) =>
  gate(id, true, { scope: 'idle' }),
);
const kept = gate('supply-kept', true);
const code = gate('device-fault', false, { scope: 'idle', blames: 'item' });
const weak = gate('polarity', false, { blames: 'item' });
const proven = [gate('shunt', true), gate('zero-noise', true)];

const CASES: readonly (readonly [name: string, signs: Signs, isFault: boolean])[] = [
  ['nothing at all', { gates: [] }, false],
  ['a device fault alone', { gates: [], broke: fault }, false],
  ['a device fault, lines right', { gates: [], broke: fault, apart: [lines] }, false],
  ['a device fault, supply right', { gates: [], broke: fault, apart: [supply] }, false],
  ['a device fault, both right', { gates: proven, broke: fault, apart: [lines, supply] }, true],
  [
    'a device fault, guard open',
    { gates: [], broke: fault, apart: [{ ...lines, clears: false }, supply] },
    false,
  ],
  [
    'a device fault, supply low',
    { gates: [], broke: fault, apart: [lines, { ...supply, clears: false }] },
    false,
  ],
  [
    'a device fault after a gate on the stand closed',
    { gates: [gate('supply-held', false)], broke: fault, apart: [lines, supply] },
    false,
  ],
  ['a hang of which nothing else is known', { gates: [], broke: hang }, false],
  ['a hang, lines and supply right', { gates: [], broke: hang, apart: [lines, supply] }, false],
  [
    'a hang, everything but the device answers',
    { gates: [], broke: hang, apart: [lines, supply, silence] },
    true,
  ],
  [
    'a hang, the device answers again',
    { gates: [], broke: hang, apart: [lines, supply, { ...silence, clears: false }] },
    false,
  ],
  [
    'an opened guard, all right again afterwards',
    {
      gates: [],
      broke: { code: 'bench/interlock', what: 'The guard is open.' },
      apart: [lines, supply, silence],
    },
    false,
  ],
  ['a fault code at rest alone', { gates: [code] }, false],
  ['a fault code at rest, all received', { gates: [code, ...stageGates, kept] }, true],
  ['a fault code at rest, supply not judged', { gates: [code, ...stageGates] }, false],
  [
    'a fault code at rest, other stages received',
    { gates: [code, kept, ...stageGates.map((g) => ({ ...g, scope: 'static' }))] },
    false,
  ],
  ['a weak item, nothing else judged', { gates: [weak] }, false],
  ['a weak item, only the shunt judged', { gates: [weak, gate('shunt', true)] }, false],
  ['a weak item, shunt and zero right', { gates: [weak, ...proven] }, true],
  ['a wrong direction', { gates: [{ ...weak, blames: 'stand' }, ...proven] }, false],
  ['another model', { gates: [{ ...weak, blames: 'operator' }, ...proven] }, false],
  ['a weak item, hum on the channel', { gates: [weak, ...proven, gate('hum', false)] }, false],
  [
    'a weak item, guard opened as well',
    {
      gates: [weak, ...proven],
      broke: { code: 'bench/interlock', what: 'The guard is open.' },
      apart: [lines, supply],
    },
    false,
  ],
  ['every gate holds', { gates: [...proven, kept, ...stageGates] }, false],
];

for (const [name, signs, isFault] of CASES) {
  test(`${name}: ${isFault ? 'the item is at fault' : 'nothing is said against the item'}`, () => {
    expect(itemFaultOf(signs) !== undefined).toBe(isFault);
  });
}

test('a fault says what the item did and what speaks for it', () => {
  expect(itemFaultOf({ gates: [], broke: fault, apart: [lines, supply] })).toEqual({
    what: 'The device reports fault 14.',
    evidence:
      'Not by the item: the device says so itself, and nothing outside it took its torque or its supply away (guard closed; supply 48.1 V).',
  });
});

test('no sign is proof by itself, and every catalogued gate of the table is known', () => {
  const screening = ['device-fault', 'samples-complete', 'samples-in-order', 'updates-lost'];
  for (const { sign, apart, gates } of ATTRIBUTIONS) {
    expect(apart.length + gates.length).toBeGreaterThan(1);
    const ids = 'gate' in sign ? [sign.gate, ...gates] : gates;
    for (const id of ids) {
      const isKnown = [...screening, 'supply-kept'].includes(id) || gateRule(id) !== undefined;
      expect(isKnown, id).toBe(true);
    }
  }
});
