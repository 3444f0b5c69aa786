import { type AdapterProcess, type Message, shown } from './conformance-adapter.js';
import {
  type CheckGround,
  type CheckResult,
  type ConformanceCheck,
  notOk,
  ok,
  sum,
} from './conformance-check.js';
import { type AdapterHello, callAdapter, channelsOf } from './conformance-hello.js';
import { called } from './conformance-power.js';

const isNumber = (value: unknown): value is number => Number.isFinite(value);
const isText = (value: unknown): boolean => typeof value === 'string' && value.trim() !== '';

/** Units by channel: what is sent in another is another quantity. */
const CHANNEL_UNITS: Readonly<Record<string, string>> = {
  command: 'N·m',
  current: 'A',
  torque: 'N·m',
  supply: 'V',
  winding: '°C',
  sound: 'Pa',
};
const FIXTURES = ['coupled', 'uncoupled', 'shunt', 'timing', 'shunt-negative'];
const ROLES = ['drive', 'digitizer', 'interlock'];

/** Checks of what an adapter says of itself. None applies power. */
export const GREETING_CHECKS: readonly ConformanceCheck[] = [
  {
    name: 'hello',
    right:
      'hello {protocol: [1]} is answered with protocol 1, name, maker, version, simulated and roles',
    fix: 'Tell all of them, the texts not empty, simulated as true or false.',
    energizes: false,
    roles: [],
    look: lookAtHello,
  },
  {
    name: 'other-version',
    right: 'hello {protocol: [2]} is refused with ok: false',
    fix: 'Look whether the list of hello holds a version that the adapter speaks.',
    energizes: false,
    roles: [],
    look: lookAtOtherVersion,
  },
  {
    name: 'abilities',
    right: 'the abilities of every role are told, complete, and do not contradict each other',
    fix: 'Tell each ability of the roles under "abilities", in the unit of its name.',
    energizes: false,
    roles: [],
    look: lookAtAbilities,
  },
  {
    name: 'units',
    right: 'every channel is in the unit of its name: N·m, A, N·m, V, °C, Pa',
    fix: 'Convert in the adapter, and tell the unit as it is written in the guide.',
    energizes: false,
    roles: ['digitizer'],
    look: ({ hello }) => Promise.resolve(unitsResult(hello)),
  },
  {
    name: 'identity',
    right: 'identify says the same each time, with model, serial, firmware and a SHA-256 of it',
    fix: 'Read the identity from the device; tell firmwareDigest as 64 hexadecimal digits.',
    energizes: false,
    roles: [],
    look: lookAtIdentity,
  },
  {
    name: 'environment',
    right: 'ambient_C from −40 to 85, humidity from 0 to 1, supply_V from 0',
    fix: 'Tell humidity as a share of 1, temperature in °C, supply in V.',
    energizes: false,
    roles: ['digitizer'],
    look: lookAtEnvironment,
  },
  {
    name: 'interlocks',
    right: 'lines are told on request, at most 0.2 s old, and unasked at least every 50 ms',
    fix: 'Read the lines in a thread of their own; send "lines" on every change and every 50 ms.',
    energizes: false,
    roles: ['interlock'],
    look: lookAtInterlocks,
  },
  {
    name: 'bye',
    right: 'bye is answered, then the adapter ends with status 0 within 500 ms',
    fix: 'Reply, write what is still to be written, then exit 0.',
    energizes: false,
    roles: [],
    look: lookAtBye,
  },
];

async function lookAtHello(ground: CheckGround): Promise<CheckResult> {
  const adapter = ground.start();
  const hello = await adapter.grant('hello', { protocol: [1], runner: 'stallmark' }, 2000);
  const { roles } = ground.hello;
  const faults = [
    ...(hello['protocol'] === 1 ? [] : [`protocol is ${shown(hello['protocol'])}.`]),
    ...['name', 'maker', 'version']
      .filter((name) => !isText(hello[name]))
      .map((name) => `${name} is ${shown(hello[name])}.`),
    ...(typeof hello['simulated'] === 'boolean'
      ? []
      : [`simulated is ${shown(hello['simulated'])}.`]),
    ...roles.filter((role) => !ROLES.includes(role)).map((role) => `There is no role "${role}".`),
    ...(roles.length === 0 ? ['It has no role.'] : []),
  ];
  return sum(faults, `"${ground.hello.name}" is ${roles.join(', ')} in protocol 1.`);
}

async function lookAtOtherVersion(ground: CheckGround): Promise<CheckResult> {
  const reply = await ground.start().ask('hello', { protocol: [2], runner: 'stallmark' }, 2000);
  if (reply['ok'] === false) return ok(`It was refused: ${shown(reply['what'])}.`);
  return notOk(`It was granted with protocol ${shown(reply['protocol'])}.`);
}

function lookAtAbilities({ hello }: CheckGround): Promise<CheckResult> {
  const faults = [
    ...(hello.roles.includes('drive') ? driveFaults(hello.drive) : []),
    ...(hello.roles.includes('digitizer') ? digitizerFaults(hello.digitizer) : []),
  ];
  return Promise.resolve(sum(faults, 'All of them are there.'));
}

async function lookAtIdentity(ground: CheckGround): Promise<CheckResult> {
  if (!ground.hello.roles.includes('drive'))
    return { outcome: 'not applicable', found: 'It drives no item.' };
  const { adapter } = await called(ground);
  const first = await adapter.grant('identify');
  const second = await adapter.grant('identify');
  const [one, other] = [told(first), told(second)];
  const digest = first['firmwareDigest'];
  return sum(
    [
      ...(one === other ? [] : [`First ${one}, then ${other}.`]),
      ...['model', 'serial', 'firmware']
        .filter((name) => !isText(first[name]))
        .map((name) => `${name} is ${shown(first[name])}.`),
      ...(typeof digest === 'string' && /^[0-9a-f]{64}$/iu.test(digest)
        ? []
        : [`firmwareDigest is ${shown(digest)}.`]),
    ],
    `Twice ${shown(first['model'])} ${shown(first['serial'])}, firmware ${shown(first['firmware'])}.`,
  );
}

async function lookAtEnvironment(ground: CheckGround): Promise<CheckResult> {
  const { adapter } = await called(ground);
  const told_ = await adapter.grant('environment');
  return sum(
    [
      ...outside(told_, 'ambient_C', -40, 85),
      ...outside(told_, 'humidity', 0, 1),
      ...outside(told_, 'supply_V', 0, 1000),
    ],
    `${shown(told_['ambient_C'])} °C, humidity ${shown(told_['humidity'])}, ${shown(told_['supply_V'])} V.`,
  );
}

async function lookAtInterlocks(ground: CheckGround): Promise<CheckResult> {
  const { adapter } = await called(ground);
  const reply = await adapter.grant('interlocks');
  return sum(
    [...lineFaults(reply), ...outside(reply, 'age_s', 0, 0.2), ...(await silence(adapter))],
    `Guard ${shown(reply['guard'])}, emergency stop ${shown(reply['emergencyStop'])}; told in time.`,
  );
}

async function lookAtBye(ground: CheckGround): Promise<CheckResult> {
  const adapter = ground.start();
  await callAdapter(adapter);
  await adapter.grant('bye');
  const exit = await adapter.ends();
  if (exit === undefined) return notOk('It was answered; the adapter still runs after 500 ms.');
  return exit.status === 0
    ? ok('It ended with status 0.')
    : notOk(`It ended with status ${String(exit.status)}.`);
}

/** What a reply says besides the id it answers. */
const told = (reply: Message): string => JSON.stringify({ ...reply, re: undefined });

function outside(message: Message, name: string, least: number, most: number): readonly string[] {
  const value = message[name];
  if (isNumber(value) && value >= least && value <= most) return [];
  return [`${name} is ${shown(value)}, not from ${least} to ${most}.`];
}

function flags(message: Message, names: readonly string[]): readonly string[] {
  return names
    .filter((name) => typeof message[name] !== 'boolean')
    .map((name) => `${name} is ${shown(message[name])}, neither true nor false.`);
}

function driveFaults(drive: Message): readonly string[] {
  const { deadMan_s: deadMan, smoothing } = drive;
  const faults = [...flags(drive, ['setsSlew', 'silence', 'closedLoop'])];
  const isRange =
    Array.isArray(deadMan) &&
    deadMan.length === 2 &&
    deadMan.every(isNumber) &&
    Number(deadMan[0]) > 0 &&
    Number(deadMan[0]) <= Number(deadMan[1]);
  if (deadMan !== null && !isRange) {
    faults.push(`deadMan_s is ${shown(deadMan)}, neither null nor [least, most] above 0 s.`);
  }
  const settings = Array.isArray(smoothing) ? smoothing : [];
  if (
    settings.length === 0 ||
    !settings.every((one) => Number.isSafeInteger(one) && Number(one) >= 0)
  ) {
    faults.push(`smoothing is ${shown(smoothing)}, no list of settings such as [0, 1, 2].`);
  }
  return [
    ...faults,
    ...outside(drive, 'maximumUpdates_Hz', 1, 1e6),
    ...outside(drive, 'ceilingStep_Nm', 0, 1e6),
  ];
}

function digitizerFaults(digitizer: Message): readonly string[] {
  const { rates_Hz: rates, fixtures, indexing, channels } = digitizer;
  const faults = [...flags(digitizer, ['trigger', 'marksStop'])];
  const isRates =
    Array.isArray(rates) && rates.length > 0 && rates.every((rate) => isNumber(rate) && rate > 0);
  if (!isRates) faults.push(`rates_Hz is ${shown(rates)}, no list of numbers above 0.`);
  const list = Array.isArray(fixtures) ? fixtures.map(String) : [];
  if (list.length === 0 || !list.every((one) => FIXTURES.includes(one))) {
    faults.push(`fixtures is ${shown(fixtures)}, not out of ${FIXTURES.join(', ')}.`);
  }
  if (!['bench', 'operator', 'none'].includes(String(indexing))) {
    faults.push(`indexing is ${shown(indexing)}, not bench, operator or none.`);
  }
  if (!Array.isArray(channels) || channels.length === 0) faults.push('It tells no channels.');
  return faults;
}

function unitsResult(hello: AdapterHello): CheckResult {
  const channels = channelsOf(hello);
  const faults = channels.flatMap(({ name, unit }) => {
    const right = CHANNEL_UNITS[name];
    if (right === undefined) return [`There is no channel "${name}".`];
    return unit === right ? [] : [`"${name}" is in ${unit}, not in ${right}.`];
  });
  const names = channels.map(({ name }) => name);
  const twice = names.filter((name, i) => names.indexOf(name) !== i);
  return sum(
    [...faults, ...twice.map((name) => `"${name}" is told twice.`)],
    channels.map(({ name, unit }) => `${name} in ${unit}`).join(', '),
  );
}

const LINES: Readonly<Record<string, readonly string[]>> = {
  guard: ['closed', 'open', 'contradictory'],
  emergencyStop: ['released', 'pressed', 'contradictory'],
  presence: ['held', 'released', 'contradictory'],
};

function lineFaults(reply: Message): readonly string[] {
  return Object.entries(LINES)
    .filter(([name, words]) => !words.includes(String(reply[name])))
    .map(([name, words]) => `${name} is ${shown(reply[name])}, not ${words.join(', ')}.`);
}

/** ms between two events at most: 50, and as much again for this computer. */
const LINES_EVERY = 100;

/** Listens for half a second. */
async function silence(adapter: AdapterProcess): Promise<readonly string[]> {
  const from = adapter.now();
  await adapter.until(() => false, 500);
  const at = adapter.events
    .filter(({ message }) => message['event'] === 'lines')
    .map((event) => event.at)
    .filter((instant) => instant >= from);
  const ends = [from, ...at, adapter.now()];
  const longest = Math.max(...ends.slice(1).map((end, i) => end - (ends[i] ?? from)));
  if (longest <= LINES_EVERY) return [];
  return [
    `${at.length} "lines" came within 500 ms, the longest silence was ${Math.round(longest)} ms.`,
  ];
}
