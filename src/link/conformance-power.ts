import { StallmarkError } from '../base/error.js';
import type { AdapterProcess, Message } from './conformance-adapter.js';
import type { CheckGround } from './conformance-check.js';
import {
  type AdapterHello,
  callAdapter,
  channelsOf,
  fastestRate,
  numberIn,
} from './conformance-hello.js';

/** An adapter that was called. */
export interface CalledAdapter {
  readonly adapter: AdapterProcess;
  readonly hello: AdapterHello;
}

/** Starts and calls an adapter. @throws link/… */
export async function called(ground: CheckGround): Promise<CalledAdapter> {
  const adapter = ground.start();
  const hello = await callAdapter(adapter);
  const { name, simulated } = ground.hello;
  if (hello.name === name && hello.simulated === simulated) return { adapter, hello };
  // A person confirmed power for what was called first, and for nothing else.
  const what =
    `"${name}", simulated ${String(simulated)}, was called first; now "${hello.name}", simulated ` +
    `${String(hello.simulated)}, answers.`;
  const fix = 'Say the same of the device each time.';
  throw new StallmarkError([{ code: 'link/identity', what, fix }]);
}

/** Limits as the device reads them back. */
export interface HeldLimits {
  /** N·m */
  readonly ceiling: number;
  /** s; 0 where there is no dead-man. */
  readonly deadMan: number;
}

/** s without a feed that the suite asks for; each device clips it to what it can. */
const DEAD_MAN = 0.2;

/** Sets limits, power off, and reads them back. @throws link/… */
export async function limited(
  adapter: AdapterProcess,
  ceiling: number,
  deadMan = DEAD_MAN,
): Promise<HeldLimits> {
  const reply = await adapter.grant('limit', { ceiling_Nm: ceiling, deadMan_s: deadMan });
  return { ceiling: numberIn(reply, 'ceiling_Nm'), deadMan: numberIn(reply, 'deadMan_s') };
}

/** An adapter with power on at zero torque. */
export interface PoweredAdapter extends CalledAdapter {
  readonly limits: HeldLimits;
}

/**
 * Calls an adapter, arranges the stand, limits it and applies power at zero torque.
 *
 * @throws link/read-back when it holds a higher ceiling than was asked for: power stays off then.
 */
export async function powered(ground: CheckGround): Promise<PoweredAdapter> {
  const { adapter, hello } = await called(ground);
  if (hello.roles.includes('digitizer')) {
    await adapter.grant('arrange', { fixture: fixtureOf(hello), angle_rad: 0 }, 10_000);
  }
  const limits = await limited(adapter, ground.ceiling);
  if (!(limits.ceiling > 0 && limits.ceiling <= ground.ceiling)) {
    const what = `A ceiling of ${ground.ceiling} N·m was set; ${limits.ceiling} N·m is read back.`;
    const fix = 'Read back what the device holds, never more than it was asked for.';
    throw new StallmarkError([{ code: 'link/read-back', what, fix }]);
  }
  await adapter.grant('energize');
  return { adapter, hello, limits };
}

/** The locked shaft where there is one: only there torque shows. */
export function fixtureOf(hello: AdapterHello): string {
  const told = hello.digitizer['fixtures'];
  const fixtures = Array.isArray(told) ? told.map(String) : [];
  return fixtures.includes('coupled') ? 'coupled' : (fixtures[0] ?? 'coupled');
}

/** Share of the ceiling that the suite plays. */
const SHARE = 0.5;

export const levelOf = (limits: HeldLimits): number => SHARE * limits.ceiling;

/** Updates a second of what the suite plays. */
export function updatesOf(hello: AdapterHello): number {
  return Math.min(1000, numberIn(hello.drive, 'maximumUpdates_Hz'));
}

/** A torque, N·m, and how long it is held, s. */
export type Held = readonly [torque: number, seconds: number];

/** One value per update; begins and ends at zero torque. */
export function heldWaveform(parts: readonly Held[], updates: number): readonly number[] {
  const values = parts.flatMap(([torque, seconds]) =>
    Array.from({ length: Math.max(1, Math.round(seconds * updates)) }, () => torque),
  );
  return [0, ...values, 0];
}

/** Loads a waveform in `parts` frames. @returns The reply, granted or not. */
export async function loaded(
  { adapter, hello }: CalledAdapter,
  values: readonly number[],
  parts = 1,
): Promise<Message> {
  const { smoothing } = hello.drive;
  const [first] = Array.isArray(smoothing)
    ? smoothing.filter((one) => typeof one === 'number')
    : [];
  const order = { rate_Hz: updatesOf(hello), updates: values.length, smoothing: first ?? 0, parts };
  const id = adapter.post('load', order);
  const each = Math.ceil(values.length / parts);
  for (let part = 0; part < parts; part++) {
    adapter.waveform(part, values.slice(part * each, (part + 1) * each));
  }
  return adapter.answer(id, 'load');
}

/** A waveform that plays and is fed every 10 ms until `stop`. */
export interface Playing extends PoweredAdapter {
  /** N·m held. */
  readonly level: number;
  readonly rate: number;
  /** ms of this computer just before sample 0 was asked for. */
  readonly zeroAt: number;
  /** Feeds so far. */
  fed(): number;
  /** ms of this computer of the last feed. */
  lastFeed(): number;
  /** Feeds no more. */
  stop(): void;
}

const FEED_EVERY = 10; // ms

/** Arms where it can, starts what was loaded and feeds it. @param seconds - s of samples. @throws link/… */
export async function playing(powered_: PoweredAdapter, seconds: number): Promise<Playing> {
  const { adapter, hello, limits } = powered_;
  const rate = fastestRate(hello);
  const onTrigger = hello.digitizer['trigger'] === true;
  let zeroAt = adapter.now();
  if (hello.roles.includes('digitizer') && rate > 0) {
    const samples = Math.round(seconds * rate);
    await adapter.grant('arm', { samples, rate_Hz: rate, on: onTrigger ? 'trigger' : 'now' });
  }
  if (onTrigger) zeroAt = adapter.now();
  const started = adapter.post('start');
  let count = 0;
  let last = adapter.now();
  const feed = (): void => {
    adapter.control({ do: 'feed', seq: count++ });
    last = adapter.now();
  };
  const timer = setInterval(feed, FEED_EVERY);
  const stop = (): void => {
    clearInterval(timer);
  };
  const reply = await adapter.answer(started, 'start').catch((error: unknown) => {
    stop();
    throw error;
  });
  if (reply['ok'] !== true) {
    stop();
    const what = `"start" was refused: ${JSON.stringify(reply)}.`;
    const fix = 'Start what was loaded, while power is on.';
    throw new StallmarkError([{ code: 'link/refused', what, fix }]);
  }
  return {
    adapter,
    hello,
    limits,
    level: levelOf(limits),
    rate,
    zeroAt,
    fed: () => count,
    lastFeed: () => last,
    stop,
  };
}

/**
 * Brings the item to half the ceiling and keeps it there, fed, for `ms`.
 *
 * @throws link/ability when power is gone although it was fed.
 */
export async function holding(ground: CheckGround, ms: number): Promise<Playing> {
  const on = await powered(ground);
  const level = levelOf(on.limits);
  const values = heldWaveform([[level, LONGEST]], updatesOf(on.hello));
  const reply = await loaded(on, values);
  if (reply['ok'] !== true) {
    const what = `A waveform of ${level} N·m under a ceiling of ${on.limits.ceiling} N·m was refused: ${JSON.stringify(reply)}.`;
    const fix = 'Take what is within the limits that were read back.';
    throw new StallmarkError([{ code: 'link/refused', what, fix }]);
  }
  const play = await playing(on, LONGEST);
  await pause(play.adapter, ms);
  if (await isOn(play.adapter)) return play;
  play.stop();
  const what = `Power went off within ${ms} ms although a feed came every ${FEED_EVERY} ms.`;
  const fix = 'Count every feed, and let it put the dead-man back.';
  throw new StallmarkError([{ code: 'link/ability', what, fix }]);
}

/** s that a waveform of the suite lasts when nothing ends it. */
const LONGEST = 4;

/** Whether the report says that power is on. */
export async function isOn(adapter: AdapterProcess): Promise<boolean> {
  return (await adapter.grant('status'))['torqueEnabled'] === true;
}

/** Lets an adapter go on for a while; shorter when it ends. */
export async function pause(adapter: AdapterProcess, ms: number): Promise<void> {
  await adapter.until(() => false, ms);
}

/**
 * Ends a take and says when its torque was last there, s after sample 0; undefined without a
 * digitizer that has the torque, or when the torque was never there.
 */
export async function torqueUntil(play: Playing): Promise<number | undefined> {
  const { adapter, hello, level, rate } = play;
  const channel = channelsOf(hello).findIndex(({ name }) => name === 'torque');
  if (channel < 0 || rate === 0) return undefined;
  if (adapter.exit === undefined) {
    await adapter.grant('end');
    await adapter.until(() => adapter.event('end') !== undefined, 500);
  }
  const window = Math.max(1, Math.round(rate / 1000)); // means over 1 ms: noise is no torque
  const torque = channelOf(play, channel);
  for (let end = torque.length; end >= window; end -= window) {
    if (Math.abs(mean(torque.subarray(end - window, end))) > THERE * level) return end / rate;
  }
  return undefined;
}

/** Share of the level that counts as torque. */
const THERE = 0.4;

/** Samples of a channel in order; 0 where none came. */
export function channelOf({ adapter }: Playing, channel: number): Float64Array {
  const last = adapter.blocks.at(-1);
  const values = new Float64Array(Math.min(MOST_SAMPLES, last ? last.start + last.frames : 0));
  for (const { start, frames, channels, values: given } of adapter.blocks) {
    for (let i = 0; i < frames; i++) values[start + i] = given[i * channels + channel] ?? 0;
  }
  return values;
}

const MOST_SAMPLES = 10_000_000;

export function mean(values: Float64Array): number {
  return values.reduce((total, value) => total + value, 0) / Math.max(1, values.length);
}
