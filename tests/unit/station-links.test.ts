import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { readStation } from '../../src/procedure/schema.js';
import { IN_VOLTS, linkedStation, linkedText, wireText } from '../support/linked-station.js';

const digest = (file: string): string => {
  const known = /[0-9a-f]{64}/u.exec(
    problemsOf(linkedText(mixed('0'.repeat(64), '0'.repeat(64))))
      .filter(({ what }) => what.includes(file))
      .map(({ what }) => what)
      .join(),
  );
  return known?.[0] ?? '';
};

function mixed(generator: string, digitizer: string): string {
  return `kind: emulated
links:
  generator: { protocol: scpi, tcp: '127.0.0.1:5025', dialect: generator.yaml, digest: '${generator}' }
  scope: { protocol: scpi, tcp: '127.0.0.1:5026', dialect: digitizer.yaml, digest: '${digitizer}' }
  guard:
    protocol: modbus
    tcp: 127.0.0.1:1502
    unit: 1
    heartbeat: 0
    lines: { guard: [0, 1], emergency-stop: [2, 3], presence: [4, 5], coupling: [6, 7] }
  servo:
    protocol: cia402
    serial: { path: /dev/ttyACM0, baud: 1000000 }
    bit-rate: 1000000
    node: 5
    host-node: 127
    sync: 1 ms
    objects: { smoothing: '2101:00', serial: '2103:00' }
roles: { drive: generator, digitizer: scope, interlock: guard }
${IN_VOLTS}`;
}

const fitting = (): string => linkedText(mixed(digest('generator.yaml'), digest('digitizer.yaml')));

function problemsOf(text: string): readonly Problem[] {
  try {
    readStation(text, 'procedures/links/b.yaml', (name) => {
      try {
        return readFileSync(`procedures/links/${name}`);
      } catch {
        return undefined; // that there is no such file is what some of these tests are about
      }
    });
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
  return [];
}

/** What is said of the fitting text with one place changed. */
function said(old: string, now: string, text = fitting()): readonly string[] {
  expect(text).toContain(old);
  return problemsOf(text.replace(old, () => now)).map(({ code, what }) => `${code}: ${what}`);
}

test('links of four protocols are read with their places, inputs and objects', () => {
  const { links, kind } = linkedStation(fitting());
  expect(kind).toBe('emulated');
  expect([...links.links.keys()]).toEqual(['generator', 'scope', 'guard', 'servo']);
  expect(links.roles).toEqual({ drive: 'generator', digitizer: 'scope', interlock: 'guard' });
  expect(links.channels.get('torque')).toEqual({ input: 3, perVolt: 2, at0V: 0 });
  expect(links.timing).toEqual({ method: 'command', uncertainty: 20e-6 });
  expect(links.links.get('guard')).toEqual({
    ...{ protocol: 'modbus', place: { kind: 'tcp', host: '127.0.0.1', port: 1502 } },
    ...{ unit: 1, heartbeat: 0 },
    lines: { guard: [0, 1], emergencyStop: [2, 3], presence: [4, 5], coupling: [6, 7] },
  });
  expect(links.links.get('servo')).toEqual({
    ...{ protocol: 'cia402', bitRate: 1_000_000, node: 5, hostNode: 127, sync: 0.001, buffer: 0 },
    place: { kind: 'serial', path: '/dev/ttyACM0', baud: 1_000_000 },
    objects: new Map([
      ['smoothing', 0x2101_00],
      ['serial', 0x2103_00],
    ]),
  });
  expect(links.links.get('scope')).toMatchObject({
    protocol: 'scpi',
    dialect: { role: 'digitizer' },
  });
});

test('an adapter is a command', () => {
  const { links } = linkedStation(wireText("command: [python3, adapter.py, '{serial}']"));
  expect(links.links.get('stand')).toEqual({
    protocol: 'wire',
    place: { kind: 'command', command: ['python3', 'adapter.py', '{serial}'] },
  });
});

test('a simulated bench has no links, another kind has all of them', () => {
  expect(said('kind: emulated', 'kind: simulated').filter((one) => one.includes('has no'))).toEqual(
    ['links', 'roles', 'channels', 'timing', 'safe-touch'].map(
      (key) => `link/document: A simulated bench has no "${key}": its plant runs in this program.`,
    ),
  );
  expect(said('safe-touch: 0.5 N·m\n', '')).toEqual([
    'link/document: A bench of kind "emulated" has no "safe-touch".',
  ]);
});

test('every fault of the links is told at once', () => {
  const text = fitting()
    .replace('drive: generator', 'drive: scope')
    .replace('interlock: guard', 'interlock: servo')
    .replace('current: { input: 2', 'current: { input: 3')
    .replace("tcp: '127.0.0.1:5026'", "tcp: '127.0.0.1:70000'");
  expect(
    problemsOf(text)
      .map(({ code, what }) => `${code}: ${what}`)
      .sort(),
  ).toEqual([
    'link/document: The dialect of the link "scope" is that of a digitizer, not of a drive.',
    'link/document: The link "servo" speaks cia402, which no interlock does.',
    'link/document: The port is 70000, but must be 1 … 65535.',
    'link/document: Two channels are read from input 3.',
  ]);
});

test.each([
  [
    'interlock: guard',
    'interlock: fence',
    'The interlock is the link "fence", which there is not.',
  ],
  [
    'dialect: generator.yaml',
    'dialect: none.yaml',
    'There is no dialect "none.yaml" beside procedures/links/b.yaml.',
  ],
  [
    '  torque: { input: 3, per-volt: 2 N·m }\n',
    '',
    'The digitizer measures in volts, and no input is stated for the channel "torque".',
  ],
  [
    "generator: { protocol: scpi, tcp: '127.0.0.1:5025'",
    'generator: { protocol: scpi',
    'The link has no place.',
  ],
])('%s → %s is refused', (old, now, sentence) => {
  expect(said(old, now)).toContain(`link/document: ${sentence}`);
});

test('the command needs no input where another method ties the capture to it', () => {
  const without = fitting().replace('  command: { input: 1, per-volt: 2 N·m }\n', '');
  expect(problemsOf(without)).toHaveLength(1);
  expect(said('method: command', 'method: trigger', without)).toEqual([]);
});

test('a dialect that was changed since it was looked at is refused with its digest', () => {
  const [problem] = problemsOf(fitting().replace(digest('generator.yaml'), 'f'.repeat(64)));
  expect(problem?.code).toBe('link/document');
  expect(problem?.fix).toContain(digest('generator.yaml'));
});

test('only an emulator is told which item it has', () => {
  const text = wireText("command: [adapter, '{serial}']", 'real');
  expect(problemsOf(text).map(({ what }) => what)).toContain(
    'The command is told {serial}: a device says itself who it is.',
  );
});
