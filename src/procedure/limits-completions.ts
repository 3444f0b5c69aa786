/** What may be written in a file of limits, as an editor offers it. Plain JSON. */
export interface LimitsVocabulary {
  /** Every `stage.characteristic` that the procedure reads. */
  readonly rows: readonly RowWord[];
  /** Keys of the document, of a limit, and of what stands in it, with their description. */
  readonly keys: Readonly<Record<Level, readonly Word[]>>;
  readonly rules: readonly Word[];
}

export type Level = 'document' | 'procedure' | 'limit' | 'process';

export interface Word {
  readonly word: string;
  readonly meaning: string;
}

export interface RowWord extends Word {
  /** Units in which its limits may be written, the usual one first. */
  readonly units: readonly string[];
}

/** What may stand at a place. */
export interface Completions {
  /** Index in the text at which what is offered begins. */
  readonly from: number;
  readonly options: readonly (Word & { readonly kind: 'key' | 'row' | 'unit' | 'rule' })[];
}

/**
 * Offers what may stand at a place of a text of limits: keys, rows that are not there yet, decision
 * rules, and after a number the units of that characteristic. Reads lines, not YAML, so that it works
 * in a text that is only half written.
 *
 * @param at - Index in the text.
 * @returns Undefined where nothing can be offered, e.g. in a comment or inside quotes.
 */
export function limitsCompletions(
  text: string,
  at: number,
  vocabulary: LimitsVocabulary,
): Completions | undefined {
  const start = text.lastIndexOf('\n', at - 1) + 1;
  const before = text.slice(start, at);
  if (isComment(before) || isInQuotes(before)) return undefined;
  const place = { text, start, at, before };
  const section = sectionOf(text, start, before);
  if (section === undefined) return documentPart(place, vocabulary);
  if (section === 'procedure') return keysIn(place, vocabulary, 'procedure');
  return section === 'rows' ? rowPart(place, vocabulary) : undefined;
}

interface PlaceIn {
  readonly text: string;
  /** Index of the first character of the line. */
  readonly start: number;
  readonly at: number;
  /** The line up to the place. */
  readonly before: string;
}

const isComment = (before: string): boolean => /(?:^|\s)#/u.test(before);

const isInQuotes = (before: string): boolean =>
  (before.replaceAll("''", '').match(/'/gu) ?? []).length % 2 === 1 ||
  (before.match(/"/gu) ?? []).length % 2 === 1;

/** The key of the document in whose block a line stands; undefined for a line of the document itself. */
function sectionOf(text: string, start: number, before: string): string | undefined {
  const own = /^(?<key>[a-z-]+):.*[{[]/u.exec(before)?.groups?.['key'];
  if (own !== undefined) return own;
  if (/^\S|^$/u.test(before)) return undefined;
  return [...text.slice(0, start).matchAll(/^([a-z-]+):/gmu)].at(-1)?.[1];
}

function documentPart(place: PlaceIn, vocabulary: LimitsVocabulary): Completions | undefined {
  const { before } = place;
  if (/^rule:\s+\S*$/u.test(before)) return rulesAt(place, vocabulary);
  const typed = /^[a-z-]*$/u.exec(before)?.[0];
  if (typed === undefined) return undefined;
  const present = new Set([...place.text.matchAll(/^([a-z-]+):/gmu)].map(([, key]) => key ?? ''));
  return offer(place, typed, absent(vocabulary.keys.document, present, typed), 'key');
}

/** Inside the rows: a new row, a key of a limit, or what belongs after a key. */
function rowPart(place: PlaceIn, vocabulary: LimitsVocabulary): Completions | undefined {
  const { before } = place;
  const name = /^ {1,3}(?<name>[a-z0-9.-]*)$/u.exec(before)?.groups?.['name'];
  if (name !== undefined) {
    const present = new Set(rowNames(place.text));
    return offer(place, name, absent(vocabulary.rows, present, name), 'row');
  }
  const row = rowNames(`${place.text.slice(0, place.start)}${before}`).at(-1);
  const inside = before.slice(Math.max(before.lastIndexOf('{'), before.lastIndexOf(',')) + 1);
  const [, key, value = ''] = /^\s*([a-z-]+):\s+(.*)$/u.exec(inside) ?? [];
  if (key === undefined)
    return keysIn(place, vocabulary, isInProcess(before) ? 'process' : 'limit');
  if (key === 'rule') return rulesAt(place, vocabulary);
  return unitsAt(place, value, unitsOf(key, row, vocabulary));
}

/** Names of rows; one that is being written counts only once its colon stands. */
const rowNames = (text: string): readonly string[] =>
  [...text.matchAll(/^ {1,3}([a-z][a-z0-9-]*\.[a-z][a-z0-9-]*):/gmu)].map(([, name]) => name ?? '');

const isInProcess = (before: string): boolean => /process:\s*\{[^}]*$/u.test(before);

const MEASURES: readonly string[] = ['from', 'to', 'mean', 'sd'];

function unitsOf(
  key: string,
  row: string | undefined,
  { rows }: LimitsVocabulary,
): readonly string[] {
  if (key === 'warn-above') return ['%'];
  if (!MEASURES.includes(key)) return [];
  return rows.find(({ word }) => word === row)?.units ?? [];
}

/** After a number. */
function unitsAt(place: PlaceIn, value: string, units: readonly string[]): Completions | undefined {
  const typed = /^[+\-−]?\d+(?:\.\d+)?\s+(?<unit>[^\s,}]*)$/u.exec(value)?.groups?.['unit'];
  if (typed === undefined || units.length === 0) return undefined;
  const words = units.map((word, i) => ({ word, meaning: i === 0 ? 'usual unit' : '' }));
  return offer(place, typed, words, 'unit');
}

function rulesAt(place: PlaceIn, { rules }: LimitsVocabulary): Completions | undefined {
  const typed = /[a-z-]*$/u.exec(place.before)?.[0] ?? '';
  return offer(place, typed, rules, 'rule');
}

/** Keys of the braces, or of the indented block, in which the place stands. */
function keysIn(place: PlaceIn, { keys }: LimitsVocabulary, level: Level): Completions | undefined {
  const { before } = place;
  const typed = /(?:[{,]\s*|^\s{4,})(?<typed>[a-z-]*)$/u.exec(before)?.groups?.['typed'];
  if (typed === undefined) return undefined;
  const rest = place.text.slice(place.at).split('\n', 1)[0] ?? '';
  const present = new Set(
    [...bracesAround(before, rest).matchAll(/([a-z-]+):/gu)].map(([, key]) => key ?? ''),
  );
  return offer(place, typed, absent(keys[level], present, typed), 'key');
}

/** The text between the innermost braces around a place, as far as they stand on its line. */
function bracesAround(before: string, rest: string): string {
  const closed = before.replaceAll(/\{[^{}]*\}/gu, '');
  return `${closed.slice(closed.lastIndexOf('{') + 1)}${rest.split('}', 1)[0] ?? ''}`;
}

/** What is not there yet, and what is just being written. */
const absent = <W extends Word>(
  words: readonly W[],
  present: ReadonlySet<string>,
  typed: string,
): readonly W[] => words.filter(({ word }) => !present.has(word) || word === typed);

function offer(
  { at }: PlaceIn,
  typed: string,
  words: readonly Word[],
  kind: Completions['options'][number]['kind'],
): Completions | undefined {
  if (words.length === 0) return undefined;
  const options = words.map(({ word, meaning }) => ({ word, meaning, kind }));
  return { from: at - typed.length, options };
}
