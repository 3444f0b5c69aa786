import { unreachable } from '../base/error.js';

/** States of a power drive system. Source: CiA 402 / IEC 61800-7-201, from memory. */
export const DRIVE_STATES = [
  'not ready to switch on',
  'switch on disabled',
  'ready to switch on',
  'switched on',
  'operation enabled',
  'quick stop active',
  'fault reaction active',
  'fault',
] as const;
export type DriveState = (typeof DRIVE_STATES)[number];

/** Profile torque. */
export const TORQUE_MODE = 4;
/** Bit of the statusword: a limit inside the drive is active. */
export const INTERNAL_LIMIT = 1 << 11;

/** Bits of the statusword that tell the state, and what they are in it. */
const MASKS: readonly (readonly [DriveState, number, number])[] = [
  ['not ready to switch on', 0x4f, 0x00],
  ['switch on disabled', 0x4f, 0x40],
  ['ready to switch on', 0x6f, 0x21],
  ['switched on', 0x6f, 0x23],
  ['operation enabled', 0x6f, 0x27],
  ['quick stop active', 0x6f, 0x07],
  ['fault reaction active', 0x4f, 0x0f],
  ['fault', 0x4f, 0x08],
];

/**
 * Reads the state out of a statusword, or says undefined when its bits are those of no state.
 *
 * Source: CiA 402 / IEC 61800-7-201, statusword, from memory. Check: tests/checks/cia402.check.ts.
 */
export function stateOf(statusword: number): DriveState | undefined {
  return MASKS.find(([, mask, bits]) => (statusword & mask) === bits)?.[0];
}

/** Commands of the controlword. */
export const COMMANDS = [
  'shutdown',
  'switch on',
  'enable operation',
  'disable operation',
  'disable voltage',
  'quick stop',
  'fault reset',
] as const;
export type DriveCommand = (typeof COMMANDS)[number];

/**
 * The controlword of each command. Fault reset acts on a rising edge of its bit; "halt" is bit 8.
 *
 * Source: CiA 402 / IEC 61800-7-201, controlword, from memory. Check: tests/checks/cia402.check.ts.
 */
export const CONTROLWORDS: Readonly<Record<DriveCommand, number>> = {
  shutdown: 0x06,
  'switch on': 0x07,
  'enable operation': 0x0f,
  'disable operation': 0x07,
  'disable voltage': 0x00,
  'quick stop': 0x02,
  'fault reset': 0x80,
};

/** Enabled, but held at zero torque. */
export const HALTED = CONTROLWORDS['enable operation'] | (1 << 8);

/**
 * Transitions that a command causes, with their published numbers. Those that are missing (0, 1, 13, 14
 * and 12 at the end of a quick stop) a drive makes by itself; a command that is not listed does nothing.
 *
 * Source: CiA 402 / IEC 61800-7-201, state machine, from memory. Check: tests/checks/cia402.check.ts.
 */
export const TRANSITIONS: readonly {
  readonly number: number;
  readonly from: DriveState;
  readonly command: DriveCommand;
  readonly to: DriveState;
}[] = [
  { number: 2, from: 'switch on disabled', command: 'shutdown', to: 'ready to switch on' },
  { number: 3, from: 'ready to switch on', command: 'switch on', to: 'switched on' },
  { number: 4, from: 'switched on', command: 'enable operation', to: 'operation enabled' },
  { number: 5, from: 'operation enabled', command: 'disable operation', to: 'switched on' },
  { number: 6, from: 'switched on', command: 'shutdown', to: 'ready to switch on' },
  { number: 7, from: 'ready to switch on', command: 'disable voltage', to: 'switch on disabled' },
  { number: 7, from: 'ready to switch on', command: 'quick stop', to: 'switch on disabled' },
  { number: 8, from: 'operation enabled', command: 'shutdown', to: 'ready to switch on' },
  { number: 9, from: 'operation enabled', command: 'disable voltage', to: 'switch on disabled' },
  { number: 10, from: 'switched on', command: 'disable voltage', to: 'switch on disabled' },
  { number: 10, from: 'switched on', command: 'quick stop', to: 'switch on disabled' },
  { number: 11, from: 'operation enabled', command: 'quick stop', to: 'quick stop active' },
  { number: 12, from: 'quick stop active', command: 'disable voltage', to: 'switch on disabled' },
  { number: 15, from: 'fault', command: 'fault reset', to: 'switch on disabled' },
  { number: 16, from: 'quick stop active', command: 'enable operation', to: 'operation enabled' },
];

/** Where a command leads from a state; the same state when it does nothing there. */
export function after(state: DriveState, command: DriveCommand): DriveState {
  const found = TRANSITIONS.find((one) => one.from === state && one.command === command);
  return found?.to ?? state;
}

/** What a drive is brought to: power off, or torque on. */
export type DriveGoal = 'switch on disabled' | 'operation enabled';

/**
 * Names the next command on the way to a goal; undefined when the goal is reached, or the drive must
 * first go on by itself. A fault is only reset on the way to no power, never on the way to torque.
 */
export function nextCommand(state: DriveState, goal: DriveGoal): DriveCommand | undefined {
  return goal === 'switch on disabled' ? towardOff(state) : towardTorque(state);
}

function towardOff(state: DriveState): DriveCommand | undefined {
  switch (state) {
    case 'not ready to switch on':
    case 'switch on disabled':
    case 'fault reaction active':
      return undefined;
    case 'ready to switch on':
    case 'switched on':
    case 'operation enabled':
    case 'quick stop active':
      return 'disable voltage';
    case 'fault':
      return 'fault reset';
    default:
      return unreachable(state);
  }
}

function towardTorque(state: DriveState): DriveCommand | undefined {
  switch (state) {
    case 'not ready to switch on':
    case 'operation enabled':
    case 'fault reaction active':
    case 'fault':
      return undefined;
    case 'switch on disabled':
      return 'shutdown';
    case 'ready to switch on':
      return 'switch on';
    case 'switched on':
      return 'enable operation';
    case 'quick stop active':
      return 'disable voltage';
    default:
      return unreachable(state);
  }
}

/** Whether the power stage may carry current in this state. */
export function mayCarryTorque(state: DriveState | undefined): boolean {
  switch (state) {
    case undefined: // bits of no state: any doubt counts as power
    case 'operation enabled':
    case 'quick stop active':
    case 'fault reaction active':
      return true;
    case 'switched on':
    case 'not ready to switch on':
    case 'switch on disabled':
    case 'ready to switch on':
    case 'fault':
      return false;
    default:
      return unreachable(state);
  }
}

/** N·m of so many ‰ of the rated torque; the nearest number there is. @param rated - mN·m */
export function torqueOf(perMille: number, rated: number): number {
  return (perMille * rated) / 1e6;
}

/**
 * The most ‰ of the rated torque that are not above a torque.
 *
 * @param torque - N·m, 0 or more.
 * @param rated - mN·m
 */
export function perMilleWithin(torque: number, rated: number): number {
  const near = Math.round((torque * 1e6) / rated);
  return torqueOf(near, rated) <= torque ? near : near - 1;
}

/**
 * The ‰ of the rated torque that are nearest to a torque; towards zero where the nearest would lie
 * above the ceiling.
 *
 * @param torque - N·m
 * @param rated - mN·m
 * @param ceiling - ‰
 */
export function perMilleOf(torque: number, rated: number, ceiling: number): number {
  const near = Math.min(Math.round((Math.abs(torque) * 1e6) / rated), ceiling);
  return torque < 0 && near > 0 ? -near : near;
}

/**
 * ‰ of the rated torque a second that are not above a slope; 0 where it is less than 1 ‰ a second.
 *
 * @param slope - N·m/s
 * @param rated - mN·m
 */
export function slopeWithin(slope: number, rated: number): number {
  return Math.min(perMilleWithin(slope, rated), 0xffff_ffff);
}
