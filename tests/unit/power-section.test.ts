import { beforeEach, expect, test } from 'vitest';
import { FAULT_CODES } from '../../src/bench/drive.js';
import { PowerSection, type PowerState } from '../../src/emulator/power-section.js';
import { COMMANDS, CONTROLWORDS, stateOf, TRANSITIONS } from '../../src/link/cia402.js';
import { FakeStand } from '../support/fake-stand.js';

let stand: FakeStand;
let told: string[];
let mayEnable: boolean;
let power: PowerSection;

beforeEach(() => {
  stand = new FakeStand();
  told = [];
  mayEnable = true;
  power = new PowerSection({
    stand,
    mayEnable: () => mayEnable,
    voided: () => told.push('voided'),
    halted: () => told.push('halted'),
    emergency: (code) => told.push(`emergency ${code.toString(16)}`),
  });
  stand.onChange(() => {
    power.watch();
  });
});

/** Ways from "switch on disabled" to each state. */
const WAYS: Readonly<Record<PowerState, readonly number[]>> = {
  'switch on disabled': [],
  'ready to switch on': [0x06],
  'switched on': [0x06, 0x07],
  'operation enabled': [0x06, 0x07, 0x0f],
  'quick stop active': [0x06, 0x07, 0x0f, 0x02],
  fault: [0x06, 0x07, 0x0f],
};
const STATES = Object.keys(WAYS) as PowerState[];

function bring(state: PowerState): void {
  // A quick stop that never ends, so that its state can be looked at.
  stand.rampOut = () => new Promise(() => undefined);
  for (const word of WAYS[state]) power.control(word);
  if (state === 'fault') stand.trip(FAULT_CODES.deadMan);
  expect(power.state).toBe(state);
}

test.each(STATES)('the statusword of "%s" is read as that state by masks', (state) => {
  bring(state);
  expect(stateOf(power.statusword)).toBe(state);
});

/** Where this drive leads in a way of its own, which the standard leaves to the maker. */
const OWN: Readonly<Record<string, PowerState>> = {
  'quick stop active | enable operation': 'quick stop active', // transition 16
  'ready to switch on | enable operation': 'switched on', // transition 3, and 4 with the next word
  // Where there is no fault, the bits of 0x80 are those of "disable voltage".
  'ready to switch on | fault reset': 'switch on disabled',
  'switched on | fault reset': 'switch on disabled',
  'operation enabled | fault reset': 'switch on disabled',
  'quick stop active | fault reset': 'switch on disabled',
};

for (const state of STATES) {
  for (const command of COMMANDS) {
    const word = CONTROLWORDS[command];
    // "Switch on" and "disable operation" are one word.
    const found = TRANSITIONS.find(
      (one) => one.from === state && CONTROLWORDS[one.command] === word,
    );
    const end = OWN[`${state} | ${command}`] ?? found?.to ?? state;
    test(`"${command}" in "${state}" leads to "${end}"`, () => {
      bring(state);
      power.control(word);
      expect(power.state).toBe(end);
      const isOn = end === 'operation enabled' || end === 'quick stop active';
      expect(stand.isEnergized).toBe(isOn);
    });
  }
}

test('power is applied by the last command of three and by no other', () => {
  power.control(0x0f);
  power.control(0x07);
  expect(stand.acts).toEqual([]);
  power.control(0x06);
  power.control(0x07);
  expect(stand.acts).toEqual([]);
  power.control(0x0f);
  expect(stand.acts).toEqual(['energize']);
});

test('0x0F in "ready to switch on" switches on, and needs another to enable', () => {
  power.control(0x06);
  power.control(0x0f);
  expect([power.state, stand.isEnergized]).toEqual(['switched on', false]);
  power.control(0x0f);
  expect(power.state).toBe('operation enabled');
});

test('it stays "switched on" while mode or dead-man are not set', () => {
  mayEnable = false;
  for (const word of [0x06, 0x07, 0x0f]) power.control(word);
  expect([power.state, stand.acts]).toEqual(['switched on', []]);
});

test('a guard that is open when power is asked for is fault 0xFF13 without power', () => {
  stand.move({ guard: 'open' });
  for (const word of [0x06, 0x07, 0x0f]) power.control(word);
  expect([power.state, power.errorCode, stand.isEnergized]).toEqual(['fault', 0xff13, false]);
  expect(told).toEqual(['voided', 'emergency ff13']);
});

test('a defect of the stand is no fault of the drive', () => {
  stand.energize = () => {
    throw new Error('a defect');
  };
  power.control(0x06);
  power.control(0x07);
  expect(() => {
    power.control(0x0f);
  }).toThrow('a defect');
});

test.each([
  ['lost heartbeat', FAULT_CODES.deadMan, 0x8130],
  ['excess torque', FAULT_CODES.overTorque, 0x8311],
  ['safe torque off', FAULT_CODES.safeTorqueOff, 0xff13],
  ['any other', FAULT_CODES.internal, 0xff00],
])('fault of the item, %s, is told as its code', (_name, fault, code) => {
  bring('operation enabled');
  stand.trip(fault);
  expect([power.state, power.errorCode, told]).toEqual([
    'fault',
    code,
    ['voided', `emergency ${code.toString(16)}`],
  ]);
});

test('a fault while power is off is none of the drive', () => {
  bring('switched on');
  stand.trip(FAULT_CODES.internal);
  expect([power.state, told]).toEqual(['switched on', []]);
});

test('a fault is told once, however often the item tells of it', () => {
  bring('operation enabled');
  stand.trip(FAULT_CODES.deadMan);
  stand.trip(FAULT_CODES.deadMan);
  expect(told).toEqual(['voided', 'emergency 8130']);
});

test('a fault survives all commands but its reset, which tells code 0 and applies no power', () => {
  bring('fault');
  for (const word of [0x00, 0x02, 0x06, 0x07, 0x0f, 0x10f]) power.control(word);
  expect([power.state, power.errorCode]).toEqual(['fault', 0x8130]);
  told.length = 0;
  power.control(0x8f);
  expect([power.state, power.errorCode, told]).toEqual(['switch on disabled', 0, ['emergency 0']]);
  expect(stand.isEnergized).toBe(false);
});

test('the history keeps the last 8 codes, the newest first, until it is forgotten', () => {
  for (let code = 1; code <= 10; code++) power.trip(code);
  expect(power.errors).toEqual([10, 9, 8, 7, 6, 5, 4, 3]);
  power.forgetErrors();
  expect([power.errors, power.errorCode]).toEqual([[], 10]);
});

test('halt ends the stream and leaves power on', () => {
  bring('operation enabled');
  power.control(0x10f);
  expect([power.state, told, stand.isEnergized]).toEqual(['operation enabled', ['halted'], true]);
});

test.each([
  ['shutdown', 0x106],
  ['disable operation', 0x107],
  ['disable voltage', 0x100],
])('%s with the bit of halt takes power off all the same', (_name, word) => {
  bring('operation enabled');
  power.control(word);
  expect(stand.isEnergized).toBe(false);
});

test('a quick stop ramps out, then nothing waits and power is off', async () => {
  for (const word of [0x06, 0x07, 0x0f, 0x02]) power.control(word);
  expect(power.state).toBe('quick stop active');
  await Promise.resolve();
  expect([power.state, told, stand.isEnergized]).toEqual(['switch on disabled', ['voided'], false]);
});

test('a fault in the middle of a quick stop is not covered up by its end', async () => {
  let end: () => void = () => undefined;
  stand.rampOut = () => new Promise((resolve) => (end = resolve));
  for (const word of [0x06, 0x07, 0x0f, 0x02]) power.control(word);
  stand.trip(FAULT_CODES.overTorque);
  end();
  await Promise.resolve();
  expect([power.state, power.errorCode]).toEqual(['fault', 0x8311]);
});

test('power that is taken off says why, and is taken off once', () => {
  bring('operation enabled');
  power.takeOff('NMT');
  power.takeOff('NMT');
  expect(stand.acts).toEqual(['energize', 'off: NMT on the bus']);
});
