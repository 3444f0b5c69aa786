import type { Load } from '../bench/bench.js';
import { encodeWaveform } from '../link/wire-samples.js';
import type { Order } from '../link/wire-requests.js';
import type { TakeOrder } from './rig.js';
import type { WireAbilities } from './wire-abilities.js';

/** Values of one waveform frame: 64 KiB, so that a stop never waits long behind a waveform. */
export const PART_VALUES = 8192;

/** Makes the order that hands a waveform over: first all of the command, then the stiffness of its wheel. */
export function loadOrder({ waveform, settings }: Load): Order {
  const { rate, command, silence, wheel } = waveform;
  const stiffness = wheel?.stiffness ?? new Float64Array(0);
  const parts = partsOf(command) + partsOf(stiffness);
  return {
    do: 'load',
    members: {
      rate_Hz: rate,
      updates: command.length,
      smoothing: settings.smoothing,
      ...(settings.slew === undefined ? {} : { slew_Nm_per_s: settings.slew }),
      ...(silence === undefined ? {} : { silence: { from: silence.from, to: silence.to } }),
      ...(wheel === undefined
        ? {}
        : {
            wheel: {
              inertia_kgm2: wheel.inertia,
              drag_Nms_per_rad: wheel.drag,
              damping_Nms_per_rad: wheel.damping,
              limit_Nm: wheel.limit,
            },
          }),
      parts,
    },
    waveform: payloads(command, stiffness),
  };
}

const partsOf = ({ length }: Float64Array): number => Math.ceil(length / PART_VALUES);

function* payloads(command: Float64Array, stiffness: Float64Array): Generator<Uint8Array> {
  let part = 0;
  for (const [what, all] of [['command', command] as const, ['stiffness', stiffness] as const]) {
    for (let from = 0; from < all.length; from += PART_VALUES) {
      yield encodeWaveform({ part, what, values: all.subarray(from, from + PART_VALUES) });
      part += 1;
    }
  }
}

/** Largest magnitude, N·m. */
export function peakOf(command: Float64Array): number {
  return command.reduce((most, level) => Math.max(most, Math.abs(level)), 0);
}

/** What an adapter did not say that it can play, each in a clause that follows the name of the link. */
export function loadProblems({ waveform, settings }: Load, can: WireAbilities): readonly string[] {
  const found: string[] = [];
  const { rate, silence, wheel } = waveform;
  const { smoothing, slew } = settings;
  if (!(rate <= can.maximumUpdates)) {
    found.push(`takes at most ${can.maximumUpdates} updates/s, not ${rate}`);
  }
  if (!can.smoothing.includes(smoothing)) {
    found.push(`has no smoothing setting ${smoothing}, only ${can.smoothing.join(', ')}`);
  }
  if (slew !== undefined && !can.setsSlew) found.push('cannot set the slew of the item');
  if (silence !== undefined && !can.silence) found.push('cannot hold updates back on purpose');
  if (wheel !== undefined && !can.closedLoop) found.push('cannot close a loop over a wheel');
  return found;
}

/** What an adapter did not say that it can take. */
export function armProblems(take: TakeOrder, can: WireAbilities): readonly string[] {
  const found: string[] = [];
  if (!can.rates.includes(take.rate)) {
    found.push(`samples at ${can.rates.join(', ')} Hz, not at ${take.rate} Hz`);
  }
  if (take.on === 'trigger' && !can.trigger) found.push('cannot be triggered by the drive');
  if (take.afterStop !== undefined && !can.marksStop) {
    found.push('does not go on after a stop');
  }
  return found;
}
