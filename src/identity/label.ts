import type { Problem } from '../base/error.js';
import { identifierOf, interpret, isNamed } from './contents.js';
import { isHumanReadable, isVariable, readElements, writeElements } from './gs1.js';
import {
  refused,
  wrong,
  type ElementString,
  type Known,
  type LabelledModel,
  type Reading,
} from './identity.js';
import { fits } from './serial.js';
import {
  DAMAGES,
  quoted,
  SEPARATOR,
  textProblems,
  withoutTerminator,
  withSeparators,
} from './wedge.js';

/**
 * Reads what a scanner sent, or a person typed, from the label of an item.
 *
 * Nothing but one line end or tab is taken off, and nothing is padded or upper-cased. A text that
 * something between label and program has damaged is refused with the reason, also when it happens
 * to be a serial: a text is a serial only when it can be no other.
 *
 * @param text - Element strings with or without symbology identifier, `(01)…(21)…`, or a serial.
 * @param models - Models there are procedures for; GTIN, model and serial must agree.
 * @param year - The current year, which settles the century of dates.
 *
 * Check: tests/checks/labels.check.ts, tests/unit/identity.test.ts.
 */
export function readLabel(text: string, models: readonly LabelledModel[], year: number): Reading {
  const known = { models, year };
  const line = withoutTerminator(text.normalize('NFC'));
  const direct = readLine(line, known);
  // An identifier that arrived whole proves that keys and case did, too.
  if (direct.kind === 'label') return isNamed(line) ? direct : onlyOne(direct, known);
  for (const { name, fix, undo } of DAMAGES) {
    const undone = undo(line);
    if (undone === line) continue;
    const meant = readLine(undone, known);
    const explains = meant.kind === 'label' || meant.isDamaged;
    if (!explains && !(isNamed(undone) && !isNamed(line))) continue;
    const what = `${quoted(line)} stands for ${quoted(undone)}, changed by ${name}.`;
    const more = meant.kind === 'refused' ? meant.problems : [];
    return { ...refused([wrong(what, fix), ...more], elementsOf(meant)), isDamaged: true };
  }
  return direct;
}

/** Refuses a serial that is another one, too, had something changed it on the way. */
function onlyOne(reading: Reading & { readonly kind: 'label' }, { models }: Known): Reading {
  const { serial, elements } = reading.label;
  for (const { name, undo } of DAMAGES) {
    const other = undo(serial);
    if (other === serial || !models.some((m) => fits(other, m))) continue;
    const what = `${quoted(serial)} may as well stand for serial ${quoted(other)}, changed by ${name}.`;
    const fix =
      'Set the scanner to send the symbology identifier, then scan a GS1 code of the item.';
    return refused([wrong(what, fix)], elements);
  }
  return reading;
}

/** Reads a line and holds other ways to divide it against that: lost separators, two scans. */
function readLine(line: string, known: Known): Reading {
  const direct = interpret(line, known);
  if (textProblems(line).length > 0) return direct;
  return lostSeparator(line, direct, known) ?? twoScans(line, direct, known) ?? direct;
}

/** AIs that labels of items carry beside the GTIN: what may stand behind a lost separator. */
const CARRIED: ReadonlySet<string> = new Set(['10', '11', '21', '240', '241']);

/**
 * Refuses elements that are glued together because FNC1 was lost, also when the whole happens to be
 * a serial of a loose grammar. A text that holds any separator has lost none.
 */
function lostSeparator(line: string, direct: Reading, known: Known): Reading | undefined {
  const elements = elementsOf(direct);
  const last = elements.at(-1);
  if (last === undefined || !isVariable(last.ai)) return undefined;
  if (withSeparators(line).includes(SEPARATOR) || isHumanReadable(line)) return undefined;
  for (let i = 1; i < last.value.length; i++) {
    const tail = readElements(last.value.slice(i), known.year);
    const isCarried = ({ ai }: ElementString): boolean =>
      CARRIED.has(ai) && !elements.some((e) => e.ai === ai);
    if (tail.problems.length > 0 || !tail.elements.every(isCarried)) continue;
    const head = { ai: last.ai, value: last.value.slice(0, i) };
    const divided = [...elements.slice(0, -1), head, ...tail.elements];
    const serial = divided.find((e) => e.ai === '21')?.value ?? '';
    if (!known.models.some((m) => fits(serial, m))) continue;
    const sent = `${identifierOf(line)}${writeElements(divided)}`;
    const meant = interpret(sent, known);
    const told = [lost(last, head, sent, direct), ...problemsOfBoth(direct, meant)] as const;
    return { ...refused(told, divided), isDamaged: true };
  }
  return undefined;
}

/** Problems that do not hang on where the glued elements are divided. */
function problemsOfBoth(one: Reading, other: Reading): readonly Problem[] {
  const [first, second] = [one, other].map((r) => (r.kind === 'refused' ? r.problems : []));
  return (first ?? []).filter((p) => second?.some(({ what }) => what === p.what) === true);
}

function lost(last: ElementString, head: ElementString, sent: string, direct: Reading): Problem {
  const tail = last.value.slice(head.value.length);
  const what = `FNC1 was lost: (${last.ai}) reads ${quoted(last.value)}, which may be ${quoted(head.value)} with ${quoted(tail)} glued on.`;
  const send = `Set the scanner to send FNC1 as ASCII 29 (group separator), so that it sends ${quoted(sent)}`;
  const isLoose = direct.kind === 'label'; // only a grammar without a fixed length takes both
  const fix = isLoose
    ? `${send}; where it does, write a serial grammar of fixed length.`
    : `${send}.`;
  return wrong(what, fix);
}

/** Characters that tell one kind of label from another: identifier, first AI, or model code. */
const OPENING = 3;

/** Refuses two scans with nothing between them, one of which may be partial. */
function twoScans(line: string, direct: Reading, known: Known): Reading | undefined {
  const isLabel = (text: string): boolean => interpret(text, known).kind === 'label';
  for (let i = OPENING; i <= line.length - OPENING; i++) {
    const [first, second] = [line.slice(0, i), line.slice(i)];
    const isAlike = first.slice(0, OPENING) === second.slice(0, OPENING);
    const mayBePartial = isAlike && direct.kind !== 'label';
    const isPair =
      (isNamed(first) && isNamed(second)) ||
      (mayBePartial ? isLabel(first) || isLabel(second) : isLabel(first) && isLabel(second));
    if (!isPair) continue;
    const what = `Two scans run together: ${quoted(first)} and ${quoted(second)}.`;
    return refused([
      wrong(what, 'Scan one label, and set the scanner to end each with a line end.'),
    ]);
  }
  return undefined;
}

function elementsOf(reading: Reading): readonly ElementString[] {
  return reading.kind === 'label' ? reading.label.elements : reading.elements;
}
