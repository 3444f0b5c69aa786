import { LineCounter, isAlias, isMap, isScalar, parseDocument } from 'yaml';
import type { Document, Pair, ParsedNode, Scalar, YAMLError } from 'yaml';
import type { Json } from '../base/canonical.js';
import type { ErrorCode } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import type { Place, Problem } from '../base/error.js';

/** A YAML document as plain values that know where they stand. Pointers are JSON pointers (RFC 6901). */
export interface Located {
  readonly file: string;
  readonly value: Json;
  /** Place of a value, or of the nearest value around it that exists. */
  placeOf(pointer: string): Place;
  /** Place of the key of a value; the place of the value itself for a list item. */
  placeOfKey(pointer: string): Place;
}

/** What was found while reading. Without `located` the text is too broken to look into. */
export interface Reading {
  readonly located?: Located;
  readonly problems: readonly Problem[];
}

/** Characters a document may have, and levels it may be deep. */
export const MOST_CHARACTERS = 1_000_000;
export const MOST_LEVELS = 24;

/**
 * Decodes the bytes of a document; a byte order mark is dropped.
 *
 * @throws yaml/unreadable with the place of the first byte that is not UTF-8.
 */
export function decodeText(bytes: Uint8Array, file: string): string {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch (cause) {
    const before = new TextDecoder().decode(bytes).split('\uFFFD', 1)[0] ?? '';
    const lines = before.split(/\r\n|\r|\n/);
    const where = { file, line: lines.length, column: (lines.at(-1) ?? '').length + 1 };
    const what = 'A byte stands here that is not UTF-8.';
    const fix = 'Save the file as UTF-8.';
    throw new StallmarkError([{ code: 'yaml/unreadable', where, what, fix }], { cause });
  }
}

/**
 * Reads one YAML 1.2 document under the core schema, without anchors, aliases, tags, merge keys,
 * directives, tabs and everything that older readers of YAML take for something else.
 *
 * Gathers all problems. Nothing is expanded, so the result is never larger than the text.
 *
 * @param text - At most 1 000 000 characters and 24 levels.
 * Source: YAML 1.2.2 (2021), 10.3 core schema; the YAML 1.1 readings are its types int, float and
 * bool (from memory).
 */
export function readYaml(text: string, file: string): Reading {
  const at = (line: number, column: number, length = 1): Place => ({ file, line, column, length });
  const refuse = (what: string, fix: string): Reading => ({
    problems: [{ code: 'yaml/too-large', where: at(1, 1), what, fix }],
  });
  if (text.length > MOST_CHARACTERS) {
    const what = `The file has ${text.length} characters, but may have ${MOST_CHARACTERS}.`;
    return refuse(what, 'Move recorded values to a CSV file beside the procedure.');
  }
  const clean = text.replace(/^\uFEFF/, '');
  if (isTooDeep(clean)) {
    return refuse('The file is nested or indented too deeply to be read.', 'Flatten the file.');
  }
  const tabs = findTabs(clean, at);
  const counter = new LineCounter();
  const document = parse(clean.replaceAll('\t', ' '), counter);
  const reader = new Reader(clean, file, counter);
  reader.problems.push(...tabs);
  reader.readErrors(document, tabs.length > 0);
  return reader.finish(document);
}

/** Far above what a document needs, far below what exhausts the stack of the parser. */
const MOST_BRACKETS = 200;
const WIDEST_INDENT = 200;

/** Bounds nesting before the parser sees the text: it recurses and is lost at some thousand levels. */
function isTooDeep(text: string): boolean {
  let open = 0;
  for (const line of text.replaceAll('\t', ' ').split(/\r\n|\r|\n/)) {
    const indent = line.search(/[^ ]/);
    if (indent > WIDEST_INDENT || /(?:[-?:] +){40}/.test(line)) return true;
    for (const character of line) {
      if (character === '[' || character === '{') open += 1;
      if (character === ']' || character === '}') open = Math.max(0, open - 1);
      if (open > MOST_BRACKETS) return true;
    }
  }
  return false;
}

function parse(text: string, lineCounter: LineCounter): Document.Parsed {
  return parseDocument(text, {
    version: '1.2',
    schema: 'core',
    strict: true,
    uniqueKeys: true,
    stringKeys: true,
    prettyErrors: false,
    logLevel: 'error', // 'silent' would hide a second document as well
    lineCounter,
  });
}

function findTabs(
  text: string,
  at: (line: number, column: number, length?: number) => Place,
): readonly Problem[] {
  return text.split(/\r\n|\r|\n/).flatMap((line, i): readonly Problem[] => {
    const run = /\t+/.exec(line);
    if (run === null) return [];
    const where = at(i + 1, run.index + 1, run[0].length);
    const what = 'A tab stands here, but readers of YAML do not agree on how wide it is.';
    return [{ code: 'yaml/unreadable', where, what, fix: 'Write spaces.' }];
  });
}

type Node = ParsedNode | null;

/** Walks a parsed document once: plain values, their ranges, and what must not stand in it. */
class Reader {
  readonly problems: Problem[] = [];
  readonly #text: string;
  readonly #file: string;
  readonly #counter: LineCounter;
  readonly #values = new Map<string, readonly [number, number]>();
  readonly #keys = new Map<string, readonly [number, number]>();

  constructor(text: string, file: string, counter: LineCounter) {
    this.#text = text;
    this.#file = file;
    this.#counter = counter;
  }

  /** Translates what the parser found. Syntax errors after a tab are mostly its consequence. */
  readErrors(document: Document.Parsed, hasTabs: boolean): void {
    for (const error of [...document.errors, ...document.warnings]) {
      const finding = translated(error);
      if (finding === undefined || (hasTabs && finding.code === 'yaml/unreadable')) continue;
      this.#add(finding.code, error.pos, finding.what, finding.fix);
    }
    const directive = /^%.*$/m.exec(this.#text.split(/^---/m, 1)[0] ?? '');
    if (directive === null) return;
    const range = [directive.index, directive.index + directive[0].length] as const;
    const what = 'A directive stands here, but these documents are YAML 1.2 without directives.';
    this.#add('yaml/unreadable', range, what, 'Delete this line.');
  }

  finish(document: Document.Parsed): Reading {
    const broken = document.errors.some((error) => error.code !== 'DUPLICATE_KEY');
    if (document.contents === null && !broken) {
      this.#add('yaml/unreadable', [0, 0], 'The file is empty.', 'Write the document.');
    }
    const value = this.#read(document.contents, '', 1);
    this.problems.sort(byPlace);
    const problems = onePerPlace(this.problems);
    if (broken || document.contents === null) return { problems };
    const located: Located = {
      file: this.#file,
      value,
      placeOf: (pointer) => this.#placeOf(pointer),
      placeOfKey: (pointer) => this.#placeOfKey(pointer),
    };
    return { located, problems };
  }

  #read(node: Node, pointer: string, level: number): Json {
    if (node === null) return null;
    this.#values.set(pointer, [node.range[0], node.range[1]]);
    if (isAlias(node)) return this.#refuseAlias(node.source, node.range);
    this.#refuseProperties(node);
    if (isScalar(node)) return this.#scalar(node);
    if (level > MOST_LEVELS) {
      const what = `The document is more than ${MOST_LEVELS} levels deep here.`;
      this.#add('yaml/too-large', node.range, what, 'Flatten the document.');
      return null;
    }
    if (!isMap(node)) {
      return node.items.map((item, i) => this.#read(item as Node, `${pointer}/${i}`, level + 1));
    }
    // fromEntries defines its members, so a key "__proto__" stays an ordinary key.
    return Object.fromEntries(
      (node.items as Pair<ParsedNode, Node>[]).map((pair) => this.#pair(pair, pointer, level)),
    );
  }

  #pair(pair: Pair<ParsedNode, Node>, parent: string, level: number): [string, Json] {
    const key = isScalar(pair.key) ? String(pair.key.value) : this.#source(pair.key.range);
    const pointer = `${parent}/${pointerToken(key)}`;
    this.#keys.set(pointer, [pair.key.range[0], pair.key.range[1]]);
    if (isAlias(pair.key)) this.#refuseAlias(pair.key.source, pair.key.range);
    else this.#refuseProperties(pair.key);
    if (key === '<<') {
      const what = 'A merge key stands here, but every mapping is written in full.';
      this.#add('yaml/alias', pair.key.range, what, 'Write the members out.');
    } else if (isScalar(pair.key)) this.#refuseOldReading(pair.key);
    return [key, this.#read(pair.value, pointer, level + 1)];
  }

  #scalar(node: Scalar.Parsed): Json {
    this.#refuseOldReading(node);
    const value = node.value;
    if (typeof value === 'number' && !Number.isFinite(value)) return node.source;
    if (typeof value === 'string' || typeof value === 'number') return value;
    return typeof value === 'boolean' ? value : null;
  }

  #refuseOldReading(node: Scalar.Parsed): void {
    if (node.type !== 'PLAIN') return;
    const found = OLD_READINGS.find(({ pattern }) => pattern.test(node.source));
    if (found === undefined) return;
    const what = `"${node.source}" without quotes is ${found.reading}.`;
    const fix = found.fix(node.source);
    this.#add('yaml/old-reading', node.range, what, fix);
  }

  #refuseAlias(name: string, range: readonly number[]): null {
    const what = `The alias "*${name}" stands here, but every value is written where it applies.`;
    this.#add('yaml/alias', range, what, 'Write the value out.');
    return null;
  }

  /** Anchors and tags stand before the value they belong to. */
  #refuseProperties(node: ParsedNode): void {
    if (isAlias(node)) return;
    if (node.anchor !== undefined) {
      const start = this.#text.lastIndexOf(`&${node.anchor}`, node.range[0]);
      const what = `The anchor "&${node.anchor}" stands here, but no value may be reused by name.`;
      const range = [start, start + node.anchor.length + 1];
      this.#add('yaml/alias', range, what, 'Delete the anchor.');
    }
    if (node.tag === undefined) return;
    const start = this.#text.lastIndexOf('!', node.range[0] - 1);
    const shorthand = this.#text.lastIndexOf('!!', node.range[0] - 1);
    const from = shorthand === start - 1 && shorthand >= 0 ? shorthand : start;
    const written = /^\S+/.exec(this.#text.slice(from))?.[0] ?? '';
    const what = `The tag "${written}" stands here, but kinds follow from how values are written.`;
    this.#add('yaml/alias', [from, from + written.length], what, 'Delete the tag.');
  }

  #add(code: ErrorCode, range: readonly number[], what: string, fix: string): void {
    this.problems.push({ code, where: this.#place(range[0] ?? 0, range[1] ?? 0), what, fix });
  }

  #source(range: readonly number[]): string {
    return this.#text.slice(range[0], range[1]);
  }

  /** The place of a range, cut at the end of its first line. */
  #place(start: number, end: number): Place {
    const { line, col } = this.#counter.linePos(start);
    const [first = ''] = this.#text.slice(start, Math.max(end, start)).split(/\r\n|\r|\n/, 1);
    const length = Math.max(1, first.trimEnd().length);
    return { file: this.#file, line: Math.max(1, line), column: Math.max(1, col), length };
  }

  #placeOf(pointer: string): Place {
    const range = this.#values.get(pointer);
    if (range !== undefined && range[1] > range[0]) return this.#place(range[0], range[1]);
    const key = this.#keys.get(pointer);
    if (key !== undefined) return this.#place(key[0], key[1]);
    return pointer === '' ? this.#place(0, 0) : this.#placeOf(parentOf(pointer));
  }

  #placeOfKey(pointer: string): Place {
    const range = this.#keys.get(pointer);
    return range === undefined ? this.#placeOf(pointer) : this.#place(range[0], range[1]);
  }
}

type Translation = Pick<Problem, 'code' | 'what' | 'fix'>;

/** What a parser error is to us; undefined for those that our own walk reports with a better place. */
function translated(error: YAMLError): Translation | undefined {
  const known = KNOWN_ERRORS[error.code];
  if (known !== undefined) return known;
  if (error.code === 'TAG_RESOLVE_FAILED') return undefined;
  const what = `This is not YAML 1.2: ${error.message.replace(/\.?$/, '.')}`;
  return { code: 'yaml/unreadable', what, fix: FIXES[error.code] ?? 'Correct this line.' };
}

const KNOWN_ERRORS: Partial<Record<YAMLError['code'], Translation>> = {
  DUPLICATE_KEY: {
    code: 'yaml/duplicate-key',
    what: 'This key stands twice in one mapping.',
    fix: 'Keep one of them.',
  },
  MULTIPLE_DOCS: {
    code: 'yaml/unreadable',
    what: 'A second document begins here, but a file holds one.',
    fix: 'Put each document in a file of its own.',
  },
  NON_STRING_KEY: {
    code: 'document/key',
    what: 'This key is not a word.',
    fix: 'Write the key as plain text.',
  },
};

const FIXES: Partial<Record<YAMLError['code'], string>> = {
  BAD_INDENT: 'Indent members of one mapping or list alike.',
  MISSING_CHAR: 'Add the missing character.',
  BLOCK_AS_IMPLICIT_KEY: 'Quote the text, or put the mapping on a line of its own.',
  MULTILINE_IMPLICIT_KEY: 'Write a colon after the key, or quote the text.',
  BAD_DQ_ESCAPE: 'Use single quotes: nothing is escaped inside them.',
};

const QUOTE = (source: string): string => `Write "${source}" in quotes if it is a text.`;

/** Plain words that YAML 1.1 readers, or hasty people, take for another value than YAML 1.2 does. */
const OLD_READINGS: readonly {
  readonly pattern: RegExp;
  readonly reading: string;
  readonly fix: (source: string) => string;
}[] = [
  {
    pattern: /^(?:y|yes|n|no|on|off)$/i,
    reading: 'a text here but a boolean in YAML 1.1',
    fix: (source) => `Write "${source}" in quotes if it is a text; write true or false if not.`,
  },
  {
    pattern: /^[-+]?0o[0-7_]+$/i,
    reading: 'octal here but a text in YAML 1.1',
    fix: (source) => `Write the number in decimal, or "${source}" in quotes.`,
  },
  {
    pattern: /^[-+]?0[0-9_]+$/,
    reading: 'decimal here but octal in YAML 1.1, and its leading zeros are lost',
    fix: (source) => `Write "${source}" in quotes, or the number without leading zeros.`,
  },
  {
    pattern: /^[-+]?0b[01_]+$/i,
    reading: 'a text here but binary in YAML 1.1',
    fix: QUOTE,
  },
  {
    pattern: /^[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?$/,
    reading: 'a text here but a base 60 number in YAML 1.1',
    fix: QUOTE,
  },
  {
    pattern: /^[-+]?(?:0x)?[0-9a-f]*_[0-9a-f_]*(?:\.[0-9_]*)?$/i,
    reading: 'a text here but a number in YAML 1.1',
    fix: (source) => `Write ${source.replaceAll('_', '')} without the underscore.`,
  },
  {
    pattern: /^[-+]?\.(?:inf|nan)$/i,
    reading: 'not a finite number',
    fix: () => 'Give a finite number with its unit.',
  },
];

/** One finding a place is enough: the first is the cause, later ones mostly follow from it. */
export function onePerPlace(problems: readonly Problem[]): readonly Problem[] {
  const seen = new Set<string>();
  return problems.filter(({ where }) => {
    if (where === undefined) return true;
    const place = `${where.line}:${where.column}`;
    const first = !seen.has(place);
    seen.add(place);
    return first;
  });
}

/** Orders problems as they stand in the file; equal places keep their order. */
export function byPlace(a: Problem, b: Problem): number {
  const line = (a.where?.line ?? 0) - (b.where?.line ?? 0);
  return line === 0 ? (a.where?.column ?? 0) - (b.where?.column ?? 0) : line;
}

/** Escapes one key for a JSON pointer. Source: RFC 6901, 3. */
export function pointerToken(key: string): string {
  return key.replaceAll('~', '~0').replaceAll('/', '~1');
}

/** Splits a JSON pointer into its keys. Source: RFC 6901, 4. */
export function pointerKeys(pointer: string): readonly string[] {
  const tokens = pointer.split('/').slice(1);
  return tokens.map((token) => token.replaceAll('~1', '/').replaceAll('~0', '~'));
}

function parentOf(pointer: string): string {
  return pointer.slice(0, pointer.lastIndexOf('/'));
}
