import { setImmediate as turn } from 'node:timers/promises';
import type { Port, PortListener } from '../../src/link/port.js';
import { type Frame, FrameDecoder, FrameEncoder } from '../../src/link/wire-frame.js';
import { decodeSamples, encodeWaveform, type SampleFrame } from '../../src/link/wire-samples.js';

type Message = Readonly<Record<string, unknown>>;

/** A runner at the near side of stallmark-link, without deadlines and without patience for void frames. */
export class WireRunner {
  readonly replies = new Map<number, Message>();
  readonly events: Message[] = [];
  readonly blocks: SampleFrame[] = [];
  /** What came, in order: replies as `re 3`, events by name, samples as `samples`. */
  readonly order: string[] = [];
  isClosed = false;
  /** What a write of the adapter waits for. */
  taken: Promise<void> = Promise.resolve();
  readonly encoder = new FrameEncoder();
  private readonly decoder = new FrameDecoder((frame) => {
    this.hear(frame);
  });
  private listener: PortListener | undefined;
  private id = 0;

  /** The port of the adapter. */
  readonly port: Port = {
    name: 'test port',
    tellsEnd: true,
    write: (bytes) => {
      this.decoder.push(bytes);
      return this.taken;
    },
    listen: (listener) => {
      this.listener = listener;
    },
    close: () => {
      if (!this.isClosed) this.listener?.closed('closed here');
      this.isClosed = true;
      return Promise.resolve();
    },
  };

  /** Hangs up. */
  hangUp(): void {
    this.isClosed = true;
    this.listener?.closed('the other end hung up');
  }

  raw(bytes: Uint8Array): void {
    this.listener?.bytes(bytes);
  }

  say(message: Message): void {
    this.raw(this.encoder.next('control', Buffer.from(JSON.stringify(message))));
  }

  /** Sends a request. @returns Its id. */
  post(act: string, members: Message = {}): number {
    this.id += 1;
    this.say({ id: this.id, do: act, ...members });
    return this.id;
  }

  /** Sends a request and says what came, once the adapter has had its turns. */
  async ask(act: string, members: Message = {}): Promise<Message> {
    const id = this.post(act, members);
    return this.reply(id);
  }

  async reply(id: number): Promise<Message> {
    for (let i = 0; i < 20 && !this.replies.has(id); i++) await turn();
    return this.replies.get(id) ?? { nothing: 'came' };
  }

  part(part: number, values: readonly number[], what: 'command' | 'stiffness' = 'command'): void {
    const payload = encodeWaveform({ part, what, values: Float64Array.from(values) });
    this.raw(this.encoder.next('waveform', payload));
  }

  event(name: string): Message | undefined {
    return this.events.find(({ event }) => event === name);
  }

  /** Values of one channel of all blocks. */
  channel(place: number): readonly number[] {
    return this.blocks.flatMap(({ values, channels }) =>
      [...values].filter((_, i) => i % channels === place),
    );
  }

  private hear({ kind, payload }: Frame): void {
    if (kind === 'samples') {
      const frame = decodeSamples(payload);
      if (typeof frame === 'string') throw new Error(frame);
      this.blocks.push(frame);
      this.order.push('samples');
      return;
    }
    const message = JSON.parse(Buffer.from(payload).toString()) as Message;
    const { re, event } = message;
    if (typeof re === 'number') this.replies.set(re, message);
    else this.events.push(message);
    this.order.push(typeof re === 'number' ? `re ${re}` : String(event));
  }
}
