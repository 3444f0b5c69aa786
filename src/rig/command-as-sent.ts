import type { Waveform } from '../pattern/waveform.js';
import type { TimingMethod } from '../procedure/links.js';

/**
 * The command of a take on a bench that does not capture it: as it was sent, laid over the samples by the
 * start that both had in common, and where the device tells its own time, stretched to its clock. How well
 * that fits is the uncertainty of the alignment that the bench description states.
 */
export class CommandAsSent {
  /** @param sampleRate - Hz */
  constructor(
    private readonly waveform: Waveform,
    private readonly sampleRate: number,
    private readonly method: TimingMethod,
  ) {}

  /**
   * Returns the command at samples `start` … `start + count − 1`, N·m.
   *
   * @param pace - Seconds of the device to one second of the samples; counts for `device-clock` only.
   */
  at(start: number, count: number, pace: number): Float32Array {
    const { command, rate } = this.waveform;
    const stretch = this.method === 'device-clock' ? pace : 1;
    const found = new Float32Array(count);
    for (let i = 0; i < count; i++) {
      const update = Math.floor(((start + i) / this.sampleRate) * stretch * rate);
      found[i] = command[Math.min(update, command.length - 1)] ?? 0;
    }
    return found;
  }
}
