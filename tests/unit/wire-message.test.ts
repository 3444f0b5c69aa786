import fc from 'fast-check';
import { expect, test } from 'vitest';
import { MessageReader, type Members } from '../../src/link/message-reader.js';
import {
  readEnvironment,
  readHello,
  readIdentity,
  readMessage,
  readReport,
} from '../../src/link/wire-message.js';

const bytes = (text: string): Uint8Array => new TextEncoder().encode(text);
const message = (value: unknown) => readMessage(bytes(JSON.stringify(value)));

function read<T>(members: Members, reader: (from: MessageReader) => T) {
  const from = new MessageReader(members);
  return { told: reader(from), found: from.found };
}

test('replies, refusals and events are told apart', () => {
  expect(message({ re: 3, ok: true, x: 1 })).toMatchObject({ kind: 'reply', re: 3 });
  expect(message({ re: 3, ok: false, code: 'a/b', what: 'no\u0007pe' })).toEqual({
    ...{ kind: 'refusal', re: 3, code: 'a/b', what: 'no pe' },
  });
  expect(message({ event: 'fault', fault: 12, what: 'hot' })).toEqual({
    kind: 'event',
    event: { is: 'fault', fault: 12, what: 'hot' },
  });
  expect(message({ event: 'off', reason: 'feed', at_ns: 5 })).toMatchObject({ kind: 'event' });
  expect(message({ event: 'end', take: 2, samples: 400 })).toMatchObject({ kind: 'event' });
  const lines = { guard: 'closed', emergencyStop: 'released', presence: 'held' };
  expect(message({ event: 'lines', ...lines, coupling: null })).toEqual({
    kind: 'event',
    event: { is: 'lines', lines },
  });
});

const GARBLED = [
  ['{"re":1,"ok":true', 'sent no JSON'],
  ['[1]', 'sent JSON that is no mapping'],
  ['null', 'sent JSON that is no mapping'],
  ['{"re":-1,"ok":true}', 'with -1 as re, which is a whole number of 0 or more'],
  ['{"re":1}', 'without ok, which is true or false'],
  ['{"event":"party"}', 'with "party" as event, which is one of fault, off, lines, end, log'],
  ['{"event":"fault","fault":1e999,"what":""}', 'with Infinity as fault'],
  ['{"event":"lines","guard":"ajar","emergencyStop":"released","presence":"held"}', '"ajar"'],
  ['{"__proto__":{"re":1,"ok":true}}', 'without re'],
  [`{"re":${'['.repeat(100_000)}${']'.repeat(100_000)},"ok":true}`, 'with a list as re'],
] as const;

for (const [text, words] of GARBLED) {
  test(`${text.slice(0, 60)} is garbled`, () => {
    const found = readMessage(bytes(text));
    expect(found.kind).toBe('garbled');
    expect(JSON.stringify(found)).toContain(words.replaceAll('"', '\\"'));
  });
}

test('bytes that are no UTF-8 are garbled', () => {
  expect(readMessage(Uint8Array.of(0x7b, 0xff, 0x7d)).kind).toBe('garbled');
});

test('any JSON at all is read or refused, with 32 problems at most', () => {
  fc.assert(
    fc.property(fc.json(), fc.jsonValue(), (text, value) => {
      readMessage(bytes(text));
      const members = { ...(value as object) } as Members;
      const from = new MessageReader(members);
      readHello(from);
      readIdentity(from);
      readEnvironment(from);
      readReport(from);
      expect(from.found.length).toBeLessThanOrEqual(32);
    }),
    { numRuns: 200 },
  );
});

const DRIVE = {
  deadMan_s: [0.02, 0.5],
  maximumUpdates_Hz: 1000,
  smoothing: [0],
  setsSlew: false,
  silence: true,
  closedLoop: false,
  ceilingStep_Nm: 0,
};
const HELLO = {
  ...{ name: 'A', maker: 'B', version: '1', simulated: false, roles: ['drive'] },
  abilities: { drive: DRIVE },
};

test('a greeting is read with the abilities of its roles; a dead-man of null is none', () => {
  const { told, found } = read(HELLO, readHello);
  expect(found).toEqual([]);
  expect(told.drive?.deadMan).toEqual([0.02, 0.5]);
  expect(told.digitizer).toBeUndefined();
  const without = { ...HELLO, abilities: { drive: { ...DRIVE, deadMan_s: null } } };
  expect(read(without, readHello).told.drive?.deadMan).toBeUndefined();
});

test('all that is wrong with a greeting is told at once', () => {
  const drive = { ...DRIVE, deadMan_s: [0.1], setsSlew: 1, smoothing: ['x'] };
  const odd = { ...HELLO, simulated: 'no', roles: ['drive', 'cook'], abilities: { drive } };
  expect(read(odd, readHello).found).toEqual([
    'sent a message with "cook" as roles[1], which is one of drive, digitizer, interlock',
    'sent a message with a list as abilities.drive.deadMan_s, which is a list of least and most, or null',
    'sent a message with "x" as abilities.drive.smoothing[0], which is a finite number',
    'sent a message with 1 as abilities.drive.setsSlew, which is true or false',
    'sent a message with "no" as simulated, which is true or false',
  ]);
});

test('identity, surroundings and status are read; what a device does not tell stays untold', () => {
  const identity = { model: 'H12', serial: 'S', firmware: '1', firmwareDigest: 'd' };
  expect(read(identity, readIdentity).told).toEqual(identity);
  const around = { ambient_C: 23, humidity: 0.5, supply_V: 24, poweredFor_s: 10 };
  expect(read(around, readEnvironment).told).toEqual({
    ...{ ambient: 23, humidity: 0.5, supply: 24, poweredFor: 10 },
  });
  expect(read({ ...around, humidity: 40 }, readEnvironment).found).toEqual([
    'sent a message with 40 as humidity, which is a finite number of 0 or more and at most 1',
  ]);
  const status = { updates: 1, missing: 0, time_s: 1, fault: 0, torqueEnabled: true, gap_s: 0.1 };
  expect(read(status, readReport).told).toEqual({
    ...{ updates: 1, missing: 0, time: 1, fault: 0, torqueEnabled: true, gap: 0.1 },
  });
});
