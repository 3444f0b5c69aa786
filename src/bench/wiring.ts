import { unreachable } from '../base/error.js';
import { CHANNELS, type Block, type Channel } from './bench.js';
import type { Frame } from './converter.js';
import type { DeadChannel, MeasuredChannel, Wiring } from './spread.js';

/** Ends of the converter, ±, in the unit of each channel. */
export type ChannelEnds = Readonly<Record<Channel, number>>;

/** The plugs between sensors and host: hands samples on as they are wired, whatever was measured. */
export class Harness {
  private readonly isSound: boolean;
  /** What each stuck channel stands on: the first value that it brought. */
  private readonly held = new Map<Channel, number>();
  private samples = 0;

  constructor(
    private readonly wiring: Wiring,
    private readonly ends: ChannelEnds,
  ) {
    this.isSound = wiring.swapped === undefined && wiring.dead === undefined;
  }

  /** Returns what the host sees of a frame; the frame itself when nothing is wrong. */
  pass(frame: Frame): Block['samples'] {
    if (this.isSound) return frame;
    const seen = this.swapped(frame);
    const handed = CHANNELS.flatMap((channel): readonly (readonly [Channel, Float32Array])[] => {
      const samples = seen[channel];
      const fault = this.wiring.dead?.[channel];
      if (samples === undefined || fault?.kind === 'missing') return [];
      return [[channel, fault === undefined ? samples : this.spoilt(channel, samples, fault)]];
    });
    this.samples += frame.command.length;
    return Object.fromEntries(handed);
  }

  /** What is a full scale on one plug is a full scale on the other. */
  private swapped(frame: Frame): Block['samples'] {
    if (this.wiring.swapped === undefined) return frame;
    const [a, b] = this.wiring.swapped;
    const onto = (from: MeasuredChannel, to: MeasuredChannel): Float32Array =>
      frame[from].map((value) => (value / this.ends[from]) * this.ends[to]);
    return { ...frame, [a]: onto(b, a), [b]: onto(a, b) };
  }

  private spoilt(channel: Channel, samples: Float32Array, fault: DeadChannel): Float32Array {
    switch (fault.kind) {
      case 'missing':
        return new Float32Array();
      case 'stuck': {
        const value = this.held.get(channel) ?? samples[0] ?? 0;
        this.held.set(channel, value);
        return samples.map(() => value);
      }
      case 'rail':
        return samples.map(() => this.ends[channel]);
      case 'invalid':
        return samples.map((value, i) => ((this.samples + i) % fault.every === 0 ? NaN : value));
      default:
        return unreachable(fault);
    }
  }
}
