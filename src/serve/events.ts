import type { ServerResponse } from 'node:http';
import type { Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { Hold, HoldView } from './hold.js';
import type { NestDesk } from './nest-desk.js';
import type { Frame, NestView } from './nest-view.js';

/** What a browser is told of the nest: the whole view, and who holds it. */
export type NestTold = NestView & HoldView;

/** A browser that follows the nest. */
export interface Follower {
  /** Number of the session, and which of its tabs. */
  readonly session: number;
  readonly tab: string;
  readonly mayHold: boolean;
  /** Whether the session still counts; the stream ends when it does not. */
  readonly counts: () => boolean;
}

/** ms between two beats: by them a page knows that the server is there. */
export const BEAT = 1000;

/** ms after which a browser is to ask again when a stream broke off. */
const RETRY = 500;

/** Streams of one session: a browser opens six connections at most, and some must stay for requests. */
export const MOST_OF_SESSION = 4;

/** Streams in all. */
export const MOST_STREAMS = 32;

/** Bytes that may wait for a slow browser; one that is further behind begins anew. */
export const MOST_WAITING = 1 << 20;

/** What a stream writes to: a part of `ServerResponse`. */
export type Sink = Pick<
  ServerResponse,
  'write' | 'end' | 'destroy' | 'writableLength' | 'destroyed'
> & { on(event: 'close', told: () => void): unknown };

interface Stream {
  readonly follower: Follower;
  readonly sink: Sink;
  /** What it was told last of who holds the nest. */
  hold: string;
}

/**
 * Tells every following browser what happens at the nest. A slow one gets fewer frames, but every view:
 * a view is whole, so nothing is lost by skipping frames between two of them.
 */
export class Events {
  readonly #streams = new Set<Stream>();
  readonly #ends: readonly (() => void)[];
  #timer: NodeJS.Timeout | undefined;

  constructor(
    private readonly desk: NestDesk,
    private readonly hold: Hold,
    private readonly clock: Clock,
  ) {
    this.#ends = [
      desk.onView(() => {
        this.views();
      }),
      desk.onFrame((frame) => {
        this.#frame(frame);
      }),
    ];
  }

  /** How many browsers follow. */
  get count(): number {
    return this.#streams.size;
  }

  /** Begins to beat, and does something else each time. */
  begin(also: () => void): void {
    this.#timer = setInterval(() => {
      this.beat();
      also();
    }, BEAT);
  }

  /** Follows from now on, beginning with the present view. @throws page/busy. */
  follow(follower: Follower, sink: Sink): void {
    const stream: Stream = { follower, sink, hold: '' };
    this.#streams.add(stream);
    sink.on('close', () => {
      this.#streams.delete(stream);
    });
    sink.write(`retry: ${String(RETRY)}\n\n`);
    this.#view(stream);
    this.#beat(stream);
  }

  /** @throws page/busy when so many follow that no other can. */
  refuseTooMany(session: number): void {
    const own = [...this.#streams].filter(({ follower }) => follower.session === session).length;
    if (own < MOST_OF_SESSION && this.#streams.size < MOST_STREAMS) return;
    const what = `The bench is open in ${String(own)} tabs of this browser and ${String(this.#streams.size)} in all.`;
    const fix = 'Close the tabs that nobody looks at.';
    throw new StallmarkError([{ code: 'page/busy', what, fix }]);
  }

  /** Tells every browser the present view, because it or the hold changed. */
  views(): void {
    for (const stream of this.#streams) this.#view(stream);
  }

  /** Tells every browser that the server is there, and those whose hold lapsed so. */
  beat(): void {
    for (const stream of this.#streams) {
      if (!stream.follower.counts()) this.#end(stream);
      else {
        if (stream.hold !== this.#holdOf(stream)) this.#view(stream);
        this.#beat(stream);
      }
    }
  }

  close(): void {
    clearInterval(this.#timer);
    for (const end of this.#ends) end();
    for (const stream of this.#streams) this.#end(stream);
  }

  #end(stream: Stream): void {
    this.#streams.delete(stream);
    stream.sink.end();
  }

  #view(stream: Stream): void {
    const { session, tab, mayHold } = stream.follower;
    const told: NestTold = { ...this.desk.view, ...this.hold.view({ session, tab }, mayHold) };
    stream.hold = this.#holdOf(stream);
    this.#write(stream, event('nest', JSON.stringify(told)));
  }

  #beat(stream: Stream): void {
    this.#write(stream, event('beat', String(this.clock.now())));
  }

  #holdOf({ follower: { session, tab, mayHold } }: Stream): string {
    return JSON.stringify(this.hold.view({ session, tab }, mayHold));
  }

  #frame(frame: Frame): void {
    const text = event('frame', JSON.stringify(frame));
    for (const { sink } of this.#streams) if (sink.writableLength === 0) sink.write(text);
  }

  /** A browser too far behind is cut off: it asks again and gets the present view. */
  #write(stream: Stream, text: string): void {
    const { sink } = stream;
    if (sink.destroyed) return;
    if (sink.writableLength + text.length <= MOST_WAITING) sink.write(text);
    else {
      this.#streams.delete(stream);
      sink.destroy();
    }
  }
}

const event = (name: string, data: string): string => `event: ${name}\ndata: ${data}\n\n`;
