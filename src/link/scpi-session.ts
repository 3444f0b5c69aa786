import type { Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import type { Port } from './port.js';
import { ScpiConversation } from './scpi-conversation.js';
import { oneError, otherForm, texts, type Form } from './scpi-form.js';
import { refusal } from './scpi-refusal.js';

/** ms until a reply that is waited for during a take or with power on. */
export const PROMPT = 240;
/** ms until any other reply. */
export const PATIENT = 1000;
/** ms until a marker comes back: an instrument that is late is given this time. */
const SYNCHRONISED = 500;
/** Errors that are read from the queue of an instrument at a time. */
export const MOST_ERRORS = 32;
/** Requests that may wait for each other; more are a defect of ours. */
const MOST_WAITING = 32;
/** ms that a block may take to be sent while something urgent waits. */
const BLOCK_PATIENCE = 150;
const MARKS = 2 ** 24;

/** An instrument to talk to. */
export interface SessionParts {
  /** Of the link, for problems. */
  readonly name: string;
  /** Calls the instrument, within a deadline of its own. @throws link/… */
  readonly open: () => Promise<Port>;
  readonly clock: Clock;
  /** Questions of the dialect for who it is, and for the oldest error of its queue. */
  readonly identity: string;
  readonly error: string;
  /** What is sent each time it was called. */
  readonly prepare: readonly string[];
}

/** A message, or one that ends with a block. */
export type Message = string | { readonly head: string; readonly block: Uint8Array };

/**
 * Talks with an instrument after IEEE 488.2 and SCPI-1999, one request at a time, each within a deadline.
 *
 * A reply that comes late is never taken for another: the next request begins with a marker, see
 * `ScpiConversation.synchronise`. Where that does not come back, or the link was closed, the instrument is
 * called again, and must say that it is the one it was.
 */
export class ScpiSession {
  /** How often the instrument was called. What was set before the last time may be lost. */
  connections = 0;
  private talk: ScpiConversation | undefined;
  private known: string | undefined;
  private end: StallmarkError | undefined;
  private tail: Promise<unknown> = Promise.resolve();
  private waiting = 0;
  private isTelling = false;
  private mark: number;
  private said: readonly string[] = [];

  constructor(private readonly parts: SessionParts) {
    this.mark = Math.floor(parts.clock.now()) % MARKS;
  }

  /** What went wrong besides requests, the newest last: errors swept out of the queue, feeds not taken. */
  get remarks(): readonly string[] {
    return this.said;
  }

  /** Calls the instrument and returns what it says it is. @throws link/… */
  open(): Promise<string> {
    return this.exclusively(async () => {
      await this.inStep();
      return this.known ?? '';
    });
  }

  /**
   * Asks one question and reads the reply. One that cannot be read puts the replies out of step.
   *
   * @param deadline - ms
   * @throws link/…
   */
  ask<T>(question: string, form: Form<T>, deadline = PATIENT): Promise<T> {
    return this.exclusively(async () => this.asked(await this.inStep(), question, form, deadline));
  }

  /**
   * Sends messages in order, then reads the error queue until it is empty.
   *
   * @param deadline - ms until the instrument has done it all.
   * @param over - Connection, as `connections` counts, over which alone it may be done.
   * @throws link/refused with every error it tells, link/closed when it had to be called again, and link/…
   */
  act(messages: readonly Message[], deadline = PATIENT, over?: number): Promise<void> {
    return this.exclusively(async () => {
      const talk = await this.inStep();
      if (over !== undefined && over !== this.connections) throw this.calledAgain();
      for (const message of messages) {
        if (typeof message === 'string') await talk.send(message);
        else await talk.sendBlock(message.head, message.block);
      }
      throwIfAny(await this.errors(talk, messages, deadline));
    });
  }

  /**
   * Sends a message that has no reply, at once and also while a reply is waited for. Never waits and
   * never throws: what is not taken in time shows at the next request. While a block is being sent, the
   * same again waits to be taken, or replies are out of step, nothing is sent.
   */
  tell(message: string): void {
    const { talk } = this;
    if (talk === undefined || talk.isOver || talk.isInDoubt) return;
    if (talk.blockSent !== undefined || this.isTelling) return;
    this.isTelling = true;
    void talk
      .send(message)
      .catch((error: unknown) => {
        if (!(error instanceof StallmarkError)) throw error;
        this.remark(error.problems[0].what);
      })
      .finally(() => {
        this.isTelling = false;
      });
  }

  /**
   * Sends messages at once, ahead of requests that wait. Where nobody is connected nothing is sent; the
   * next request calls again.
   *
   * @throws link/stalled, link/closed
   */
  async urge(messages: readonly string[]): Promise<void> {
    const { talk } = this;
    if (talk === undefined || talk.isOver) return;
    await this.afterBlock(talk);
    for (const message of messages) await talk.send(message);
  }

  /** Reads the error queue and keeps what it tells, or why it tells nothing, as remarks. */
  sweep(): Promise<void> {
    return this.exclusively(async () => {
      try {
        await this.swept(await this.inStep());
      } catch (error) {
        if (!(error instanceof StallmarkError)) throw error;
        this.remark(error.problems[0].what);
      }
    });
  }

  /** Hangs up for good. Never throws. */
  async close(): Promise<void> {
    const what = `The link "${this.parts.name}" was let go by this program.`;
    const fix = 'Open the bench again.';
    this.end ??= new StallmarkError([{ code: 'link/closed', what, fix }]);
    await this.talk?.close();
  }

  private calledAgain(): StallmarkError {
    const what = `The link "${this.parts.name}" was called again since its limits were set, and may have lost them.`;
    return new StallmarkError([{ code: 'link/closed', what, fix: 'Start the run again.' }]);
  }

  private exclusively<T>(act: () => Promise<T>): Promise<T> {
    if (this.waiting >= MOST_WAITING) throw new Error('too many requests wait for an instrument');
    this.waiting += 1;
    const done = this.tail.then(act).finally(() => {
      this.waiting -= 1;
    });
    this.tail = done.catch(() => undefined);
    return done;
  }

  /** The connection, with no reply under way. Calls the instrument when there is none. */
  private async inStep(): Promise<ScpiConversation> {
    if (this.end !== undefined) throw this.end;
    const { talk } = this;
    if (talk !== undefined && !talk.isOver) {
      if (!talk.isInDoubt) return talk;
      try {
        await talk.synchronise(this.nextMark(), SYNCHRONISED);
        await this.swept(talk);
        return talk;
      } catch (error) {
        if (!(error instanceof StallmarkError)) throw error;
        this.remark(error.problems[0].what);
        await talk.close();
      }
    }
    return this.called();
  }

  private async called(): Promise<ScpiConversation> {
    const { name, clock, prepare } = this.parts;
    const talk = new ScpiConversation(await this.parts.open(), name, clock);
    this.talk = talk;
    try {
      if (this.end !== undefined) throw this.end;
      await talk.synchronise(this.nextMark(), SYNCHRONISED);
      await this.recognise(talk);
      await this.swept(talk); // errors of whoever talked with it before
      for (const message of prepare) await talk.send(message);
      throwIfAny(await this.errors(talk, prepare, PATIENT));
    } catch (error) {
      await talk.close();
      throw error;
    }
    this.connections += 1;
    return talk;
  }

  private async recognise(talk: ScpiConversation): Promise<void> {
    const told = (await this.asked(talk, this.parts.identity, texts)).join(',');
    this.known ??= told;
    if (told === this.known) return;
    const what = `The link "${this.parts.name}" is now "${told}"; it was "${this.known}".`;
    const fix = 'Connect the instrument that was there, or start the run again.';
    this.end = new StallmarkError([{ code: 'link/identity', what, fix }]);
    throw this.end;
  }

  private async asked<T>(
    talk: ScpiConversation,
    question: string,
    form: Form<T>,
    deadline = PATIENT,
  ): Promise<T> {
    const subject = `The reply of the link "${this.parts.name}" to "${question}"`;
    const reply = await talk.ask(question, deadline);
    try {
      const [values] = reply;
      if (values === undefined || reply.length > 1) {
        throw otherForm(subject, reply.flat(), `one reply, not ${reply.length}`);
      }
      return form(values, subject);
    } catch (error) {
      talk.isInDoubt = true;
      throw error;
    }
  }

  /** What the error queue holds, up to its end. */
  private async errors(
    talk: ScpiConversation,
    sent: readonly Message[],
    deadline: number,
  ): Promise<readonly Problem[]> {
    const { name, error } = this.parts;
    const told = sent.map((one) => (typeof one === 'string' ? one : `${one.head}…`));
    const found = new Map<string, Problem>();
    for (let i = 0; i < MOST_ERRORS; i++) {
      const one = await this.asked(talk, error, oneError, i === 0 ? deadline : PATIENT);
      if (one[0] === 0) return [...found.values()];
      const problem = refusal(name, told, one);
      found.set(problem.what, problem);
    }
    const what = `The link "${name}" tells more than ${MOST_ERRORS} errors.`;
    const fix = 'Read the errors at the instrument, then switch it off and on.';
    return [...found.values(), { code: 'link/refused', what, fix }];
  }

  private async swept(talk: ScpiConversation): Promise<void> {
    for (const { what } of await this.errors(talk, [], PATIENT)) this.remark(what);
  }

  private remark(what: string): void {
    this.said = [...this.said, what].slice(-MOST_ERRORS);
  }

  private nextMark(): number {
    this.mark = (this.mark + 1) % MARKS;
    return this.mark;
  }

  private async afterBlock(talk: ScpiConversation): Promise<void> {
    const { blockSent } = talk;
    if (blockSent === undefined) return;
    const late = this.parts.clock.wait(BLOCK_PATIENCE).then(() => 'late');
    if ((await Promise.race([blockSent, late])) !== 'late') return;
    await talk.close();
    const what = `The link "${this.parts.name}" was taking a block for more than ${BLOCK_PATIENCE} ms when it had to be made safe; it was hung up on.`;
    const fix = 'Press the emergency stop, then look at the instrument.';
    throw new StallmarkError([{ code: 'link/stalled', what, fix }]);
  }
}
