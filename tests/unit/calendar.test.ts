import { expect, test } from 'vitest';
import {
  dayAfter,
  dayAt,
  daysBetween,
  instantKey,
  isDay,
  isZone,
  timeKey,
} from '../../src/base/calendar.js';

/** The nights in which clocks are changed in Berlin: 03:00 becomes 02:00, and 02:00 becomes 03:00. */
const DAYS = [
  { at: '2026-10-24T21:59:59.999Z', zone: 'Europe/Berlin', day: '2026-10-24' },
  { at: '2026-10-24T22:00:00Z', zone: 'Europe/Berlin', day: '2026-10-25' },
  { at: '2026-10-25T00:30:00Z', zone: 'Europe/Berlin', day: '2026-10-25' },
  { at: '2026-10-25T22:59:59.999Z', zone: 'Europe/Berlin', day: '2026-10-25' },
  { at: '2026-10-25T23:00:00Z', zone: 'Europe/Berlin', day: '2026-10-26' },
  { at: '2026-03-28T22:59:59.999Z', zone: 'Europe/Berlin', day: '2026-03-28' },
  { at: '2026-03-28T23:00:00Z', zone: 'Europe/Berlin', day: '2026-03-29' },
  { at: '2026-03-29T21:59:59.999Z', zone: 'Europe/Berlin', day: '2026-03-29' },
  { at: '2026-03-29T22:00:00Z', zone: 'Europe/Berlin', day: '2026-03-30' },
  { at: '2026-10-25T23:59:59.999Z', zone: 'UTC', day: '2026-10-25' },
  { at: '2026-10-26T00:00:00Z', zone: 'UTC', day: '2026-10-26' },
  { at: '2026-01-01T10:00:00Z', zone: 'Pacific/Kiritimati', day: '2026-01-02' },
];

for (const { at, zone, day } of DAYS) {
  test(`${at} is ${day} in ${zone}`, () => {
    expect(dayAt(Date.parse(at), zone)).toBe(day);
  });
}

test('zones of the list are known and others are not', () => {
  for (const zone of ['UTC', 'Europe/Berlin', 'Europe/London']) expect(isZone(zone)).toBe(true);
  for (const zone of ['Europe/Tarnwick', '', 'half past two']) expect(isZone(zone)).toBe(false);
});

test('a day is one that exists', () => {
  for (const day of ['2026-02-28', '2028-02-29']) expect(isDay(day)).toBe(true);
  for (const day of ['2026-02-29', '2026-02-30', '2026-13-01', '2026-1-1', 'soon', '2026-02-28T'])
    expect(isDay(day)).toBe(false);
});

test('days are counted over months, years and changes of the clock', () => {
  expect(dayAfter('2026-12-31', 1)).toBe('2027-01-01');
  expect(dayAfter('2026-10-25', 1)).toBe('2026-10-26');
  expect(daysBetween('2026-03-28', '2026-03-30')).toBe(2);
  expect(daysBetween('2026-03-30', '2026-03-28')).toBe(-2);
});

test('keys sort as the times they stand for, a day before every instant in it', () => {
  const zone = 'Europe/Berlin';
  const rising = [
    timeKey('2026-10-25', zone),
    timeKey('2026-10-24T22:00:00Z', zone), // midnight in Berlin
    timeKey('2026-10-25T00:30:00Z', zone), // 02:30 in summer
    timeKey('2026-10-25T01:30:00Z', zone), // 02:30 in winter
    instantKey(Date.parse('2026-10-25T22:59:59Z'), zone),
    timeKey('2026-10-26', zone),
  ];
  expect(rising).not.toContain(undefined);
  expect([...rising].sort()).toEqual(rising);
  for (const other of ['soon', '2026-02-30', '2026-10-25 12:00']) {
    expect(timeKey(other, zone)).toBeUndefined();
  }
});
