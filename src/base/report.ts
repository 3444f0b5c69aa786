import type { ErrorCode } from './codes.js';
import type { Place, Problem } from './error.js';

/** Findings that are told and refuse nothing. */
const NOTES: ReadonlySet<ErrorCode> = new Set(['limits/unused-stage', 'limits/wide-uncertainty']);

/** Says whether a problem is a note: worth reading, no reason to refuse. */
export function isNote(problem: Problem): boolean {
  return NOTES.has(problem.code);
}

/** Returns the text of a file as it was checked, or undefined when it cannot be shown. */
export type SourceOf = (file: string) => string | undefined;

/**
 * Draws problems for people: place and code, finding, the line with a caret under it, what to do.
 *
 * @param sourceOf - Gives the text to quote from; without it the excerpt is left out.
 * @returns One block a problem, an empty line between them, a newline at the end; "" for none.
 */
export function problemsAsText(
  problems: readonly Problem[],
  sourceOf: SourceOf = () => undefined,
): string {
  return problems.map((problem) => block(problem, sourceOf)).join('\n');
}

function block(problem: Problem, sourceOf: SourceOf): string {
  const { where, code, what, fix } = problem;
  const place =
    where === undefined ? '' : `${printable(where.file)}:${where.line}:${where.column}  `;
  const lines = [`${place}${code}`, ...indented(what)];
  if (where !== undefined) lines.push(...excerpt(where, sourceOf(where.file)));
  lines.push(...indented(`Fix: ${asOrder(fix)}`));
  return `${lines.join('\n')}\n`;
}

function indented(text: string): readonly string[] {
  return text.split('\n').map((line) => `  ${printable(line)}`);
}

/** Lines longer than this are cut around the finding. */
const WIDTH = 100;

function excerpt(where: Place, source: string | undefined): readonly string[] {
  if (where.length === 0) return []; // about the file, not about a line of it
  const line = source?.replace(/^\uFEFF/, '').split(/\r\n|\r|\n/)[where.line - 1];
  if (line === undefined) return [];
  const cut = Math.max(0, where.column - 1 - WIDTH / 2);
  const skipped = line.length > WIDTH ? cut : 0;
  const shown = printable(line.slice(skipped, skipped + WIDTH));
  const before = where.column - 1 - skipped;
  const room = Math.max(1, shown.length - before);
  const carets = '^'.repeat(Math.min(Math.max(1, where.length ?? 1), room));
  const number = String(where.line);
  return [
    `  ${number} | ${shown}`.trimEnd(),
    `  ${' '.repeat(number.length)} | ${' '.repeat(before)}${carets}`,
  ];
}

/** Control characters would move the caret or drive the terminal; each becomes one blank. */
function printable(text: string): string {
  return text.replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029\u202a-\u202e\u2066-\u2069]/g, ' ');
}

/** "Write …" after "Fix: " goes on in lower case; names keep their capitals. */
function asOrder(fix: string): string {
  return /^[A-Z][a-z ]/.test(fix) ? `${fix.charAt(0).toLowerCase()}${fix.slice(1)}` : fix;
}

/** Writes problems for programs: a JSON list of the same values, the place flattened. */
export function problemsAsJson(problems: readonly Problem[]): string {
  const rows = problems.map((problem) => ({
    code: problem.code,
    note: isNote(problem),
    ...problem.where,
    what: problem.what,
    fix: problem.fix,
  }));
  return `${JSON.stringify(rows, null, 2)}\n`;
}

/** Names suggested for a misspelling at most. */
const MOST = 3;

/**
 * Finds the names that a misspelled one was probably meant to be, nearest first, at most three.
 *
 * Near means at most one change in three characters, a change being a letter put in, left out,
 * replaced or swapped with its neighbour; case does not count.
 */
export function nearestNames(written: string, names: Iterable<string>): readonly string[] {
  const allowed = Math.max(1, Math.floor(written.length / 3));
  const near: { readonly name: string; readonly distance: number }[] = [];
  for (const name of names) {
    if (Math.abs(name.length - written.length) > allowed) continue;
    const distance = editDistance(written.toLowerCase(), name.toLowerCase());
    if (distance <= allowed) near.push({ name, distance });
  }
  near.sort((a, b) => a.distance - b.distance || (a.name < b.name ? -1 : 1));
  return near.slice(0, MOST).map(({ name }) => name);
}

/** Optimal string alignment distance. */
function editDistance(a: string, b: string): number {
  let beforeLast: number[] = [];
  let last = Array.from({ length: b.length + 1 }, (_, j) => j);
  for (let i = 1; i <= a.length; i++) {
    const row = [i];
    for (let j = 1; j <= b.length; j++) {
      const replaced = (last[j - 1] as number) + (a[i - 1] === b[j - 1] ? 0 : 1);
      let best = Math.min(replaced, (last[j] as number) + 1, (row[j - 1] as number) + 1);
      const swapped = i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1];
      if (swapped) best = Math.min(best, (beforeLast[j - 2] as number) + 1);
      row.push(best);
    }
    beforeLast = last;
    last = row;
  }
  return last[b.length] as number;
}

/** Prints names as `"a"`, `"a" or "b"`, `"a", "b" or "c"`. */
export function oneOf(names: readonly string[]): string {
  const quoted = names.map((name) => `"${name}"`);
  const last = quoted.pop() ?? '';
  return quoted.length === 0 ? last : `${quoted.join(', ')} or ${last}`;
}

/**
 * Words the order for a name that is not known: the nearest names, or `otherwise` when none is near.
 *
 * @param otherwise - A whole sentence in the imperative.
 */
export function writeInstead(written: string, names: Iterable<string>, otherwise: string): string {
  const near = nearestNames(written, names);
  return near.length === 0 ? otherwise : `Write ${oneOf(near)}.`;
}
