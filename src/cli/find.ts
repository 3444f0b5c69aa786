import { isDay } from '../base/calendar.js';
import { StallmarkError, type Problem } from '../base/error.js';
import { EXIT } from '../base/codes.js';
import { LINE_STATES, type Found, type FoundLine, type LineWish } from '../ledger/search-line.js';
import { searchRecords } from '../run/search-records.js';
import type { Terminal } from './terminal.js';

export interface FindOptions {
  readonly serial?: string;
  readonly from?: string;
  readonly to?: string;
  readonly model?: string;
  readonly verdict?: string;
  readonly operator?: string;
  readonly state?: string;
  readonly page: string;
  readonly data: string;
  readonly json?: true;
}

/** Lines of one page. */
const PAGE = 50;

/** Finds attempts and refused starts, newest first, out of the index of the ledger. */
export async function find(options: FindOptions, to: Terminal): Promise<number> {
  const page = Number(options.page);
  const wish = wishOf(options, page);
  const found = await searchRecords(options.data, (lookup) =>
    lookup.find(wish, (page - 1) * PAGE, PAGE),
  );
  if (options.json === true) to.out(JSON.stringify(found, null, 2));
  else print(found, page, to);
  return EXIT.conforming;
}

function wishOf(options: FindOptions, page: number): LineWish {
  const { serial, from, to, model, verdict, operator } = options;
  const problems: Problem[] = [];
  const wrong = (name: string, found: string, fix: string): void => {
    problems.push({ code: 'usage/argument', what: `--${name} is "${found}".`, fix });
  };
  for (const [name, day] of Object.entries({ from, to })) {
    if (day !== undefined && !isDay(day)) wrong(name, day, 'Write a day: 2026-11-25.');
  }
  if (!Number.isSafeInteger(page) || page < 1) wrong('page', options.page, 'Count from 1.');
  const state = LINE_STATES.find((known) => known === options.state);
  if (state === undefined && options.state !== undefined)
    wrong('state', options.state, `Give one of: ${LINE_STATES.join(', ')}.`);
  const [first, ...more] = problems;
  if (first !== undefined) throw new StallmarkError([first, ...more]);
  return {
    ...(serial === undefined ? {} : { text: serial }),
    ...(from === undefined ? {} : { from }),
    ...(to === undefined ? {} : { to }),
    ...(model === undefined ? {} : { model }),
    ...(verdict === undefined ? {} : { verdict: verdict.toUpperCase() }),
    ...(operator === undefined ? {} : { operator }),
    ...(state === undefined ? {} : { state }),
  };
}

function print({ lines, total }: Found, page: number, to: Terminal): void {
  for (const line of lines) to.out(lineText(line));
  const pages = Math.max(1, Math.ceil(total / PAGE));
  to.out(`${total} found, newest first; page ${page} of ${pages}. Times are UTC.`);
}

function lineText(line: FoundLine): string {
  const { at, serial, attempt, certificate, revision, word, by, reason } = line;
  const marks = [
    ...(line.suspect === undefined ? [] : [`SUSPECT since entry ${line.suspect}`]),
    ...(line.superseded === undefined ? [] : [`superseded by rev ${line.superseded}`]),
  ];
  const record = certificate === '' ? '' : `${certificate} rev ${revision}`;
  return [
    `${at.slice(0, 19)}Z`,
    serial.padEnd(14),
    attempt === 0 ? '         ' : `attempt ${attempt}`,
    record.padEnd(26),
    (word === '' ? 'not ended' : word).padEnd(10),
    by,
    [...marks, reason].filter((text) => text !== '').join('; '),
  ]
    .join('  ')
    .trimEnd();
}
