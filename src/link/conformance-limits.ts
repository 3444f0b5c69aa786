import { shown } from './conformance-adapter.js';
import {
  type CheckGround,
  type CheckResult,
  type ConformanceCheck,
  notApplicable,
  notOk,
  ok,
  sum,
} from './conformance-check.js';
import { numberIn } from './conformance-hello.js';
import {
  called,
  heldWaveform,
  isOn,
  levelOf,
  limited,
  loaded,
  powered,
  updatesOf,
} from './conformance-power.js';

/** N·m and s that no device can hold; asked for with power off. */
export const TOO_MUCH = { ceiling: 1e6, deadMan: 1e4 } as const;
/** s that no dead-man can keep. */
const TOO_SHORT = 1e-6;

/** Checks of limits, power and waveforms before anything plays. */
export const LIMITS_CHECKS: readonly ConformanceCheck[] = [
  {
    name: 'limits',
    right:
      'ceiling and dead-man are clipped to what the device holds, and read back as they are held',
    fix: 'Set them in the device, read them back from it, and reply with what was read.',
    energizes: false,
    roles: ['drive'],
    look: lookAtLimits,
  },
  {
    name: 'odd-limits',
    right: 'a ceiling or dead-man that is no number above 0 is refused',
    fix: 'Look at the values before the device gets them.',
    energizes: false,
    roles: ['drive'],
    look: lookAtOddLimits,
  },
  {
    name: 'power-before-limits',
    right: 'energize is refused until limits were set and read back',
    fix: 'Remember whether limits were set, and refuse power before.',
    energizes: true, // it should not; what does not conform may
    roles: ['drive'],
    look: lookAtPowerBeforeLimits,
  },
  {
    name: 'ceiling-under-power',
    right: 'limits are refused while power is on',
    fix: 'Refuse "limit" unless power is off, so that nothing raises a ceiling under torque.',
    energizes: true,
    roles: ['drive'],
    look: lookAtCeilingUnderPower,
  },
  {
    name: 'waveform-read-back',
    right: 'load is answered after the last part, with the updates and the peak that were sent',
    fix: 'Read the waveform back from the device, and reply with its length and largest magnitude.',
    energizes: true,
    roles: ['drive'],
    look: lookAtWaveformReadBack,
  },
  {
    name: 'waveform-above-ceiling',
    right: 'a waveform with one value above the ceiling is refused, and start after it too',
    fix: 'Look at every value, positive and negative, before the device gets any of them.',
    energizes: true,
    roles: ['drive'],
    look: lookAtWaveformAboveCeiling,
  },
  {
    name: 'out-of-place',
    right: 'a request at the wrong moment is refused with ok: false, and the adapter stays alive',
    fix: 'Refuse what cannot be done now; end only for frames that are void.',
    energizes: false,
    roles: ['drive'],
    look: lookAtOutOfPlace,
  },
  {
    name: 'device-dead-man',
    right:
      'the device takes torque away by itself without a feed, and tells within what range it can',
    fix: 'Give the adapter a dead-man, or state in the bench description how little torque it may have.',
    energizes: false,
    roles: ['drive'],
    look: lookAtDeviceDeadMan,
  },
];

async function lookAtLimits(ground: CheckGround): Promise<CheckResult> {
  const { adapter, hello } = await called(ground);
  const [shortest, longest] = range(hello.drive['deadMan_s']);
  const most = await limited(adapter, TOO_MUCH.ceiling, TOO_MUCH.deadMan);
  const least = await limited(adapter, ground.ceiling, TOO_SHORT);
  const again = await limited(adapter, ground.ceiling);
  const { ceiling } = again;
  const asked = `${TOO_MUCH.ceiling} N·m, ${TOO_MUCH.deadMan} s`;
  return sum(
    [
      ...(most.ceiling < TOO_MUCH.ceiling && most.deadMan <= (longest ?? most.deadMan)
        ? []
        : [`Asked for ${asked}, it reads back ${most.ceiling} N·m, ${most.deadMan} s.`]),
      ...(least.deadMan >= (shortest ?? 0)
        ? []
        : [`Asked for ${TOO_SHORT} s, it reads back ${least.deadMan} s.`]),
      ...(ceiling > 0 && ceiling <= ground.ceiling
        ? []
        : [`Asked for ${ground.ceiling} N·m, it reads back ${ceiling} N·m.`]),
      ...((await isOn(adapter)) ? ['Power is on after that.'] : []),
    ],
    `Asked for ${asked}, it holds ${most.ceiling} N·m, ${most.deadMan} s; of ${ground.ceiling} N·m ${ceiling} N·m.`,
  );
}

async function lookAtOddLimits(ground: CheckGround): Promise<CheckResult> {
  const { adapter } = await called(ground);
  const odd = [0, -1, '1 N·m', null, [1]];
  const faults: string[] = [];
  for (const value of odd) {
    const reply = await adapter.ask('limit', { ceiling_Nm: value, deadMan_s: 0.1 });
    if (reply['ok'] === true) faults.push(`A ceiling of ${shown(value)} was taken.`);
  }
  return sum(faults, `All ${odd.length} were refused.`);
}

async function lookAtPowerBeforeLimits(ground: CheckGround): Promise<CheckResult> {
  const { adapter } = await called(ground);
  const reply = await adapter.ask('energize');
  if (reply['ok'] === true) return notOk('It was granted before any limit was set.');
  if (await isOn(adapter)) return notOk('It was refused, and power is on.');
  return ok(`It was refused: ${shown(reply['what'])}.`);
}

async function lookAtCeilingUnderPower(ground: CheckGround): Promise<CheckResult> {
  const { adapter, limits } = await powered(ground);
  const wanted = 2 * limits.ceiling;
  const reply = await adapter.ask('limit', { ceiling_Nm: wanted, deadMan_s: 0.1 });
  if (reply['ok'] !== true) return ok(`It was refused: ${shown(reply['what'])}.`);
  return notOk(`${wanted} N·m were taken over ${limits.ceiling} N·m with power on.`);
}

async function lookAtWaveformReadBack(ground: CheckGround): Promise<CheckResult> {
  const on = await powered(ground);
  const level = levelOf(on.limits);
  const held = [
    [0.3 * level, 0.05],
    [-0.62 * level, 0.05],
    [0.1 * level, 0.05],
  ] as const;
  const values = heldWaveform(held, updatesOf(on.hello));
  const reply = await loaded(on, values, 2);
  if (reply['ok'] !== true) return notOk(`It was refused: ${shown(reply['what'])}.`);
  const sent = { updates: values.length, peak: Math.max(...values.map(Math.abs)) };
  const back = { updates: numberIn(reply, 'updates'), peak: numberIn(reply, 'peak_Nm') };
  const words = `Sent were ${sent.updates} updates with a peak of ${sent.peak} N·m; read back ${back.updates} and ${back.peak} N·m.`;
  return sent.updates === back.updates && sent.peak === back.peak ? ok(words) : notOk(words);
}

async function lookAtWaveformAboveCeiling(ground: CheckGround): Promise<CheckResult> {
  const on = await powered(ground);
  const faults: string[] = [];
  for (const sign of [1, -1]) {
    const torque = 1.2 * sign * on.limits.ceiling;
    const values = [...heldWaveform([[levelOf(on.limits), 0.1]], updatesOf(on.hello)), torque, 0];
    const reply = await loaded(on, values);
    if (reply['ok'] === true)
      faults.push(`${torque} N·m were taken under ${on.limits.ceiling} N·m.`);
  }
  if (faults.length > 0) return notOk(faults.join(' ')); // nothing is started then
  const started = await on.adapter.ask('start');
  return started['ok'] === true
    ? notOk('The waveform was refused, but start was granted.')
    : ok(`±${1.2 * on.limits.ceiling} N·m were refused under ${on.limits.ceiling} N·m.`);
}

async function lookAtOutOfPlace(ground: CheckGround): Promise<CheckResult> {
  const { adapter } = await called(ground);
  const granted: string[] = [];
  for (const does of ['start', 'load']) {
    const members = does === 'load' ? { rate_Hz: 100, updates: 1, smoothing: 0, parts: 1 } : {};
    const id = adapter.post(does, members);
    if (does === 'load') adapter.waveform(0, [0]);
    if ((await adapter.answer(id, does))['ok'] === true) granted.push(does);
  }
  if (await isOn(adapter)) return notOk('Power is on after that.');
  if (granted.length > 0) return notOk(`With power off it granted ${granted.join(' and ')}.`);
  return ok('start and load were refused with power off; status was answered after that.');
}

function lookAtDeviceDeadMan({ hello }: CheckGround): Promise<CheckResult> {
  const [shortest, longest] = range(hello.drive['deadMan_s']);
  return Promise.resolve(
    shortest === undefined || longest === undefined
      ? notApplicable('It says that it has none; it may be given a safe-to-touch torque only.')
      : ok(`From ${shortest} s to ${longest} s.`),
  );
}

/** The range of a dead-man, s; nothing where there is none. */
export function range(told: unknown): readonly [number?, number?] {
  const [from, to] = Array.isArray(told) ? told.map(Number) : [];
  return from === undefined || to === undefined ? [] : [from, to];
}
