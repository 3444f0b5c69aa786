import { fault, type ScpiFault } from './scpi-fault.js';
import type { Outcome } from './scpi-outcome.js';
import type { Parameter } from './scpi-unit.js';

/** What there is to do once the parameters are read. */
export interface Work {
  run(): Outcome | Promise<Outcome>;
  /**
   * Whether it acts as soon as its end has come, also while another command or question is waited for.
   * `again` acts a second time in its place, so that nothing that was sent before it undoes it.
   */
  readonly overtakes?: 'once' | 'again';
}

/** Reads the parameters of one command and changes nothing; says what there is to do. */
export type Command = (parameters: ParameterReader) => Work;

/** Commands by their headers as the standard prints them, e.g. `OUTPut[:STATe]?`. */
export type CommandList = readonly (readonly [pattern: string, command: Command])[];

/** Makes the command that takes no parameter and comes to something. */
export function plainly(run: () => Outcome | Promise<Outcome>): Command {
  return () => ({ run });
}

/** Makes work that comes to nothing but what it does. */
export function doing(run: () => void, overtakes?: Work['overtakes']): Work {
  const silent = (): undefined => {
    run();
    return undefined;
  };
  return { run: silent, ...(overtakes === undefined ? {} : { overtakes }) };
}

/**
 * Lists commands under each header that names them. A keyword is written whole or in its short form,
 * which is printed in capitals, and in no other way; what stands in brackets may be left out.
 *
 * Source: SCPI-1999 volume 1, 6.2.1 and 5.1, from memory. Check: tests/checks/scpi-instrument.check.ts.
 */
export function commandTable(list: CommandList): ReadonlyMap<string, Command> {
  return new Map(
    list.flatMap(([pattern, command]) => headersOf(pattern).map((header) => [header, command])),
  );
}

function headersOf(pattern: string): readonly string[] {
  const isQuestion = pattern.endsWith('?');
  const keywords = pattern.match(/\[:?\w+:?\]|\*?\w+/gu) ?? [];
  let headers: readonly string[] = [''];
  for (const keyword of keywords) {
    const word = keyword.replace(/[[\]:]/gu, '');
    const forms = word.startsWith('*') ? [word] : formsOf(word);
    const longer = headers.flatMap((h) => forms.map((form) => (h === '' ? form : `${h}:${form}`)));
    headers = keyword.startsWith('[') ? [...headers, ...longer] : longer;
  }
  return headers.map((header) => (isQuestion ? `${header}?` : header));
}

/** Long and short form of a keyword, in capitals. */
function formsOf(keyword: string): readonly string[] {
  const short = keyword.replace(/[a-z]+.*$/u, '');
  const long = keyword.toUpperCase();
  return short === long ? [long] : [short, long];
}

/** Hands out the parameters of a command one by one; the first that is not as wanted is its fault. */
export class ParameterReader {
  private at = 0;
  private first: ScpiFault | undefined;

  constructor(private readonly parameters: readonly Parameter[]) {}

  /** Reads a finite number within bounds. */
  number(from: number, to: number): number {
    const next = this.next();
    if (next === undefined) return from;
    if (next.kind !== 'number') return this.refuse(notAllowed(next), from);
    const isWithin = next.value >= from && next.value <= to;
    if (isWithin) return next.value;
    return this.refuse(fault('-222', `${next.value} is not within ${from} ... ${to}`), from);
  }

  /** Reads a whole number within bounds; what is given is rounded, as the standard wants it. */
  whole(from: number, to: number): number {
    const value = Math.round(this.number(Number.NEGATIVE_INFINITY, Number.POSITIVE_INFINITY));
    if (value >= from && value <= to) return value;
    return this.refuse(fault('-222', `${value} is not within ${from} ... ${to}`), from);
  }

  /** Reads one of some keywords, in long or short form. */
  word<const W extends string>(...keywords: readonly [W, ...W[]]): W {
    const next = this.next();
    if (next === undefined) return keywords[0];
    if (next.kind !== 'word') return this.refuse(notAllowed(next), keywords[0]);
    const { text } = next;
    const found = keywords.find((keyword) => formsOf(keyword).includes(text));
    if (found !== undefined) return found;
    return this.refuse(fault('-224', `${text} is none of ${keywords.join(', ')}`), keywords[0]);
  }

  /** Reads ON, OFF, or a number that is on when it is not 0 after rounding. */
  state(): boolean {
    const next = this.parameters[this.at];
    if (next?.kind === 'number') {
      this.at += 1;
      return Math.round(next.value) !== 0;
    }
    return this.word('ON', 'OFF') === 'ON';
  }

  block(): Uint8Array {
    const next = this.next();
    const none = new Uint8Array(0);
    if (next === undefined) return none;
    return next.kind === 'block' ? next.bytes : this.refuse(notAllowed(next), none);
  }

  get hasMore(): boolean {
    return this.at < this.parameters.length;
  }

  /** What is wrong with the parameters, after all that are wanted were read. */
  finish(): ScpiFault | undefined {
    if (this.first === undefined && this.hasMore) return fault('-108');
    return this.first;
  }

  private next(): Parameter | undefined {
    const next = this.parameters[this.at];
    this.at += 1;
    if (next === undefined) this.first ??= fault('-109');
    return next;
  }

  private refuse<T>(why: ScpiFault, instead: T): T {
    this.first ??= why;
    return instead;
  }
}

const NOT_ALLOWED = { number: '-128', word: '-148', string: '-158', block: '-168' } as const;

function notAllowed({ kind }: Parameter): ScpiFault {
  return fault(NOT_ALLOWED[kind]);
}

/** What stands for a value that is infinite or none. Source: SCPI-1999 volume 1, 7.2.1.4 and .5, from memory. */
const INFINITE = '9.9E37';
const NOT_A_NUMBER = '9.91E37';

/** Writes a number of a reply so that reading it gives the same number: NR1 or NR3. */
export function numberText(value: number): string {
  if (Number.isNaN(value)) return NOT_A_NUMBER;
  if (!Number.isFinite(value)) return value > 0 ? INFINITE : `-${INFINITE}`;
  if (Number.isSafeInteger(value)) return String(value === 0 ? 0 : value);
  return value.toExponential().toUpperCase();
}
