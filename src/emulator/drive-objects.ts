import type { Cia402Description } from '../procedure/links.js';
import { ABORT, type Abort, type ObjectDictionary, type ObjectEntry } from './object-dictionary.js';
import type { EmulatedStand } from './stand.js';

/** mN·m: rated torque, of which targets are per mille. */
export const RATED = 10_000;
const RATED_CURRENT = 20_000; // mA
/** Profile torque, the one mode there is. */
export const TORQUE_MODE = 4;
/** SYNC between two TPDO1. */
export const SYNCS = 10;

/** N·m of so many ‰ of the rated torque. */
export function torqueOf(perMille: number): number {
  return (perMille * RATED) / 1e6;
}

/** What was written to a drive, in the units of its objects. */
export class DriveSettings {
  mode = 0;
  /** ‰ */
  mostTorque = RATED;
  /** Whether it was written, so that power never comes with what others left behind. */
  isLimited = false;
  /** ‰/s; 0: as the item has it. */
  slope = 0;
  smoothing = 0;
  abortOption = 0;
  /** Node of the host << 16 | ms. */
  heartbeatOfHost = 0;
  /** ms between two heartbeats of the drive; 0: none. */
  heartbeat = 0;
  syncCob = 0x80;
  /** µs */
  syncPeriod = 0;
  /** Communication and mapping of the PDO, by object. */
  readonly mapped = new Map<number, number>();
}

/** What a dictionary shows besides settings. */
export interface DriveView {
  readonly node: number;
  readonly statusword: number;
  readonly errorCode: number;
  readonly errors: readonly number[];
  /** ‰ that were latched last. */
  readonly target: number;
  control(word: number): void;
  forgetErrors(): void;
}

type Stand = Pick<
  EmulatedStand,
  | ('identity' | 'environment' | 'report' | 'limit' | 'deadMan')
  | ('mostUpdates' | 'isEnergized' | 'isPlaying')
>;
type Entries = readonly (readonly [number, ObjectEntry])[];
type Size = 1 | 2 | 4;

/**
 * The objects of a drive: communication after CiA 301, profile torque after CiA 402 (both from memory), and the
 * maker's, where the description puts them.
 */
export function driveObjects(
  view: DriveView,
  settings: DriveSettings,
  stand: Stand,
  objects: Cia402Description['objects'],
): ObjectDictionary {
  return new Map([
    ...communication(view, settings, stand),
    ...mappings(view, settings.mapped),
    ...profile(view, settings, stand),
    ...makers(settings, stand, objects),
    ...counters(stand, objects.get('counters') ?? 0x2120_00),
  ]);
}

function communication(view: DriveView, settings: DriveSettings, stand: Stand): Entries {
  return [
    [0x1000_00, { size: 4, read: () => 0x0002_0192 }],
    [0x1001_00, { size: 1, read: () => (view.errorCode === 0 ? 0 : 1) }],
    [0x1003_00, number(1, () => view.errors.length, forgetting(view))],
    ...Array.from({ length: 8 }, (_, i): [number, ObjectEntry] => [
      0x1003_01 + i,
      { size: 4, read: () => view.errors[i] ?? 0 },
    ]),
    [0x1005_00, kept(4, settings, 'syncCob')],
    [0x1006_00, number(4, () => settings.syncPeriod, settingPeriod(settings, stand))],
    [0x1008_00, { read: () => `SIMULATED ${stand.identity().model}` }],
    [0x1009_00, { read: () => stand.identity().revision ?? '' }],
    [0x100a_00, { read: () => stand.identity().firmware }],
    [0x1016_00, { size: 1, read: () => 1 }],
    [
      0x1016_01,
      number(4, () => settings.heartbeatOfHost, limiting(settings, stand, 'heartbeatOfHost')),
    ],
    [0x1017_00, kept(2, settings, 'heartbeat')],
    [0x1018_00, { size: 1, read: () => 4 }],
    ...[1, 2, 3, 4].map((sub): [number, ObjectEntry] => [
      0x1018_00 + sub,
      { size: 4, read: () => 0x5100 + sub },
    ]),
  ];
}

/** Communication and mapping of RPDO1 and TPDO1: what is written is read back. */
function mappings({ node }: DriveView, mapped: Map<number, number>): Entries {
  const sizes: readonly (readonly [number, Size, number])[] = [
    ...[0x1400, 0x1800].flatMap((index) => [
      [(index << 8) | 0, 1, 5] as const,
      [(index << 8) | 1, 4, index === 0x1400 ? 0x200 + node : 0x180 + node] as const,
      [(index << 8) | 2, 1, index === 0x1400 ? 1 : SYNCS] as const,
    ]),
    ...[0x1600, 0x1a00].flatMap((index) => [
      [(index << 8) | 0, 1, 0] as const,
      ...[1, 2, 3, 4].map((sub) => [(index << 8) | sub, 4, 0] as const),
    ]),
  ];
  return sizes.map(([key, size, initial]) => {
    const write = (value: number): undefined => {
      mapped.set(key, value);
    };
    return [key, number(size, () => mapped.get(key) ?? initial, write)];
  });
}

function profile(view: DriveView, settings: DriveSettings, stand: Stand): Entries {
  const target = (): number => view.target;
  const control = (word: number): undefined => {
    view.control(word);
  };
  return [
    [0x6007_00, kept(2, settings, 'abortOption')],
    [0x603f_00, { size: 2, read: () => view.errorCode }],
    [0x6040_00, number(2, () => 0, control)],
    [0x6041_00, { size: 2, read: () => view.statusword }],
    [0x6060_00, number(1, () => settings.mode, settingMode(settings))],
    [0x6061_00, { size: 1, read: () => settings.mode }],
    // Only zero is taken here: torque comes with SYNC, or it does not come.
    [
      0x6071_00,
      number(2, target, (value) => (value !== 0 || stand.isPlaying ? ABORT.state : undefined)),
    ],
    [0x6072_00, number(2, () => settings.mostTorque, limiting(settings, stand, 'mostTorque'))],
    [0x6074_00, { size: 2, read: target }],
    [0x6075_00, { size: 4, read: () => RATED_CURRENT }],
    [0x6076_00, { size: 4, read: () => RATED }],
    [0x6077_00, { size: 2, read: target }],
    [0x6078_00, { size: 2, read: () => 0 }],
    [0x6079_00, { size: 4, read: () => Math.round(1000 * stand.environment().supply) }],
    [0x6087_00, kept(4, settings, 'slope')],
  ];
}

function makers(
  settings: DriveSettings,
  stand: Stand,
  objects: Cia402Description['objects'],
): Entries {
  const identity = (): ReturnType<Stand['identity']> => stand.identity();
  const components = identity().components ?? [];
  const at = (name: string, otherwise: number): number => objects.get(name) ?? otherwise;
  const list = at('components', 0x2108_00);
  return [
    [at('smoothing', 0x2101_00), number(1, () => settings.smoothing, settingSmoothing(settings))],
    [at('model', 0x2102_00), { read: () => identity().model }],
    [at('serial', 0x2103_00), { read: () => identity().serial }],
    [at('firmware', 0x2104_00), { read: () => identity().firmware }],
    [at('firmware-digest', 0x2105_00), { read: () => identity().firmwareDigest }],
    [at('revision', 0x2106_00), { read: () => identity().revision ?? '' }],
    [at('parameters-digest', 0x2107_00), { read: () => identity().parametersDigest ?? '' }],
    [list, { size: 1, read: () => components.length }],
    ...components.map((one, i): [number, ObjectEntry] => [
      list + 1 + i,
      { read: () => `${one.kind} ${one.serial}` },
    ]),
  ];
}

function counters(stand: Stand, base: number): Entries {
  const told = (): ReturnType<Stand['report']> => stand.report();
  return [
    [base, { size: 4, read: () => told().missing }],
    [base + 1, { size: 4, read: () => Math.round(1e6 * told().gap) }],
    [base + 2, { size: 4, read: () => Math.round(1e6 * told().jitter) }],
    [base + 3, { size: 2, read: () => Math.round(1000 * told().duty) }],
    [base + 4, { size: 4, read: () => told().updates }],
    [base + 5, { size: 4, read: () => Math.round(1e6 * told().time) }],
    [base + 6, { size: 2, read: () => 0 }],
    [base + 7, { size: 2, read: () => told().updates & 0xffff }],
    [base + 8, { size: 2, read: () => told().missing & 0xffff }],
  ];
}

type Write = (value: number) => Abort | undefined;

/** Limits of the stand follow what was written; both are read back from there. */
function limiting(
  settings: DriveSettings,
  stand: Stand,
  what: 'mostTorque' | 'heartbeatOfHost',
): Write {
  return (value) => {
    if (stand.isEnergized) return ABORT.state;
    settings[what] = value;
    settings.isLimited ||= what === 'mostTorque';
    const [least, most] = stand.deadMan;
    const seconds = Math.min(most, Math.max(least, (settings.heartbeatOfHost & 0xffff) / 1000));
    const held = stand.limit(torqueOf(settings.mostTorque), seconds);
    settings.mostTorque = Math.floor((held.ceiling * 1e6) / RATED + 1e-9);
    if (settings.heartbeatOfHost !== 0) {
      const ms = Math.floor(1000 * held.deadMan + 1e-9);
      settings.heartbeatOfHost = (settings.heartbeatOfHost & ~0xffff) | ms;
    }
    return undefined;
  };
}

function settingPeriod(settings: DriveSettings, { mostUpdates }: Stand): Write {
  return (value) => {
    if (!(value >= 1e6 / mostUpdates && value <= 1e6)) return ABORT.range;
    settings.syncPeriod = value;
    return undefined;
  };
}

function settingMode(settings: DriveSettings): Write {
  return (mode) => {
    if (mode !== TORQUE_MODE) return ABORT.range;
    settings.mode = mode;
    return undefined;
  };
}

function settingSmoothing(settings: DriveSettings): Write {
  return (value) => {
    if (value > 5) return ABORT.range;
    settings.smoothing = value;
    return undefined;
  };
}

function forgetting(view: DriveView): Write {
  return (value) => {
    if (value !== 0) return ABORT.range;
    view.forgetErrors();
    return undefined;
  };
}

/** A number that can be written as well as read. */
function number(size: Size, read: () => number, write: Write): ObjectEntry {
  return { size, read, write };
}

/** A number that is taken as it is written. */
function kept(
  size: Size,
  settings: DriveSettings,
  name: 'syncCob' | 'heartbeat' | 'abortOption' | 'slope',
): ObjectEntry {
  const write = (value: number): undefined => {
    settings[name] = value;
  };
  return number(size, () => settings[name], write);
}
