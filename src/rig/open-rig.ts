import type { Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny, unreachable, type Problem } from '../base/error.js';
import { newtonMetre, second } from '../base/units.js';
import {
  CHANNELS,
  OPTIONAL_CHANNELS,
  type Bench,
  type Lacks,
  type Ratings,
} from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import { openPort } from '../link/open-port.js';
import {
  ROLES,
  type LinkDescription,
  type LinkRole,
  type PortPlace,
  type StationLinks,
} from '../procedure/links.js';
import type { Station } from '../procedure/station.js';
import { cia402Drive } from './cia402-drive.js';
import { DEAD_MAN, linkedBench } from './linked-bench.js';
import { modbusInterlocks } from './modbus-interlocks.js';
import type {
  DigitizerAbilities,
  DigitizerLink,
  DriveAbilities,
  DriveLink,
  InterlockLink,
} from './rig.js';
import { scpiDigitizer } from './scpi-digitizer.js';
import { scpiDrive } from './scpi-drive.js';
import { wireLink } from './wire-link.js';

/** A bench description that names links. */
export type LinkedStation = Station & { readonly links: StationLinks };

/** The item that an emulator is told to have in its nest; real devices say themselves who they are. */
export interface Nested {
  readonly serial: string;
  readonly attempt: number;
}

/** What the links of a bench can be, opened or not. */
interface Links {
  readonly drive: DriveLink;
  readonly digitizer: DigitizerLink;
  readonly interlock: InterlockLink;
}

/**
 * Calls every link of a bench and holds what each says of itself against the bench description. Power
 * stays off.
 *
 * @throws link/…, all that apply: what does not answer, speaks another version, is simulated on a real
 * bench or real on an emulated one, or cannot do what the description says. Every link is let go then.
 */
export async function openRig(
  station: LinkedStation,
  nested: Nested,
  clock: Clock,
): Promise<Bench> {
  const links = linksOf(station, nested, clock);
  const all = [...new Set<DriveLink | DigitizerLink | InterlockLink>(Object.values(links))];
  try {
    const [drive, digitizer, interlock] = await allOf([
      links.drive.open(),
      links.digitizer.open(),
      links.interlock.open(),
    ]);
    throwOnce([
      ...kindProblems(station, links.drive.name, drive.simulated),
      ...kindProblems(station, links.digitizer.name, digitizer.simulated),
      ...kindProblems(station, links.interlock.name, interlock.simulated),
      ...digitizerProblems(station, links.digitizer.name, digitizer),
      ...timingProblems(station, digitizer),
      ...deadManProblems(links.drive.name, drive),
    ]);
    return linkedBench({
      ...{ station, ...links, clock },
      ratings: ratingsOf(station, drive, digitizer),
      ceilingStep: drive.ceilingStep,
    });
  } catch (error) {
    await Promise.all(all.map((link) => link.close()));
    throw error;
  }
}

function linksOf(station: LinkedStation, nested: Nested, clock: Clock): Links {
  const made = new Map<string, unknown>();
  const named = (role: LinkRole): { readonly name: string; readonly of: LinkDescription } => {
    const name = station.links.roles[role];
    const of = station.links.links.get(name);
    if (of === undefined) throw new Error(`the link "${name}" was let through but is not there`);
    return { name, of };
  };
  // One link in several roles is one object, and is called once.
  const once = <T>(role: LinkRole, make: (name: string, of: LinkDescription) => T): T => {
    const { name, of } = named(role);
    const known = made.get(name) ?? make(name, of);
    made.set(name, known);
    return known as T; // made by the same protocol, which fits the role: the description was checked
  };
  const wire = (name: string, place: PortPlace): ReturnType<typeof wireLink> =>
    wireLink(name, placeOf(place, station, nested), clock, { roles: rolesOf(station, name) });
  const call = (place: PortPlace): ReturnType<typeof openPort> => openPort(place, clock);
  return {
    drive: once<DriveLink>('drive', (name, of) => {
      switch (of.protocol) {
        case 'wire':
          return wire(name, of.place);
        case 'scpi':
          return scpiDrive(name, of, call, clock);
        case 'cia402':
          return cia402Drive(name, of, call, clock);
        case 'modbus':
          throw unfit(name, 'drive');
        default:
          return unreachable(of);
      }
    }),
    digitizer: once<DigitizerLink>('digitizer', (name, of) => {
      if (of.protocol === 'wire') return wire(name, of.place);
      if (of.protocol !== 'scpi') throw unfit(name, 'digitizer');
      return scpiDigitizer(name, of, station.links.channels, call, clock);
    }),
    interlock: once<InterlockLink>('interlock', (name, of) => {
      if (of.protocol === 'wire') return wire(name, of.place);
      if (of.protocol !== 'modbus') throw unfit(name, 'interlock');
      return modbusInterlocks(name, of, clock);
    }),
  };
}

const unfit = (name: string, role: LinkRole): Error =>
  new Error(`the link "${name}" was let through as ${role}`);

/** What one link does at this bench. */
function rolesOf({ links }: LinkedStation, name: string): readonly LinkRole[] {
  return ROLES.filter((role) => links.roles[role] === name);
}

/** An emulator that is started for a run is told which item lies in its nest. */
function placeOf(place: PortPlace, { kind }: Station, nested: Nested): PortPlace {
  if (place.kind !== 'command' || kind !== 'emulated') return place;
  const told = (word: string): string =>
    word.replaceAll('{serial}', nested.serial).replaceAll('{attempt}', String(nested.attempt));
  const [first, ...rest] = place.command;
  return { ...place, command: [told(first), ...rest.map(told)] };
}

/** Waits for all, also when one was refused, and tells what is wrong with each. */
async function allOf<T extends readonly [unknown, unknown, unknown]>(asked: {
  readonly [K in keyof T]: Promise<T[K]>;
}): Promise<{ -readonly [K in keyof T]: Awaited<T[K]> }> {
  const settled = await Promise.allSettled(asked);
  const failed = settled.flatMap((one) =>
    one.status === 'rejected' ? [one.reason as unknown] : [],
  );
  const found = failed.filter((error) => error instanceof StallmarkError);
  if (found.length === failed.length) {
    throwOnce(found.flatMap((error) => error.problems));
  }
  return Promise.all(asked); // a defect of ours, or nothing wrong
}

/** Throws what was found, each problem once: one link in three roles would tell the same three times. */
function throwOnce(problems: readonly Problem[]): void {
  throwIfAny([...new Map(problems.map((one) => [`${one.code} ${one.what}`, one])).values()]);
}

/** A simulation must never pass for hardware, nor hardware for a simulation. */
function kindProblems(
  { id, kind }: Station,
  link: string,
  simulated: boolean | undefined,
): readonly Problem[] {
  if (simulated === undefined || simulated === (kind !== 'real')) return [];
  const what = `The link "${link}" says that it is ${simulated ? 'simulated' : 'no simulation'}, but bench "${id}" is of kind "${kind}".`;
  const fix = simulated ? 'Connect the real device.' : 'Write kind: real, or connect the emulator.';
  return [{ code: 'link/simulated', what, fix }];
}

function digitizerProblems(
  { sampleRate, soundRange, links }: LinkedStation,
  link: string,
  { rates, channels }: DigitizerAbilities,
): readonly Problem[] {
  const found: Problem[] = [];
  const add = (what: string, fix: string): void => {
    found.push({ code: 'link/ability', what: `The link "${link}" ${what}`, fix });
  };
  if (!rates.includes(sampleRate)) {
    add(`samples at ${rates.join(', ')} Hz, not at ${sampleRate} Hz.`, 'Correct sample-rate.');
  }
  const needed = CHANNELS.filter(
    (channel) =>
      (channel !== 'command' || links.timing.method === 'command') &&
      (!OPTIONAL_CHANNELS.includes(channel) || soundRange !== undefined),
  );
  for (const channel of needed.filter((one) => !channels.includes(one))) {
    const fix =
      channel === 'command'
        ? 'Connect the command to an input, or state another timing method.'
        : `Connect it, or leave ${channel} out of the ranges.`;
    add(`has no channel "${channel}".`, fix);
  }
  return found;
}

/** A capture that nothing ties to the waveform would be scored against a guess. */
function timingProblems(
  { links: { timing } }: LinkedStation,
  { trigger }: DigitizerAbilities,
): readonly Problem[] {
  if (timing.method === 'host' || trigger) return [];
  const what = `The timing method is "${timing.method}", but the digitizer cannot be triggered by the drive.`;
  const fix = 'Connect the trigger, or write method: host.';
  return [{ code: 'link/ability', what, fix }];
}

function deadManProblems(link: string, { deadMan }: DriveAbilities): readonly Problem[] {
  if (deadMan === undefined || deadMan.from <= DEAD_MAN) return [];
  const what = `The dead-man of the link "${link}" is ${deadMan.from} s or longer, but must be at most ${DEAD_MAN} s.`;
  const { problems } = problem(
    'link/ability',
    what,
    'Use a drive that drops torque within 100 ms.',
  );
  return problems;
}

function ratingsOf(
  station: LinkedStation,
  drive: DriveAbilities,
  digitizer: DigitizerAbilities,
): Ratings {
  const { torqueRange, currentRange, sampleRate, soundRange, links } = station;
  const { deadMan = { from: 0, to: 0 } } = drive;
  const hears = soundRange !== undefined;
  return {
    ...{ torqueRange, currentRange, sampleRate, maximumUpdates: drive.maximumUpdates },
    deadMan: second(Math.min(DEAD_MAN, deadMan.to)),
    fixtures: digitizer.fixtures,
    channels: CHANNELS.filter(
      (channel) =>
        (channel === 'command' || digitizer.channels.includes(channel)) &&
        (channel !== 'sound' || hears),
    ),
    indexing: digitizer.indexing,
    closedLoop: drive.closedLoop && links.timing.method === 'command',
    lacks: lacksOf(drive, digitizer, links),
    timing: links.timing,
  };
}

function lacksOf(drive: DriveAbilities, digitizer: DigitizerAbilities, links: StationLinks): Lacks {
  return {
    smoothing: drive.smoothing,
    ...(drive.setsSlew ? {} : { slew: true }),
    ...(drive.silence ? {} : { silence: true }),
    ...(digitizer.marksStop ? {} : { stopMark: true }),
    ...(drive.deadMan === undefined ? { deadMan: newtonMetre(links.safeTouch) } : {}),
  };
}
