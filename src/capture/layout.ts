import type { Json } from '../base/canonical.js';
import { hertz, radian, torquePerSecond } from '../base/units.js';
import { CHANNELS } from '../bench/bench.js';
import type { Channel } from '../bench/bench.js';
import type { Fixture } from '../procedure/procedure.js';
import type { Take } from './capture.js';

/** Everything of a take but its samples, with the stage it belongs to and its place there, from 1. */
export interface Heading {
  readonly stage: string;
  readonly place: number;
  readonly channels: readonly Channel[];
  readonly take: Omit<Take, 'channels'>;
}

/** Writes a heading as JSON with units in the names. */
export function headingToJson({ stage, place, channels, take }: Heading): Json {
  const { settings, device, clock } = take;
  return {
    stage,
    take: place,
    smoothing: settings.smoothing,
    fixture: settings.fixture,
    angle_rad: settings.angle ?? null,
    slew_Nm_per_s: settings.slew ?? null,
    rate_Hz: take.rate,
    expected: take.expected,
    channels,
    gaps: take.gaps.map(({ at, samples }) => ({ at, samples })),
    misplaced: take.misplaced ?? null,
    clock: clock === undefined ? null : { skew: clock.skew, departure_s: clock.departure },
    device: {
      updates: device.updates,
      missing: device.missing,
      link_lost: device.linkLost ?? null,
      gap_s: device.gap ?? null,
      jitter_s: device.jitter ?? null,
      duty: device.duty ?? null,
      time_s: device.time,
      fault: device.fault,
    },
  };
}

const FIXTURES: readonly Fixture[] = ['coupled', 'uncoupled', 'shunt', 'timing', 'shunt-negative'];

/** Reads what `headingToJson` wrote. @throws plain Error that names the member at fault. */
export function headingFromJson(json: unknown): Heading {
  const top = record(json, 'take');
  const device = record(top['device'], 'device');
  const clock = top['clock'] === null ? undefined : record(top['clock'], 'clock');
  const misplaced = top['misplaced'] === null ? undefined : count(top, 'misplaced');
  return {
    stage: text(top, 'stage'),
    place: count(top, 'take'),
    channels: list(top, 'channels').map((name) => member(name, CHANNELS)),
    take: {
      settings: {
        smoothing: count(top, 'smoothing'),
        fixture: member(top['fixture'], FIXTURES),
        ...optional(top, 'angle_rad', (angle) => ({ angle: radian(angle) })),
        ...optional(top, 'slew_Nm_per_s', (slew) => ({ slew: torquePerSecond(slew) })),
      },
      rate: hertz(number(top, 'rate_Hz')),
      expected: count(top, 'expected'),
      gaps: list(top, 'gaps')
        .map((gap) => record(gap, 'gap'))
        .map((gap) => ({ at: count(gap, 'at'), samples: count(gap, 'samples') })),
      ...(misplaced === undefined ? {} : { misplaced }),
      ...(clock === undefined
        ? {}
        : { clock: { skew: number(clock, 'skew'), departure: number(clock, 'departure_s') } }),
      device: {
        updates: number(device, 'updates'),
        missing: number(device, 'missing'),
        ...optional(device, 'link_lost', (linkLost) => ({ linkLost })),
        ...optional(device, 'gap_s', (gap) => ({ gap })),
        ...optional(device, 'jitter_s', (jitter) => ({ jitter })),
        ...optional(device, 'duty', (duty) => ({ duty })),
        time: number(device, 'time_s'),
        fault: number(device, 'fault'),
      },
    },
  };
}

type Members = Readonly<Record<string, unknown>>;

function record(value: unknown, name: string): Members {
  if (typeof value === 'object' && value !== null && !Array.isArray(value)) return value as Members;
  throw new Error(`${name} is no mapping`);
}

function list(members: Members, name: string): readonly unknown[] {
  const value = members[name];
  if (Array.isArray(value)) return value;
  throw new Error(`${name} is no list`);
}

function text(members: Members, name: string): string {
  const value = members[name];
  if (typeof value === 'string') return value;
  throw new Error(`${name} is no text`);
}

function number(members: Members, name: string): number {
  const value = members[name];
  if (typeof value === 'number' && Number.isFinite(value)) return value;
  throw new Error(`${name} is no finite number`);
}

/** A member that may be null, or missing in files of an earlier version. */
function optional<T extends object>(
  members: Members,
  name: string,
  read: (value: number) => T,
): T | object {
  return (members[name] ?? null) === null ? {} : read(number(members, name));
}

function count(members: Members, name: string): number {
  const value = number(members, name);
  if (Number.isSafeInteger(value) && value >= 0) return value;
  throw new Error(`${name} is no count`);
}

function member<T extends string>(value: unknown, allowed: readonly T[]): T {
  const found = allowed.find((one) => one === value);
  if (found !== undefined) return found;
  throw new Error(`${JSON.stringify(value)} is none of ${allowed.join(', ')}`);
}
