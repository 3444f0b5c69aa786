import type { Clock } from '../base/clock.js';
import type { Dialect, PortPlace, ScpiDescription } from '../procedure/links.js';
import type { Port } from './port.js';
import type { BlockForm } from './scpi-block.js';
import { definiteBlock } from './scpi-block.js';
import { oneBlock, oneNumber, texts, type Form } from './scpi-form.js';
import { writeScpiNumber } from './scpi-number.js';
import { PATIENT, ScpiSession, type Message } from './scpi-session.js';

/** Values for the names in braces. */
export type Filling = Readonly<Record<string, number | string>>;

/** Calls a device. @throws link/unreachable */
export type OpenPort = (place: PortPlace) => Promise<Port>;

/** Says in the words of a dialect what is wanted of an instrument. */
export class ScpiSpeaker {
  readonly session: ScpiSession;
  private readonly dialect: Dialect;

  constructor(
    readonly name: string,
    { place, dialect }: ScpiDescription,
    open: OpenPort,
    clock: Clock,
  ) {
    this.dialect = dialect;
    this.session = new ScpiSession({
      ...{ name, clock },
      open: () => open(place),
      identity: this.question('identity', {}),
      error: this.question('error', {}),
      prepare: dialect.acts.get('prepare') ?? [],
    });
  }

  can(act: string): boolean {
    return this.dialect.acts.has(act);
  }

  knows(question: string): boolean {
    return this.dialect.questions.has(question);
  }

  /** Does an act, over one connection alone where that is named, then reads the error queue. @throws link/refused, link/… */
  act(name: string, filling: Filling = {}, deadline = PATIENT, over?: number): Promise<void> {
    return this.session.act(this.messages(name, filling), deadline, over);
  }

  /** Does an act that ends with a block. @throws link/refused, link/… */
  actWithBlock(name: string, bytes: Uint8Array, deadline = PATIENT): Promise<void> {
    const messages = this.messages(name, {}).map((text): Message => {
      const head = text.replace(/\{block\}$/u, '');
      return head === text ? text : { head, block: definiteBlock(bytes) };
    });
    return this.session.act(messages, deadline);
  }

  /** What an act sends. */
  messages(name: string, filling: Filling = {}): readonly string[] {
    const texts = this.dialect.acts.get(name);
    if (texts === undefined) throw new Error(`the dialect has no act "${name}"`);
    return texts.map((text) => filled(text, filling));
  }

  ask<T>(name: string, form: Form<T>, deadline = PATIENT, filling: Filling = {}): Promise<T> {
    return this.session.ask(this.question(name, filling), form, deadline);
  }

  number(name: string, deadline = PATIENT): Promise<number> {
    return this.ask(name, oneNumber, deadline);
  }

  texts(name: string, deadline = PATIENT): Promise<readonly string[]> {
    return this.ask(name, texts, deadline);
  }

  block(name: string, deadline: number, filling: Filling): Promise<Uint8Array> {
    return this.ask(name, oneBlock, deadline, filling);
  }

  /** A fact that is a number, or `otherwise` when it is left out. */
  numeric(fact: string, otherwise: number): number {
    const value = this.dialect.facts.get(fact);
    return typeof value === 'number' ? value : otherwise;
  }

  /** A fact that is a word. */
  word(fact: string): string | undefined {
    const value = this.dialect.facts.get(fact);
    return typeof value === 'string' ? value : undefined;
  }

  /** A fact that is a list. */
  list(fact: string): readonly string[] {
    return this.word(fact)?.split(' ') ?? [];
  }

  get blockForm(): BlockForm {
    const format = this.word('format');
    return {
      format: format === 'f64' || format === 'i16' ? format : 'f32',
      isSwapped: this.word('byte-order') === 'swapped',
      voltsPerCount: this.numeric('volts-per-count', 1),
    };
  }

  private question(name: string, filling: Filling): string {
    const text = this.dialect.questions.get(name);
    if (text === undefined) throw new Error(`the dialect has no question "${name}"`);
    return filled(text, filling);
  }
}

/** Names without a value are left as they are: a block is put in by who sends it. */
function filled(text: string, filling: Filling): string {
  return text.replace(/\{([^{}]*)\}/gu, (braces, name: string) => {
    const value = filling[name];
    if (value === undefined) return braces;
    return typeof value === 'number' ? writeScpiNumber(value) : value;
  });
}

/** Whether who answers says that it is an emulator: the first field of its identity is SIMULATED. */
export function saysSimulated(identity: string): boolean {
  return identity.split(',', 1)[0]?.trim().toUpperCase() === 'SIMULATED';
}
