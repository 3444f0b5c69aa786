import { StallmarkError } from '../base/error.js';
import { BLOCK_SECONDS, type Block, type DeviceReport } from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import type { Port } from '../link/port.js';
import { FrameEncoder, type FrameKind } from '../link/wire-frame.js';
import { encodeSamples } from '../link/wire-samples.js';
import type { EmulatedStand, EmulatedTake } from './stand.js';

/** Frames that a peer may leave untaken before it is hung up on. */
const MOST_UNTAKEN = 256;

/** What an adapter says: frames in the order of the calls, each counted. */
export class WireSpeaker {
  private readonly encoder = new FrameEncoder();
  private readonly text = new TextEncoder();
  private untaken = 0;

  constructor(private readonly port: Port) {}

  /** Whether all that was said was taken. */
  get isHeard(): boolean {
    return this.untaken === 0;
  }

  /** @throws link/stalled, link/closed when nobody takes it. */
  tell(message: Readonly<Record<string, unknown>>): Promise<void> {
    return this.send('control', this.text.encode(JSON.stringify(message)));
  }

  /**
   * Tells the samples of a take as they come, then its end.
   *
   * @param number - Of the take, from 1.
   * @throws link/stalled, link/closed when nobody takes them.
   */
  async tellTake(
    stand: Pick<EmulatedStand, 'channels' | 'rate'>,
    take: EmulatedTake,
    number: number,
  ): Promise<void> {
    const count = Math.max(1, Math.round(stand.rate * BLOCK_SECONDS));
    let next = 0;
    for (let block = 0; ; block += 1) {
      const read = await take.read(next, count);
      if (read === undefined) break; // each read is of samples that are no longer ahead
      const values = interleaved(read, stand.channels);
      const channels = stand.channels.length;
      next = read.start + values.length / channels;
      const payload = encodeSamples({
        ...{ take: number, block, start: read.start, clock: read.device.time, channels, values },
        report: read.device,
        ...(read.opened === undefined ? {} : { opened: read.opened }),
      });
      await this.send('samples', payload);
    }
    await this.tell({ event: 'end', take: number, samples: next });
  }

  private async send(kind: FrameKind, payload: Uint8Array): Promise<void> {
    if (this.untaken >= MOST_UNTAKEN) {
      const what = `${this.port.name} left ${MOST_UNTAKEN} frames untaken.`;
      throw problem('link/stalled', what, 'Read what the adapter sends.');
    }
    this.untaken += 1;
    try {
      await this.port.write(this.encoder.next(kind, payload));
    } finally {
      this.untaken -= 1;
    }
  }
}

function interleaved(block: Block, channels: EmulatedStand['channels']): Float32Array {
  const columns = channels.map((channel) => {
    const column = block.samples[channel];
    if (column === undefined) throw new Error(`the stand gave no samples of ${channel}`);
    return column;
  });
  const frames = columns[0]?.length ?? 0;
  const values = new Float32Array(frames * columns.length);
  for (const [place, column] of columns.entries()) {
    for (let i = 0; i < frames; i++) values[i * columns.length + place] = column[i] ?? 0;
  }
  return values;
}

/** A report as it stands in the reply to `status`. */
export function reportAsTold(report: DeviceReport): Readonly<Record<string, unknown>> {
  const { gap, jitter, time, ...others } = report;
  return {
    ...others,
    ...(gap === undefined ? {} : { gap_s: gap }),
    ...(jitter === undefined ? {} : { jitter_s: jitter }),
    time_s: time,
  };
}

/** The reply that refuses a request; undefined where the error is a defect. */
export function refusalOf(
  error: unknown,
): { readonly code: string; readonly what: string } | undefined {
  if (!(error instanceof StallmarkError)) return undefined;
  const what = error.problems.map((one) => one.what).join(' ');
  return { code: error.problems[0].code, what };
}
