import { type Problem, throwIfAny } from '../base/error.js';
import type { Waveform, Wheel } from '../pattern/waveform.js';
import type { Settings } from '../procedure/procedure.js';
import type { Load } from './bench.js';

/** rad: the stand turns the shaft no farther than once around. */
const MOST_ANGLE = 2 * Math.PI;

/** s: a stop that took longer has not taken the torque away, and power must be cut otherwise. */
const MOST_AFTER_STOP = 5;

/**
 * Refuses a load before any of it is played.
 *
 * @param ceiling - N·m
 * @param mostUpdates - Hz
 * @returns A copy: what was checked is what is played, whatever becomes of the original.
 * @throws bench/ceiling, bench/capability, quantity/not-finite, all that apply.
 */
export function checkedLoad(bench: string, load: Load, ceiling: number, mostUpdates: number): Load {
  const waveform = copyOf(load.waveform);
  const settings = { ...load.settings };
  const { afterStop } = load;
  const found: Problem[] = [];
  const unable = (what: string, fix: string): void => {
    found.push({ code: 'bench/capability', what: `Bench "${bench}": ${what}`, fix });
  };
  if (waveform.command.length === 0)
    unable('the waveform is empty.', 'Give it one update or more.');
  if (!(waveform.rate > 0 && waveform.rate <= mostUpdates)) {
    const what = `${waveform.rate} updates/s were asked for; at most ${mostUpdates} are possible.`;
    unable(what, 'Lower the update rate of the stage.');
  }
  if (settings.fixture !== 'coupled') {
    unable(`power on a stand that is ${settings.fixture}.`, 'Play with the shaft coupled.');
  }
  settingProblems(settings, unable);
  silenceProblems(waveform, unable);
  if (afterStop !== undefined && !(afterStop > 0 && afterStop <= MOST_AFTER_STOP)) {
    const what = `samples for ${afterStop} s after a stop were asked for.`;
    unable(what, `Ask for more than 0 s and no more than ${MOST_AFTER_STOP} s.`);
  }
  found.push(...levelProblems(waveform.command, ceiling));
  if (waveform.wheel !== undefined) {
    wheelProblems(waveform.wheel, waveform.command.length, unable);
    found.push(...limitProblems(waveform.wheel.limit, ceiling));
  }
  throwIfAny(found);
  return { waveform, settings, ...(afterStop === undefined ? {} : { afterStop }) };
}

function copyOf({ rate, command, silence, wheel }: Waveform): Waveform {
  return {
    rate,
    command: command.slice(),
    ...(silence && { silence: { ...silence } }),
    ...(wheel && { wheel: { ...wheel, stiffness: wheel.stiffness.slice() } }),
  };
}

/**
 * Refuses settings of the stand or the item that there are not.
 *
 * @throws bench/capability, all that apply.
 */
export function refuseSettings(bench: string, settings: Settings): void {
  const found: Problem[] = [];
  settingProblems(settings, (what, fix) => {
    found.push({ code: 'bench/capability', what: `Bench "${bench}": ${what}`, fix });
  });
  throwIfAny(found);
}

type Unable = (what: string, fix: string) => void;

function settingProblems(settings: Settings, unable: Unable): void {
  const { smoothing, angle = 0, slew = 1 } = settings;
  if (![0, 1, 2, 3, 4, 5].includes(smoothing)) {
    unable(`there is no smoothing setting ${smoothing}.`, 'Choose a setting 0 … 5.');
  }
  if (!(Math.abs(angle) <= MOST_ANGLE)) {
    unable(`the shaft cannot be turned to ${angle} rad.`, 'Choose an angle within one turn.');
  }
  if (!(slew > 0 && slew < Number.POSITIVE_INFINITY)) {
    unable(`there is no slew setting of ${slew} N·m/s.`, 'Choose a slew above 0 N·m/ms.');
  }
}

function silenceProblems({ command, silence, wheel }: Waveform, unable: Unable): void {
  if (silence === undefined) return;
  const { from, to } = silence;
  const whole = Number.isInteger(from) && Number.isInteger(to);
  if (!(whole && from > 0 && from <= to && to <= command.length)) {
    const what = `updates ${from} … ${to} were to be silent, of ${command.length}.`;
    unable(what, 'Let the silence begin after the first update and end with the waveform.');
  }
  if (wheel !== undefined) {
    unable('a wheel needs every update, and some are to be silent.', 'Use one pattern for each.');
  }
}

/** NaN is refused everywhere, as it is neither above nor below a limit. */
function wheelProblems(wheel: Wheel, updates: number, unable: Unable): void {
  const { inertia, drag, damping, stiffness, limit } = wheel;
  const finite = [inertia, drag, damping, limit].every(Number.isFinite);
  if (!(finite && inertia > 0 && drag >= 0 && damping >= 0 && limit > 0)) {
    const what = `a wheel of ${inertia} kg·m² and ${drag} N·m·s/rad with damping ${damping} N·m·s/rad, limited to ${limit} N·m, cannot be reckoned.`;
    unable(what, 'Give it inertia and a limit above 0, and no negative damping.');
  }
  if (stiffness.length !== updates || !stiffness.every((k) => k >= 0 && Number.isFinite(k))) {
    const what = `the wheel has ${stiffness.length} stiffnesses for ${updates} updates.`;
    unable(what, 'Give one stiffness of 0 N·m/rad or more for each update.');
  }
}

function limitProblems(limit: number, ceiling: number): readonly Problem[] {
  if (!(limit > ceiling)) return [];
  const what = `The wheel may ask for ${limit} N·m; the ceiling of the device is ${ceiling} N·m.`;
  return [{ code: 'bench/ceiling', what, fix: 'Lower the limit of the virtual spring.' }];
}

/** The first sample that is no number, and the largest beyond the ceiling. */
function levelProblems(command: Float64Array, ceiling: number): readonly Problem[] {
  const found: Problem[] = [];
  const lost = command.findIndex((level) => !Number.isFinite(level));
  if (lost >= 0) {
    const what = `Update ${lost} of the waveform is ${String(command[lost])}.`;
    found.push({ code: 'quantity/not-finite', what, fix: 'Give a finite torque.' });
  }
  const peak = command.reduce((most, level) => Math.max(most, Math.abs(level)), 0);
  if (peak > ceiling) {
    const what = `The waveform asks for ${peak} N·m; the ceiling of the device is ${ceiling} N·m.`;
    found.push({ code: 'bench/ceiling', what, fix: 'Lower the levels of the pattern.' });
  }
  return found;
}
