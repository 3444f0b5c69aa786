import { expect, test } from 'vitest';
import { grouped, inOrderOfNeed, isBlocking } from '../../src/page/operator/check-groups.js';
import {
  durationText,
  localized,
  numberText,
  serialParts,
} from '../../src/page/operator/numbers.js';
import { TONES } from '../../src/page/operator/tones.js';
import type { Check, CheckState } from '../../src/readiness/readiness.js';

const check = (name: string, state: CheckState = 'ok', more: Partial<Check> = {}): Check => ({
  ...{ name, state, found: 'f', clear: 'maintenance' },
  ...more,
});

const CHECKS = [
  check('calibration of torque transducer TT-204'),
  check('warm-up of amplifier BA-3', 'failed'),
  check('reference item REF-H12-A', 'not run', { blocks: false }),
  check('interlocks'),
  check('stop proof', 'due soon'),
  check('ambient temperature'),
  check('seal', 'overdue'),
  check('a check that is new'),
];

test('checks are summed up by group, a new one under the rest, a group without one left out', () => {
  expect(
    grouped(CHECKS).map(({ group, state, open, blocks, checks }) => [
      ...[group, state, checks.length, open, blocks],
    ]),
  ).toEqual([
    ['instruments', 'failed', 2, 1, true],
    ['references', 'not run', 1, 1, false],
    ['guard', 'ok', 1, 0, false],
    ['stop', 'due soon', 1, 0, false],
    ['surroundings', 'ok', 1, 0, false],
    ['rest', 'overdue', 2, 1, true],
  ]);
  expect(grouped([])).toEqual([]);
});

test('what stops the bench comes first, what is only told last, what is in order not at all', () => {
  expect(inOrderOfNeed(CHECKS).map(({ name }) => name)).toEqual([
    ...['warm-up of amplifier BA-3', 'seal', 'reference item REF-H12-A', 'stop proof'],
  ]);
  expect(CHECKS.filter(isBlocking).map(({ name }) => name)).toEqual([
    ...['warm-up of amplifier BA-3', 'seal'],
  ]);
});

test('durations as on a kitchen clock, never below zero', () => {
  expect([85, 60, 59.2, 0.4, 0, -3].map(durationText)).toEqual([
    ...['1 min 25 s', '1 min 00 s', '1 min 00 s', '1 s', '0 s', '0 s'],
  ]);
});

test('numbers carry the decimal sign of the person and keep their digits', () => {
  expect(numberText(12.5, 'de-DE')).toBe('12,5');
  expect(numberText(-12.5, 'en-GB')).toBe('−12.5');
  expect(localized('3.02 ± 0.08 N·m/ms', 'pl-PL')).toBe('3,02 ± 0,08 N·m/ms');
  expect(localized('5.20 … 6.60', 'zh-CN')).toBe('5.20 … 6.60');
});

test('a serial is parted before its last five characters', () => {
  expect(serialParts('H12-26-04711')).toEqual(['H12-26-', '04711']);
});

test('every sound differs, is over within a second and never sweeps or pulses', () => {
  const cues = Object.values(TONES);
  expect(new Set(cues.map((tones) => JSON.stringify(tones))).size).toBe(cues.length);
  for (const tones of cues) {
    expect(tones.length).toBeLessThanOrEqual(2);
    for (const { from, to } of tones) expect(0 <= from && from < to && to <= 1).toBe(true);
  }
});
