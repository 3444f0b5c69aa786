import { isDay, isZone } from '../base/calendar.js';
import type { Problem } from '../base/error.js';
import {
  ID_WORDS,
  isPersonId,
  ROLES,
  type Person,
  type Register,
  type Role,
  type SecretHash,
  type Training,
} from './people.js';

/** Version of the file; raised when the meaning of a member changes. */
export const SCHEMA = 1;

/** Costs that a register may ask for: no less than 2^10 rounds, no more than 1 GiB of memory. */
const MOST = { N: 2 ** 20, r: 32, p: 16, memory: 2 ** 30 };
const LEAST_N = 2 ** 10;

/**
 * Reads a register out of parsed JSON, or says everything that is wrong with it.
 *
 * @param value - As `JSON.parse` yields it.
 * @param file - For the place of the problems; members are named as in `people[1].roles[0]`.
 */
export function checkRegister(value: unknown, file: string): Register | readonly Problem[] {
  const reader = new Reader(file);
  const register = reader.register(value);
  return reader.problems.length === 0 ? register : reader.problems;
}

type Members = Readonly<Record<string, unknown>>;

/** Walks the register once and gathers what is wrong; what it returns counts only without problems. */
class Reader {
  readonly problems: Problem[] = [];
  readonly #file: string;

  constructor(file: string) {
    this.#file = file;
  }

  register(value: unknown): Register {
    const m = this.#members(value, 'the register', ['schema', 'zone', 'people']);
    if (m['schema'] !== SCHEMA) {
      this.#add('schema', m['schema'], String(SCHEMA), 'Use the program that wrote it.');
    }
    const zone = this.#text(m['zone'], 'zone', isZone, 'a zone such as Europe/Berlin');
    const people = this.#list(m['people'], 'people').map((p, i) => this.#person(p, `people[${i}]`));
    this.#once(
      people.map(({ id }) => id),
      (i) => `people[${i}].id`,
    );
    this.#once(
      people.map(({ name }) => name.toLowerCase()),
      (i) => `people[${i}].name`,
    );
    return { zone, people };
  }

  #person(value: unknown, at: string): Person {
    const known = ['id', 'name', 'roles', 'secret', 'from', 'until', 'training', 'retired'];
    const m = this.#members(value, at, known);
    const from = this.#day(m['from'], `${at}.from`);
    const until = m['until'] === undefined ? {} : { until: this.#day(m['until'], `${at}.until`) };
    if (until.until !== undefined && until.until < from) {
      this.#add(`${at}.until`, until.until, `${from} or later`);
    }
    return {
      id: this.#text(m['id'], `${at}.id`, isPersonId, ID_WORDS),
      name: this.#text(m['name'], `${at}.name`, isName, 'a name'),
      roles: this.#roles(m['roles'], `${at}.roles`),
      secret: this.#secret(m['secret'], `${at}.secret`),
      from,
      ...until,
      training: this.#list(m['training'], `${at}.training`).map((t, i) =>
        this.#training(t, `${at}.training[${i}]`),
      ),
      ...(m['retired'] === undefined ? {} : { retired: this.#retired(m['retired'], at) }),
    };
  }

  #roles(value: unknown, at: string): readonly Role[] {
    const list = this.#list(value, at);
    if (list.length === 0 || new Set(list).size !== list.length) {
      this.#add(at, value, 'one role or several, each once');
    }
    return list.flatMap((role, i) => {
      const known = ROLES.find((r) => r === role);
      if (known === undefined) this.#add(`${at}[${i}]`, role, `one of ${ROLES.join(', ')}`);
      return known ?? [];
    });
  }

  #secret(value: unknown, at: string): SecretHash {
    const m = this.#members(value, at, ['kind', 'N', 'r', 'p', 'salt', 'hash']);
    if (m['kind'] !== 'scrypt') this.#add(`${at}.kind`, m['kind'], 'scrypt');
    const N = this.#count(m['N'], `${at}.N`, LEAST_N, MOST.N);
    const r = this.#count(m['r'], `${at}.r`, 1, MOST.r);
    if (!Number.isInteger(Math.log2(N))) this.#add(`${at}.N`, N, 'a power of two');
    if (128 * N * r > MOST.memory) this.#add(at, 128 * N * r, `at most ${MOST.memory} bytes`);
    const base64 = (text: string): boolean =>
      Buffer.from(text, 'base64').toString('base64') === text && text.length >= 16;
    return {
      kind: 'scrypt',
      N,
      r,
      p: this.#count(m['p'], `${at}.p`, 1, MOST.p),
      salt: this.#text(m['salt'], `${at}.salt`, base64, 'base64 of at least 12 bytes'),
      hash: this.#text(m['hash'], `${at}.hash`, base64, 'base64 of at least 12 bytes'),
    };
  }

  #training(value: unknown, at: string): Training {
    const m = this.#members(value, at, ['procedure', 'issue', 'toIssue', 'on', 'until']);
    const issue = this.#count(m['issue'], `${at}.issue`, 1, Number.MAX_SAFE_INTEGER);
    const on = this.#day(m['on'], `${at}.on`);
    const until = this.#day(m['until'], `${at}.until`);
    if (until < on) this.#add(`${at}.until`, until, `${on} or later`);
    return {
      procedure: this.#text(m['procedure'], `${at}.procedure`, isName, 'the id of a procedure'),
      issue,
      toIssue: this.#count(m['toIssue'], `${at}.toIssue`, issue, Number.MAX_SAFE_INTEGER),
      on,
      until,
    };
  }

  #retired(value: unknown, at: string): { readonly at: string; readonly why: string } {
    const m = this.#members(value, `${at}.retired`, ['at', 'why']);
    const instant = (text: string): boolean =>
      /^\d{4}-\d\d-\d\dT[\d:.]+Z$/u.test(text) && Number.isFinite(Date.parse(text));
    return {
      at: this.#text(m['at'], `${at}.retired.at`, instant, 'an instant in UTC'),
      why: this.#text(m['why'], `${at}.retired.why`, isName, 'a reason'),
    };
  }

  #members(value: unknown, at: string, known: readonly string[]): Members {
    if (typeof value !== 'object' || value === null || Array.isArray(value)) {
      this.#add(at, value, `members ${known.join(', ')}`);
      return {};
    }
    for (const key of Object.keys(value).filter((k) => !known.includes(k))) {
      this.#add(`${at}.${key}`, 'there', `no member but ${known.join(', ')}`);
    }
    return value as Members;
  }

  #list(value: unknown, at: string): readonly unknown[] {
    if (Array.isArray(value)) return value as readonly unknown[];
    this.#add(at, value, 'a list');
    return [];
  }

  #text(value: unknown, at: string, fits: (text: string) => boolean, wanted: string): string {
    if (typeof value === 'string' && fits(value)) return value;
    this.#add(at, value, wanted);
    return '';
  }

  #day(value: unknown, at: string): string {
    return this.#text(value, at, isDay, 'a day such as 2027-11-30');
  }

  #count(value: unknown, at: string, least: number, most: number): number {
    if (typeof value === 'number' && Number.isInteger(value) && value >= least && value <= most) {
      return value;
    }
    this.#add(at, value, `a whole number from ${least} to ${most}`);
    return least;
  }

  #once(values: readonly string[], placeOf: (index: number) => string): void {
    values.forEach((value, i) => {
      const first = values.indexOf(value);
      if (value === '' || first === i) return;
      this.#add(placeOf(i), value, `another than ${placeOf(first)}`);
    });
  }

  #add(at: string, found: unknown, wanted: string, fix = FIX): void {
    const where = { file: this.#file, line: 1, column: 1, length: 0 };
    const told = found === undefined ? 'missing' : JSON.stringify(found);
    const what = `${at} is ${told.length > 80 ? `${told.slice(0, 80)}…` : told}, but should be ${wanted}.`;
    this.problems.push({ code: 'people/register', where, what, fix });
  }
}

const FIX = 'Restore the last good copy of the register; change people with: stallmark people.';

/** A text on one line that is not blank. */
export function isName(text: string): boolean {
  return (
    text.trim() === text && text !== '' && text.length <= 200 && !/\p{Cc}|\p{Surrogate}/u.test(text)
  );
}
