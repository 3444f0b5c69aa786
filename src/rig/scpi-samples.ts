import { CHANNELS, type Channel } from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import { bytesPerValue, voltsOf, type BlockForm } from '../link/scpi-block.js';
import { PROMPT } from '../link/scpi-session.js';
import type { ScpiSpeaker } from '../link/scpi-speaker.js';
import type { ChannelInput } from '../procedure/links.js';
import type { SampleBlock } from './rig.js';

/** Most inputs that are read; an instrument that says more is not believed. */
const MOST_INPUTS = 256;
/** What stands for an infinite value and for none, as a block of f32 or f64 holds it. */
const INFINITE = 9.9e37;
const NOT_A_NUMBER = 9.91e37;
/** Both have three digits; binary32 holds seven. */
const NEAR = 1e-5;

/** Fetches the samples of all inputs as blocks of volts and turns them into channels. */
export class ScpiSamples {
  private readonly form: BlockForm;
  private readonly range: number;
  /** Channel, position in a row of inputs, scale. */
  private readonly columns: readonly (readonly [Channel, number, ChannelInput])[];

  /**
   * @param inputs - Interleaved in a block.
   * @throws link/ability when a channel is read from an input that there is not.
   */
  constructor(
    private readonly speaker: ScpiSpeaker,
    private readonly inputs: number,
    channels: ReadonlyMap<string, ChannelInput>,
  ) {
    this.form = speaker.blockForm;
    this.range = speaker.numeric('range', Number.POSITIVE_INFINITY);
    if (!(Number.isInteger(inputs) && inputs >= 1 && inputs <= MOST_INPUTS)) {
      const what = `The link "${speaker.name}" says that it has ${inputs} inputs; 1 … ${MOST_INPUTS} can be read.`;
      throw problem('link/ability', what, 'Check the question or fact "inputs" of the dialect.');
    }
    const first = speaker.numeric('first-input', 1);
    this.columns = CHANNELS.flatMap((channel) => {
      const scale = channels.get(channel);
      return scale === undefined ? [] : [[channel, scale.input - first, scale] as const];
    });
    for (const [channel, column, { input }] of this.columns) {
      if (Number.isInteger(column) && column >= 0 && column < inputs) continue;
      const what = `The channel "${channel}" is read from input ${input}, but the link "${speaker.name}" has the inputs ${first} … ${first + inputs - 1}.`;
      throw problem('link/ability', what, 'Correct "channels" of the bench description.');
    }
  }

  /**
   * Fetches at most `count` samples from `from` on; undefined when none is there.
   *
   * @throws link/garbled, link/…
   */
  async fetch(
    from: number,
    count: number,
  ): Promise<{ readonly count: number; readonly samples: SampleBlock['samples'] } | undefined> {
    const bytes = await this.speaker.block('blocks', PROMPT, { from, count });
    const row = this.inputs * bytesPerValue(this.form);
    const rows = bytes.length / row;
    if (!Number.isInteger(rows) || rows > count) {
      const what = `The link "${this.speaker.name}" sent ${bytes.length} bytes for at most ${count} samples of ${this.inputs} inputs with ${row} bytes each.`;
      throw problem('link/garbled', what, 'Check "format" and "blocks" of the dialect.');
    }
    if (rows === 0) return undefined;
    const volts = voltsOf(bytes, this.form);
    const samples = this.columns.map(
      ([channel, column, scale]) => [channel, this.column(volts, column, scale)] as const,
    );
    return { count: rows, samples: Object.fromEntries(samples) };
  }

  private column(
    volts: Float64Array,
    column: number,
    { input, perVolt, at0V }: ChannelInput,
  ): Float32Array {
    const values = new Float32Array(volts.length / this.inputs);
    for (let i = 0; i < values.length; i++) {
      values[i] = at0V + perVolt * this.measured(volts[i * this.inputs + column] ?? NaN, input);
    }
    return values;
  }

  /** A voltage as it was measured. What the instrument marks as over range stays at the rail. */
  private measured(volts: number, input: number): number {
    const size = Math.abs(volts);
    if (size < INFINITE * (1 - NEAR)) return volts;
    const isMarked = this.form.format !== 'i16' && Math.abs(size / INFINITE - 1) <= NEAR;
    if (isMarked) return Math.sign(volts) * this.range;
    const found = Math.abs(volts / NOT_A_NUMBER - 1) <= NEAR ? 'no value' : String(volts);
    const what = `The link "${this.speaker.name}" sent ${found} as the voltage of input ${input}.`;
    throw problem('link/garbled', what, 'Check "format" and "byte-order" of the dialect.');
  }
}
