import { expect, test } from 'vitest';
import { askedIn, commandIn, givenIn, logInIn, tabIn } from '../../src/serve/asked.js';

const commands: readonly unknown[] = [
  { kind: 'scan', text: 'H12-26-04711', language: 'de' },
  { kind: 'scan', text: 'H12-26-04711', language: 'de', faults: ['weak-magnets:severe'] },
  { kind: 'acknowledge', hazard: 'crushing', heldFor: 2001, language: 'zh' },
  { kind: 'start' },
  { kind: 'arranged' },
  { kind: 'stop' },
  { kind: 'next' },
  { kind: 'look' },
];
for (const command of commands) {
  test(`${JSON.stringify(command)} is read, and what else was sent is left out`, () => {
    expect(commandIn({ ...(command as object), power: 'on' })).toEqual(command);
  });
}

const wrong: readonly unknown[] = [
  undefined,
  null,
  'stop',
  [],
  {},
  { kind: 'energize' },
  { kind: 'scan', language: 'en' },
  { kind: 'scan', text: 'x'.repeat(5000), language: 'en' },
  { kind: 'scan', text: 'a', language: 'en', faults: 'all' },
  { kind: 'scan', text: 'a', language: 'en', faults: [1] },
  { kind: 'scan', text: 'a', language: 'en', faults: Array(17).fill('a') },
  { kind: 'acknowledge', hazard: 'heat', heldFor: 2001, language: 'en' },
  { kind: 'acknowledge', hazard: 'crushing', heldFor: '2001', language: 'en' },
];
for (const command of wrong) {
  test(`${(command === undefined ? 'nothing' : JSON.stringify(command)).slice(0, 80)} is no command`, () => {
    expect(() => commandIn(command)).toThrow(/^page\/request: /u);
  });
}

test('a log-in names a place, and texts of a sane length', () => {
  const given = { id: 'OP-1', secret: '271828', place: 'bench' };
  expect(logInIn(given)).toEqual({ wish: { id: 'OP-1', secret: '271828' }, place: 'bench' });
  expect(logInIn({ name: 'operator 17', place: 'desk' }).wish).toEqual({ name: 'operator 17' });
  for (const other of [
    { ...given, place: 'home' },
    { ...given, secret: 7 },
    { ...given, id: 'x'.repeat(300) },
  ]) {
    expect(() => logInIn(other)).toThrow(/^page\/request: /u);
  }
});

test('a tab has a name that reads like one', () => {
  expect(tabIn({ tab: '123-456-789' })).toBe('123-456-789');
  for (const tab of ['', 'short', 'x'.repeat(65), '../../..', 7, undefined]) {
    expect(() => tabIn({ tab })).toThrow(/^page\/request: /u);
  }
});

test('arguments of a reading are texts', () => {
  expect(givenIn(askedIn({ serial: 'H12' }))).toEqual({ serial: 'H12' });
  expect(() => givenIn({ serial: ['H12'] })).toThrow(/^page\/request: /u);
});
