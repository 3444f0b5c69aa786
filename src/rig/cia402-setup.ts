import type { StallmarkError } from '../base/error.js';
import { problem } from '../bench/refusal.js';
import { COMPONENT_KINDS, type Component, type Identity } from '../bench/bench.js';
import {
  COB,
  PRODUCES_SYNC,
  readBackFailure,
  readNumber,
  readText,
  setNumber,
  setPdo,
  writeNumber,
  type NumberObject,
} from '../link/canopen.js';
import { perMilleWithin, slopeWithin, TORQUE_MODE, torqueOf } from '../link/cia402.js';
import type { SdoClient } from '../link/sdo.js';
import type { Waveform } from '../pattern/waveform.js';
import type { Cia402Description } from '../procedure/links.js';

/** Objects of CiA 301 and CiA 402 that are used. Source: from memory. */
export const OBJECTS = {
  syncIdentifier: { key: 0x1005_00, width: 'u32' },
  syncPeriod: { key: 0x1006_00, width: 'u32' },
  hostHeartbeat: { key: 0x1016_01, width: 'u32' },
  ownHeartbeat: { key: 0x1017_00, width: 'u16' },
  abortOption: { key: 0x6007_00, width: 'i16' },
  errorCode: { key: 0x603f_00, width: 'u16' },
  controlword: { key: 0x6040_00, width: 'u16' },
  statusword: { key: 0x6041_00, width: 'u16' },
  mode: { key: 0x6060_00, width: 'i8' },
  modeShown: { key: 0x6061_00, width: 'i8' },
  target: { key: 0x6071_00, width: 'i16' },
  mostTorque: { key: 0x6072_00, width: 'u16' },
  rated: { key: 0x6076_00, width: 'u32' },
  actual: { key: 0x6077_00, width: 'i16' },
  slope: { key: 0x6087_00, width: 'u32' },
} as const satisfies Record<string, NumberObject>;

/** ms between two heartbeats of the drive. */
const OWN_HEARTBEAT = 50;
/** SYNC between two TPDO1. */
export const SYNCS_PER_REPORT = 10;

/** Subindices of the counters of the maker; all begin anew when update 0 begins a waveform, after power or "halt". */
export const COUNTERS = {
  /** Longest time between two updates and standard deviation of it, µs. */
  gap: 1,
  jitter: 2,
  /** ‰ of the available voltage. */
  duty: 3,
  /** µs of the device's clock. */
  time: 5,
  /** 16 bits each, in PDOs: number of the update that is sent, updates latched, updates missing. */
  number: 6,
  latched: 7,
  missing: 8,
} as const;

/** What a drive is, as it says. */
export interface DriveFacts {
  readonly isSimulated: boolean;
  /** mN·m */
  readonly rated: number;
  /** Vendor, product, revision and serial number of 0x1018, as far as it has them. */
  readonly identity: string;
}

/** µs between two SYNC; refused where that is no whole number. @param period - s */
export function syncMicroseconds(name: string, period: number): number {
  const micros = period * 1e6;
  const whole = Math.round(micros);
  if (whole >= 1 && Math.abs(micros - whole) < 1e-6 * whole) return whole;
  const what = `The link "${name}" can have SYNC each whole µs, but ${micros} µs were asked for.`;
  throw problem('bench/capability', what, 'Choose an update rate with a whole number of µs.');
}

/** Object of the counters as the description names it. */
export function countersOf(name: string, { objects }: Cia402Description): number {
  const found = objects.get('counters');
  if (found !== undefined) return found & ~0xff;
  const what = `The description of the link "${name}" names no counters: nobody would know of updates that were lost.`;
  throw problem(
    'link/ability',
    what,
    'Write objects: { counters: "…" } with the object of the maker.',
  );
}

/** Reads what the drive is. @throws link/… */
export async function readFacts(name: string, sdo: SdoClient): Promise<DriveFacts> {
  const device = await readText(sdo, 0x1008_00);
  const entries = await readNumber(sdo, { key: 0x1018_00, width: 'u8' });
  const identity: number[] = [];
  for (let sub = 1; sub <= Math.min(entries, 4); sub++) {
    identity.push(await readNumber(sdo, { key: 0x1018_00 | sub, width: 'u32' }));
  }
  const rated = await readNumber(sdo, OBJECTS.rated);
  if (rated === 0) {
    const what = `The link "${name}" says that its rated torque is 0 mN·m.`;
    throw problem('link/ability', what, 'Have object 6076:00 of the drive set up.');
  }
  const isSimulated = device.startsWith('SIMULATED');
  return { isSimulated, rated, identity: [device, ...identity].join(' ') };
}

/** Refuses another drive than the one before, where there was one. @throws link/identity */
export function refuseOther(name: string, found: DriveFacts, before: DriveFacts | undefined): void {
  if (before === undefined || before.identity === found.identity) return;
  const what = `At the link "${name}" answers ${found.identity}, not ${before.identity}.`;
  throw problem('link/identity', what, 'Connect the drive that was there before.');
}

/** ms that the dead-man can be set to, least and most. */
export const DEAD_MAN = { from: 10, to: 95 } as const;

/**
 * Sets after how long without the heartbeat of the host the drive acts, and reads it back.
 *
 * @param deadMan - s
 * @returns ms that hold.
 * @throws link/read-back, link/…
 */
export async function setDeadMan(
  sdo: SdoClient,
  hostNode: number,
  deadMan: number,
): Promise<number> {
  const asked = Math.floor(1000 * deadMan + 1e-9);
  const ms = Math.min(Math.max(asked, DEAD_MAN.from), DEAD_MAN.to);
  const wanted = hostNode * 0x1_0000 + ms;
  const held = await writeNumber(sdo, OBJECTS.hostHeartbeat, wanted);
  const heldMs = held % 0x1_0000;
  const isHeld = held >>> 16 === hostNode && heldMs >= 1 && heldMs <= ms;
  if (!isHeld) throw readBackFailure(OBJECTS.hostHeartbeat, wanted, held);
  return heldMs;
}

/** 0x6007: voltage is disabled when the heartbeat of the host stays out. */
const DISABLE_VOLTAGE = 2;

/** Sets profile torque, and what happens without the heartbeat of the host. @throws link/read-back, link/… */
export async function setMode(sdo: SdoClient): Promise<void> {
  await setNumber(sdo, OBJECTS.abortOption, DISABLE_VOLTAGE);
  await setNumber(sdo, OBJECTS.mode, TORQUE_MODE);
}

/** Refuses a drive that shows another mode than profile torque. @throws link/read-back, link/… */
export async function refuseOtherMode(sdo: SdoClient): Promise<void> {
  const mode = await readNumber(sdo, OBJECTS.modeShown);
  if (mode !== TORQUE_MODE) throw readBackFailure(OBJECTS.modeShown, TORQUE_MODE, mode);
}

/** What the drive counted since update 0: s, s, 0 … 1, s. */
export interface Counters {
  readonly gap: number;
  readonly jitter: number;
  readonly duty: number;
  readonly time: number;
  /** Rolling, 16 bits. */
  readonly latched: number;
  readonly missing: number;
}

/** Reads the counters of the maker. */
export async function readCounters(sdo: SdoClient, counters: number): Promise<Counters> {
  const read = (sub: number, width: 'u16' | 'u32'): Promise<number> =>
    readNumber(sdo, { key: counters | sub, width });
  return {
    gap: (await read(COUNTERS.gap, 'u32')) / 1e6,
    jitter: (await read(COUNTERS.jitter, 'u32')) / 1e6,
    duty: Math.min(1, (await read(COUNTERS.duty, 'u16')) / 1000),
    time: (await read(COUNTERS.time, 'u32')) / 1e6,
    latched: await read(COUNTERS.latched, 'u16'),
    missing: await read(COUNTERS.missing, 'u16'),
  };
}

/** Most of a target: 15 bits. */
const MOST_TARGET = 0x7fff;

/** The ceiling in ‰ of the rated torque, rounded down. @param rated - mN·m @throws bench/ceiling below 1 ‰ */
export function mostTarget(name: string, ceiling: number, rated: number): number {
  const most = Math.min(perMilleWithin(ceiling, rated), MOST_TARGET);
  if (most >= 1) return most;
  const what = `A ceiling of ${ceiling} N·m was asked for; the least of the link "${name}" is ${torqueOf(1, rated)} N·m.`;
  throw problem('bench/ceiling', what, 'Raise the ceiling of the procedure.');
}

/** Refuses a waveform that the drive cannot play. @param most - N·m @throws bench/ceiling, bench/capability */
export function refuseLevels(name: string, { command, wheel }: Waveform, most: number): void {
  if (wheel !== undefined) throw unable(name, 'close a loop over a wheel');
  if (command.every((torque) => Math.abs(torque) <= most)) return;
  const what = `The waveform asks for more than the ${most} N·m that the link "${name}" is limited to.`;
  throw problem('bench/ceiling', what, 'Lower the levels of the pattern.');
}

/** The slope in ‰ a second, rounded down; 0 leaves it to the item. @param slew - N·m/s @param rated - mN·m */
export function slopeOf(name: string, slew: number | undefined, rated: number): number {
  if (slew === undefined) return 0;
  const slope = slopeWithin(slew, rated);
  if (slope >= 1) return slope;
  throw unable(name, `slew at ${slew} N·m/s`);
}

export function notOpen(name: string): StallmarkError {
  return problem('link/closed', `The link "${name}" is not open.`, 'Open it first.');
}

export function unable(name: string, what: string): StallmarkError {
  const fix = 'Leave the stage out, or use another drive.';
  return problem('bench/capability', `The link "${name}" cannot ${what}.`, fix);
}

/** Sets up heartbeat, SYNC and both PDOs, all read back; the node is pre-operational. @throws link/… */
export async function setUp(
  name: string,
  sdo: SdoClient,
  description: Cia402Description,
): Promise<void> {
  const { node, sync } = description;
  const counters = countersOf(name, description);
  const counter = (sub: number): { key: number; bits: 16 } => ({ key: counters | sub, bits: 16 });
  await setNumber(sdo, OBJECTS.ownHeartbeat, OWN_HEARTBEAT);
  await setNumber(sdo, OBJECTS.syncIdentifier, COB.sync);
  await setNumber(sdo, OBJECTS.syncPeriod, syncMicroseconds(name, sync));
  await setNumber(sdo, OBJECTS.syncIdentifier, PRODUCES_SYNC | COB.sync);
  await setPdo(sdo, {
    index: 0x1400,
    id: COB.rpdo1(node),
    type: 1,
    objects: [
      { key: OBJECTS.controlword.key, bits: 16 },
      { key: OBJECTS.target.key, bits: 16 },
      counter(COUNTERS.number),
    ],
  });
  await setPdo(sdo, {
    index: 0x1800,
    id: COB.tpdo1(node),
    type: SYNCS_PER_REPORT,
    objects: [
      { key: OBJECTS.statusword.key, bits: 16 },
      { key: OBJECTS.actual.key, bits: 16 },
      counter(COUNTERS.latched),
      counter(COUNTERS.missing),
    ],
  });
}

/** Reads what the item says of itself; what the description names no object for, it does not tell. */
export async function readIdentity(
  name: string,
  sdo: SdoClient,
  { objects }: Cia402Description,
): Promise<Identity> {
  const told = async (object: string, otherwise?: number): Promise<string | undefined> => {
    const key = objects.get(object) ?? otherwise;
    return key === undefined ? undefined : readText(sdo, key);
  };
  const needed = async (object: string, otherwise?: number): Promise<string> => {
    const text = await told(object, otherwise);
    if (text !== undefined && text !== '') return text;
    const what = `The link "${name}" does not tell the ${object} of the item.`;
    throw problem(
      'link/ability',
      what,
      `Write objects: { ${object}: "…" } with the object of the maker.`,
    );
  };
  const revision = await told('revision', 0x1009_00);
  const parametersDigest = await told('parameters-digest');
  const components = await readComponents(sdo, objects.get('components'));
  return {
    model: await needed('model'),
    serial: await needed('serial'),
    firmware: await needed('firmware', 0x100a_00),
    firmwareDigest: await needed('firmware-digest'),
    ...(revision === undefined || revision === '' ? {} : { revision }),
    ...(parametersDigest === undefined || parametersDigest === '' ? {} : { parametersDigest }),
    ...(components === undefined || components.length === 0 ? {} : { components }),
  };
}

/** Most components that an item may tell. */
const MOST_COMPONENTS = 16;

/** At subindex 0 how many there are, then each as `kind serial`. */
async function readComponents(
  sdo: SdoClient,
  key: number | undefined,
): Promise<readonly Component[] | undefined> {
  if (key === undefined) return undefined;
  const count = await readNumber(sdo, { key, width: 'u8' });
  const found: Component[] = [];
  for (let sub = 1; sub <= Math.min(count, MOST_COMPONENTS); sub++) {
    const text = await readText(sdo, key + sub);
    const [word = '', serial = '', ...more] = text.split(' ');
    const kind = COMPONENT_KINDS.find((one) => one === word);
    if (kind === undefined || serial === '' || more.length > 0) {
      const what = `The item tells a component ${JSON.stringify(text)}, which is no kind and serial.`;
      throw problem('link/garbled', what, 'Have its components set up, or leave the object out.');
    }
    found.push({ kind, serial });
  }
  return found;
}
