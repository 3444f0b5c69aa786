import { hertz, torquePerSecond, type Quantity } from '../base/units.js';
import { decodeWaveform } from '../link/wire-samples.js';
import type { Waveform, Wheel } from '../pattern/waveform.js';
import { type Members, membersIn, numberIn, optionalIn, unreadable } from './wire-request.js';

/** What a load asks for, once all of it has come. */
export interface WireLoad {
  readonly waveform: Waveform;
  readonly smoothing: number;
  readonly slew?: Quantity<'N·m/s'>;
}

/** Updates of a waveform at most: half an hour at 1 kHz. */
const MOST_LOADED = 2 ** 21;
const MOST_PARTS = 4096;
const SOME = { from: Number.MIN_VALUE, to: Number.MAX_VALUE };
const ANY = { from: 0, to: Number.MAX_VALUE };
const COUNT = { from: 0, to: MOST_LOADED, whole: true } as const;

/** Reads how many frames follow a load. @throws link/refused */
export function partsOf(request: Members): number {
  return numberIn(request, 'parts', { from: 1, to: MOST_PARTS, whole: true });
}

/**
 * Gathers the frames of a load. Frames that were announced are taken also when the load is refused, so
 * that a runner that sent them at once is answered and not hung up on.
 */
export class LoadParts {
  private left: number;
  private next = 0;
  private head: Omit<Head, 'updates'> | undefined;
  private command: Filled = filled(0);
  private stiffness: Filled = filled(0);
  /** What is wrong so far. */
  private fault: unknown;

  constructor(request: Members, parts: number) {
    this.left = parts;
    try {
      const { updates, ...head } = headOf(request);
      this.head = head;
      this.command = filled(updates);
      this.stiffness = filled(head.wheel === undefined ? 0 : updates);
    } catch (error) {
      this.fault = error; // thrown when all parts have come
    }
  }

  /** Takes a frame. @returns Whether it was the last. */
  take(payload: Uint8Array): boolean {
    try {
      if (this.fault === undefined) this.put(payload);
    } catch (error) {
      this.fault = error; // thrown when all parts have come
    }
    this.left -= 1;
    return this.left <= 0;
  }

  /** What was asked for. @throws link/refused */
  get load(): WireLoad {
    const { head, command, stiffness, fault } = this;
    if (fault !== undefined || head === undefined) throw fault;
    for (const [name, { values, count }] of Object.entries({ command, stiffness })) {
      if (count === values.length) continue;
      throw unreadable(`${count} values of ${name} came, but ${values.length} were announced.`);
    }
    const { wheel, rate, silence, smoothing, slew } = head;
    return {
      waveform: {
        ...{ rate, command: command.values },
        ...(silence === undefined ? {} : { silence }),
        ...(wheel === undefined ? {} : { wheel: { ...wheel, stiffness: stiffness.values } }),
      },
      smoothing,
      ...(slew === undefined ? {} : { slew: torquePerSecond(slew) }),
    };
  }

  private put(payload: Uint8Array): void {
    const frame = decodeWaveform(payload);
    if (typeof frame === 'string') throw unreadable(`The runner ${frame}.`);
    if (frame.part !== this.next) {
      throw unreadable(`Part ${frame.part} came where part ${this.next} was due.`);
    }
    this.next += 1;
    const to = frame.what === 'command' ? this.command : this.stiffness;
    if (to.count + frame.values.length > to.values.length) {
      const what = `More than the ${to.values.length} values of ${frame.what} came that were announced.`;
      throw unreadable(what);
    }
    to.values.set(frame.values, to.count);
    to.count += frame.values.length;
  }
}

interface Filled {
  readonly values: Float64Array;
  count: number;
}

const filled = (length: number): Filled => ({ values: new Float64Array(length), count: 0 });

interface Head {
  readonly rate: Quantity<'Hz'>;
  readonly updates: number;
  readonly smoothing: number;
  readonly slew: number | undefined;
  readonly silence: Waveform['silence'];
  readonly wheel: Omit<Wheel, 'stiffness'> | undefined;
}

function headOf(request: Members): Head {
  const silence = membersIn(request, 'silence');
  const wheel = membersIn(request, 'wheel');
  return {
    rate: hertz(numberIn(request, 'rate_Hz', SOME)),
    updates: numberIn(request, 'updates', { ...COUNT, from: 1 }),
    smoothing: numberIn(request, 'smoothing', { from: 0, to: 5, whole: true }),
    slew: optionalIn(request, 'slew_Nm_per_s', ANY),
    silence: silence && {
      from: numberIn(silence, 'from', COUNT),
      to: numberIn(silence, 'to', COUNT),
    },
    wheel: wheel && {
      inertia: numberIn(wheel, 'inertia_kgm2', ANY),
      drag: numberIn(wheel, 'drag_Nms_per_rad', ANY),
      damping: numberIn(wheel, 'damping_Nms_per_rad', ANY),
      limit: numberIn(wheel, 'limit_Nm', ANY),
    },
  };
}
