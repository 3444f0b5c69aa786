import type { Problem } from '../base/error.js';
import { throwIfAny } from '../base/error.js';
import { hertz, second } from '../base/units.js';
import { CHANNEL_UNITS, CHANNELS, type Channel } from '../bench/bench.js';
import type { DigitizerTold, DriveTold, Hello } from '../link/wire-message.js';
import { ROLES, type LinkRole } from '../procedure/links.js';
import type { DigitizerAbilities, DriveAbilities } from './rig.js';

/** Hz: no stand samples or updates faster, and buffers are reckoned from it. */
const MOST_RATE = 10e6;
/** s: a longer dead-man is none. */
const MOST_DEAD_MAN = 10;

/** Abilities of one adapter in all its roles; those of roles it lacks are empty. */
export type WireAbilities = DriveAbilities & DigitizerAbilities;

/** Adds a problem, in a clause that follows the name of the link. */
type Add = (what: string) => void;

/**
 * Holds what an adapter says of itself against sense: numbers that no device has, channels that there
 * are not or in other units, words that contradict each other.
 *
 * @param name - As the adapter is called in sentences.
 * @param needed - Roles in which it is wanted.
 * @throws link/ability, all that apply.
 */
export function abilitiesOf(
  name: string,
  hello: Hello,
  needed: readonly LinkRole[],
): WireAbilities {
  const found: Problem[] = [];
  const fix = 'Correct the adapter, or what it was set up for.';
  const add: Add = (what) => {
    found.push({ code: 'link/ability', what: `${name} ${what}.`, fix });
  };
  roleProblems(hello, needed, add);
  if (hello.drive !== undefined) driveProblems(hello.drive, add);
  if (hello.digitizer !== undefined) digitizerProblems(hello.digitizer, add);
  throwIfAny(found);
  const { simulated } = hello;
  return { simulated, ...driveOf(hello.drive), ...digitizerOf(hello.digitizer) };
}

function roleProblems({ roles }: Hello, needed: readonly LinkRole[], add: Add): void {
  if (roles.length === 0) add('has no role');
  repeated(roles, 'role', add);
  for (const role of ROLES.filter((one) => needed.includes(one) && !roles.includes(one))) {
    add(`is wanted as ${role}, but is only ${roles.join(' and ')}`);
  }
}

function driveProblems(drive: DriveTold, add: Add): void {
  const { deadMan, maximumUpdates, smoothing, ceilingStep } = drive;
  if (deadMan !== undefined) {
    const [from, to] = deadMan;
    if (!(from > 0 && from <= to && to <= MOST_DEAD_MAN)) {
      add(`has a dead-man of ${from} … ${to} s, not within 0 … ${MOST_DEAD_MAN} s`);
    }
  }
  rateProblems('updates', [maximumUpdates], add);
  if (smoothing.length === 0) add('has no smoothing setting, not even 0');
  repeated(smoothing, 'smoothing', add);
  for (const one of smoothing.filter((setting) => ![0, 1, 2, 3, 4, 5].includes(setting))) {
    add(`has a smoothing setting ${one}; there are 0 … 5`);
  }
  if (!(ceilingStep >= 0)) add(`sets its ceiling in steps of ${ceilingStep} N·m`);
}

function digitizerProblems(digitizer: DigitizerTold, add: Add): void {
  const { rates, channels, fixtures, indexing } = digitizer;
  if (rates.length === 0) add('has no sample rate');
  rateProblems('samples', rates, add);
  repeated(rates, 'sample rate', add);
  if (channels.length === 0) add('has no channel');
  for (const { name, unit } of channels) {
    const channel = CHANNELS.find((one) => one === name);
    if (channel === undefined) add(`has a channel "${name}"; there are ${CHANNELS.join(', ')}`);
    else if (unit !== CHANNEL_UNITS[channel]) {
      add(
        `gives channel "${name}" in ${unit === '' ? 'no unit' : unit}, not in ${CHANNEL_UNITS[channel]}`,
      );
    }
  }
  const names = channels.map(({ name }) => name);
  repeated(names, 'channel', add);
  if (fixtures.length === 0) add('can arrange its stand in no way');
  repeated(fixtures, 'fixture', add);
  if (indexing === 'bench' && !fixtures.includes('coupled')) {
    add('turns the locked shaft by itself, but cannot be coupled to one');
  }
}

function rateProblems(what: string, rates: readonly number[], add: Add): void {
  for (const rate of rates.filter((one) => !(one > 0 && one <= MOST_RATE))) {
    add(`${what} at ${rate} Hz, not within 0 … ${MOST_RATE} Hz`);
  }
}

function repeated(list: readonly (string | number)[], what: string, add: Add): void {
  const twice = new Set(list.filter((one, index) => list.indexOf(one) !== index));
  for (const one of twice) add(`names ${what} ${one} twice`);
}

function driveOf(told: DriveTold | undefined): Omit<DriveAbilities, 'simulated'> {
  const none = { setsSlew: false, silence: false, closedLoop: false, ceilingStep: 0 };
  if (told === undefined) {
    return { maximumUpdates: hertz(0), smoothing: [], ...none, paced: 'device' };
  }
  const { deadMan, maximumUpdates, ...rest } = told;
  const held = deadMan && { deadMan: { from: second(deadMan[0]), to: second(deadMan[1]) } };
  return { ...rest, ...held, maximumUpdates: hertz(maximumUpdates), paced: 'device' };
}

function digitizerOf(told: DigitizerTold | undefined): Omit<DigitizerAbilities, 'simulated'> {
  if (told === undefined) {
    const none = { trigger: false, marksStop: false } as const;
    return { rates: [], channels: [], fixtures: [], indexing: 'none', ...none };
  }
  return { ...told, channels: channelsOf(told) };
}

/** Names of the channels as they stand in a frame. */
export function channelsOf({ channels }: Pick<DigitizerTold, 'channels'>): readonly Channel[] {
  return channels.flatMap(({ name }) => CHANNELS.filter((channel) => channel === name));
}
