import type { Problem } from '../base/error.js';
import type { LabelledModel } from './identity.js';
import { oddCharacters, quoted } from './wedge.js';

/** Says whether a serial follows the grammar of a model. Nothing is trimmed, padded or upper-cased. */
export function fits(serial: string, model: LabelledModel): boolean {
  return new RegExp(model.serial, 'u').test(serial);
}

/** Problems of a serial of a known model; the first reason that explains it. */
export function serialProblems(serial: string, model: LabelledModel): readonly Problem[] {
  if (fits(serial, model)) return [];
  const told = mangled(serial) ?? partial(serial, model) ?? outOfGrammar(serial, model);
  return [told];
}

/** Reports a number that a spreadsheet rounded; its digits cannot be had back. */
export function mangled(serial: string): Problem | undefined {
  if (!/^[+-]?\d+(?:[.,]\d+)?E[+-]?\d+$/i.test(serial)) return undefined;
  const what = `${quoted(serial)} is a number that a spreadsheet has rounded, no serial.`;
  const fix = 'Scan the label itself; in a spreadsheet keep serials in columns of text.';
  return { code: 'serial/grammar', what, fix };
}

/** Reports the beginning of a serial whose end is missing. */
export function partial(serial: string, model: LabelledModel): Problem | undefined {
  if (serial === '' || beginning(model.serial)?.test(serial) !== true) return undefined;
  const what = `${quoted(serial)} is only the beginning of a serial of model ${model.code}: a partial scan.`;
  const fix = 'Scan the label again, until the scanner sounds and before anything else is typed.';
  return { code: 'serial/grammar', what, fix };
}

function outOfGrammar(serial: string, model: LabelledModel): Problem {
  const odd = oddCharacters(serial);
  const holds = odd === '' ? '' : `, and holds ${odd}`;
  const what = `Serial ${quoted(serial)} does not follow ${model.serial} of model ${model.code}${holds}.`;
  return { code: 'serial/grammar', what, fix: 'Scan the label again; type nothing by hand.' };
}

/** A character, class or escape of a grammar, and how often it may stand. */
const ATOM =
  /(\\[^pPkuxc\d]|\\d|\[(?:\\.|[^\]\\])*\]|[^\\[\](){}*+?|^$])(\{\d+(?:,\d*)?\}|[*+?])?/y;

/**
 * Makes an expression for the beginnings of what a grammar describes; undefined when the grammar
 * holds groups, which labels rarely need.
 */
function beginning(grammar: string): RegExp | undefined {
  const atoms: (readonly [atom: string, often: string])[] = [];
  const inner = grammar.slice(1, -1);
  ATOM.lastIndex = 0;
  for (let end = 0; end < inner.length; end = ATOM.lastIndex) {
    const found = ATOM.exec(inner);
    if (found === null) return undefined;
    atoms.push([found[1] ?? '', found[2] ?? '']);
  }
  const nested = atoms.reduceRight(
    (tail, [atom, often]) => `(?:${atom}${upTo(often)}|${atom}${often}${tail})`,
    '',
  );
  return new RegExp(`^${nested}$`, 'u');
}

/** The same repetition beginning at none. */
function upTo(often: string): string {
  if (often === '' || often === '?') return '?';
  const most = /^\{(?:\d+,)?(\d+)\}$/.exec(often)?.[1];
  return most === undefined ? '*' : `{0,${most}}`;
}
