/** Members of a JSON mapping, nothing known of them. */
export type Members = Readonly<Record<string, unknown>>;

/** Characters of a text at most, where nothing else is said. */
const MOST_TEXT = 400;

/**
 * Reads members of a message that somebody else wrote, and gathers all that is wrong with them, each
 * in a clause that follows the name of the sender. What is wrong reads as 0, '' or false: look at
 * `found` before anything is believed.
 */
export class MessageReader {
  constructor(
    private readonly members: Members,
    private readonly path = '',
    readonly found: string[] = [],
  ) {}

  /** Whether a member is there and not null. */
  has(name: string): boolean {
    return (this.of(name) ?? null) !== null;
  }

  /** Whether a member is there and null. */
  isNull(name: string): boolean {
    return this.of(name) === null;
  }

  /** Reads a text: cut to `most` characters, with spaces in place of control characters. */
  text(name: string, most = MOST_TEXT): string {
    const value = this.of(name);
    if (typeof value === 'string') return plainText(value, most);
    this.add(name, 'a text');
    return '';
  }

  /** Reads a finite number within bounds. */
  number(name: string, from = -Number.MAX_VALUE, to = Number.MAX_VALUE): number {
    const value = this.of(name);
    if (typeof value === 'number' && value >= from && value <= to) return value;
    const least = from === -Number.MAX_VALUE ? '' : ` of ${from} or more`;
    const most = to === Number.MAX_VALUE ? '' : ` and at most ${to}`;
    this.add(name, `a finite number${least}${most}`);
    return 0;
  }

  /** Reads a whole number of 0 or more. */
  count(name: string): number {
    const value = this.of(name);
    if (typeof value === 'number' && Number.isSafeInteger(value) && value >= 0) return value;
    this.add(name, 'a whole number of 0 or more');
    return 0;
  }

  flag(name: string): boolean {
    const value = this.of(name);
    if (typeof value === 'boolean') return value;
    this.add(name, 'true or false');
    return false;
  }

  word<const W extends string>(name: string, words: readonly W[]): W | undefined {
    return this.member(name).wordOf(words);
  }

  mapping(name: string): MessageReader | undefined {
    return this.member(name).mappingOf();
  }

  /** Reads every entry of a list. */
  each<T>(name: string, most: number, read: (entry: Entry) => T): readonly T[] {
    const value = this.of(name);
    if (!Array.isArray(value) || value.length > most) {
      this.add(name, `a list of at most ${most} entries`);
      return [];
    }
    return value.map((one: unknown, index) =>
      read(new Entry(one, `${this.path}${name}[${index}]`, this.found)),
    );
  }

  /** Reads a member that may be missing or null, under the name that it has. */
  optional<const N extends string, T>(
    name: N,
    read: (name: N) => T,
  ): Partial<Readonly<Record<N, T>>> {
    if (!this.has(name)) return {};
    return { [name]: read(name) } as Readonly<Record<N, T>>; // a computed name is any text to the compiler
  }

  /** Notes that a member is not as wanted. */
  add(name: string, wanted: string): void {
    this.member(name).refuse(wanted);
  }

  private member(name: string): Entry {
    return new Entry(this.of(name), `${this.path}${name}`, this.found);
  }

  private of(name: string): unknown {
    return Object.hasOwn(this.members, name) ? this.members[name] : undefined;
  }
}

/** One value of a message, with the name it is told under. */
export class Entry {
  constructor(
    private readonly value: unknown,
    private readonly name: string,
    private readonly found: string[],
  ) {}

  numberOf(): number {
    if (typeof this.value === 'number' && Number.isFinite(this.value)) return this.value;
    this.refuse('a finite number');
    return 0;
  }

  wordOf<const W extends string>(words: readonly W[]): W | undefined {
    const word = words.find((one) => one === this.value);
    if (word === undefined) this.refuse(`one of ${words.join(', ')}`);
    return word;
  }

  mappingOf(): MessageReader | undefined {
    const { value } = this;
    if (typeof value === 'object' && value !== null && !Array.isArray(value)) {
      return new MessageReader(value as Members, `${this.name}.`, this.found);
    }
    this.refuse('a mapping');
    return undefined;
  }

  refuse(wanted: string): void {
    if (this.found.length >= MOST_FOUND) return;
    const is = this.value === undefined ? 'without' : `with ${shown(this.value)} as`;
    this.found.push(`sent a message ${is} ${this.name}, which is ${wanted}`);
  }
}

/** Problems told of one message at most. */
const MOST_FOUND = 32;

/** What stands there, in few characters; lists and mappings are only named, as they may be deep. */
function shown(value: unknown): string {
  if (typeof value === 'string') return `"${plainText(value, 40)}"`;
  if (typeof value === 'object' && value !== null)
    return Array.isArray(value) ? 'a list' : 'a mapping';
  return String(value);
}

/** A text of somebody else, fit to stand in a sentence: one line of at most `most` characters. */
export function plainText(text: string, most: number): string {
  const cut = text.length > most ? `${text.slice(0, most - 1)}…` : text;
  return cut.replace(/[\p{Cc}\p{Cf}\p{Co}\p{Cs}\u2028\u2029]+/gu, ' ').trim();
}
