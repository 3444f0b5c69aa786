import { setImmediate as nextTurn } from 'node:timers/promises';
import type { Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { Port, PortListener } from './port.js';
import { ReplySplitter, type Reply } from './scpi-reply.js';

/** Replies that nobody asked for after which an instrument is hung up on. */
const MOST_UNASKED = 1000;
/** Bytes handed to the port at a time, so that each piece is taken within its deadline by slow lines too. */
const PIECE = 1024;

/** ms after a reply in which its deadline is forgotten. */
const SLICE = 250;

/** Who waits for a reply. */
interface Waiting {
  /** Whether this is the reply; others are thrown away. */
  readonly takes: (reply: Reply) => boolean;
  readonly resolve: (reply: Reply) => void;
  readonly reject: (error: StallmarkError) => void;
}

/**
 * One connection to an instrument: a question at a time, and its reply within a deadline.
 *
 * After a reply that did not come in time the connection is in doubt: the reply may come yet, and would be
 * taken for that to the next question. `synchronise` ends the doubt.
 */
export class ScpiConversation implements PortListener {
  /** Whether a reply may come that nobody waits for any more. */
  isInDoubt = false;
  private readonly splitter: ReplySplitter;
  private waiting: Waiting | undefined;
  private unasked = 0;
  private over: StallmarkError | undefined;
  private sendingBlock: Promise<void> | undefined;

  /** @param name - Of the link, for problems. */
  constructor(
    private readonly port: Port,
    private readonly name: string,
    private readonly clock: Clock,
  ) {
    this.splitter = new ReplySplitter((reply) => {
      this.receive(reply);
    }, name);
    port.listen(this);
  }

  get isOver(): boolean {
    return this.over !== undefined;
  }

  /** Resolves when no block is being sent; absent when none is. Never rejects. */
  get blockSent(): Promise<void> | undefined {
    return this.sendingBlock;
  }

  bytes(chunk: Uint8Array): void {
    if (this.over !== undefined) return;
    try {
      this.splitter.push(chunk);
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      this.end(error);
    }
  }

  closed(reason: string, code: 'link/closed' | 'link/stalled' = 'link/closed'): void {
    const how = code === 'link/closed' ? 'hung up' : 'was given up';
    const what = `The link "${this.name}" ${how}: ${reason}.`;
    const fix = 'Check the cable and the power of the instrument.';
    this.end(new StallmarkError([{ code, what, fix }]));
  }

  /**
   * Asks one question.
   *
   * @param deadline - ms until its reply, the sending included.
   * @throws link/silent, link/closed, link/garbled, link/stalled
   */
  async ask(question: string, deadline: number): Promise<Reply> {
    return this.exchange(question, deadline, () => true);
  }

  /**
   * Throws away every reply up to the one to a marker, after which no earlier reply can come.
   *
   * The marker sets a register three times and asks for it each time, so the reply is three numbers with
   * `;` between them. This is safe because an instrument replies in the order it was asked; because no
   * question of a dialect is more than one query (procedure/dialect.ts), so that no other reply has this
   * form; and because no two markers have the same numbers. To hang up and call again would not do by
   * itself: a serial line has no new connection, and some instruments keep their replies for whoever calls
   * next. What does not answer the marker is hung up on, called again, and then asked it again.
   *
   * Source: IEEE 488.2-1992, 6.1.10 (replies in order), 8.4.1 (`;` between the replies of one message)
   * and 10.10, 10.11 (`*ESE`, which every instrument has), from memory.
   *
   * A line end goes before it, in case the instrument still has half a message of somebody else.
   *
   * @param mark - Of 24 bits, never the same twice.
   * @throws link/silent, link/closed, link/garbled, link/stalled
   */
  async synchronise(mark: number, deadline: number): Promise<void> {
    const numbers = [mark & 255, (mark >> 8) & 255, (mark >> 16) & 255];
    const marker = `\n${numbers.map((number) => `*ESE ${number};*ESE?`).join(';')}`;
    await this.exchange(marker, deadline, (reply) => {
      if (!isOf(reply, numbers)) return false;
      this.isInDoubt = false;
      this.unasked = 0;
      return true;
    });
  }

  /** Sends one message. What is sent meanwhile comes after it. @throws link/stalled, link/closed */
  async send(message: string): Promise<void> {
    if (this.over !== undefined) throw this.over;
    await this.write(new TextEncoder().encode(`${message}\n`));
  }

  /**
   * Sends a message that ends with a block. Nothing else may be sent before `blockSent`: it would be
   * taken for a part of the block.
   *
   * @throws link/stalled, link/closed
   */
  async sendBlock(head: string, block: Uint8Array): Promise<void> {
    if (this.over !== undefined) throw this.over;
    const sent = this.pieces(new TextEncoder().encode(head), block);
    const settled = sent.then(
      () => undefined,
      () => undefined,
    );
    this.sendingBlock = settled;
    try {
      await sent;
    } finally {
      this.sendingBlock = undefined;
    }
  }

  /** Hangs up. Whoever waits is told that the link is closed. Never throws. */
  async close(): Promise<void> {
    this.closed('this program let go of it');
    await this.port.close();
  }

  private async pieces(head: Uint8Array, block: Uint8Array): Promise<void> {
    await this.write(head);
    for (let at = 0; at < block.length; at += PIECE) {
      if (this.over !== undefined) throw this.over;
      await this.write(block.subarray(at, at + PIECE));
    }
    await this.write(Uint8Array.of(10));
  }

  /** What was sent in part leaves the instrument within a message, so the connection is of no use then. */
  private async write(bytes: Uint8Array): Promise<void> {
    try {
      await this.port.write(bytes);
    } catch (error) {
      if (error instanceof StallmarkError) this.end(error);
      throw error;
    }
  }

  private async exchange(
    message: string,
    deadline: number,
    takes: Waiting['takes'],
  ): Promise<Reply> {
    if (this.over !== undefined) throw this.over;
    if (this.waiting !== undefined) throw new Error('two questions at once');
    const answer = new Promise<Reply>((resolve, reject) => {
      this.waiting = { takes, resolve, reject };
    });
    let isOver = false;
    const late = this.untilLate(deadline, () => isOver).then((): never => {
      throw this.silent(message, deadline);
    });
    const sent = this.send(message).then(() => answer);
    try {
      return await Promise.race([answer, sent, late]);
    } catch (error) {
      this.isInDoubt = true;
      throw error;
    } finally {
      isOver = true;
      this.waiting = undefined;
    }
  }

  /** Waits in slices: a long deadline must not keep the program alive when the reply came long ago. */
  private async untilLate(deadline: number, isOver: () => boolean): Promise<void> {
    const until = this.clock.monotonic() + deadline;
    for (let left = deadline; left > 0 && !isOver(); left = until - this.clock.monotonic()) {
      await this.clock.wait(Math.min(left, SLICE));
    }
    await nextTurn(); // a reply that arrived while this program was held up is no late one
  }

  private receive(reply: Reply): void {
    const { waiting } = this;
    if (waiting?.takes(reply) === true) {
      this.waiting = undefined;
      waiting.resolve(reply);
      return;
    }
    this.isInDoubt = true;
    this.unasked += 1;
    if (this.unasked <= MOST_UNASKED || this.over !== undefined) return;
    const what = `The link "${this.name}" sent ${this.unasked} replies to nothing.`;
    const fix = 'Check that the place of the link is that of the instrument.';
    this.end(new StallmarkError([{ code: 'link/garbled', what, fix }]));
  }

  private end(error: StallmarkError): void {
    if (this.over !== undefined) return;
    this.over = error;
    this.isInDoubt = true;
    this.waiting?.reject(error);
    this.waiting = undefined;
    void this.port.close();
  }

  private silent(message: string, deadline: number): StallmarkError {
    const what = `The link "${this.name}" did not answer "${message.trim()}" within ${deadline} ms.`;
    const fix = 'Check the cable and the power of the instrument, then the dialect of the link.';
    return new StallmarkError([{ code: 'link/silent', what, fix }]);
  }
}

function isOf(reply: Reply, numbers: readonly number[]): boolean {
  return (
    reply.length === numbers.length &&
    reply.every(([value, ...more], i) => {
      if (value?.kind !== 'text' || more.length > 0) return false;
      return /^[+-]?\d+$/u.test(value.text) && Number(value.text) === numbers[i];
    })
  );
}
