import type { Result, Verdict } from '../decision/decision.js';
import { RULES } from '../decision/rules.js';
import type { Certificate } from './certificate.js';
import { CARRIED } from './csv-table.js';
import { PEN_WORDS, pensOf, type Figure } from './figure.js';
import { drawRowMark, drawStrip } from './marks.js';
import {
  BODY,
  CONTENT_WIDTH,
  HAIRLINE,
  IDENTITY,
  NOTE,
  PAGE,
  SMALL_INK,
  SMALL_STRONG,
} from './page.js';
import type { Element, Sheet } from './page.js';
import { drawFigure, drawPen, figureHeight } from './plot.js';
import { stripGeometry } from './strip.js';
import { column, drawTable, row } from './table.js';
import type { Cell, Column, Row } from './table.js';
import { gateGroups, rowWords, verdictRead, verdictWords } from './words.js';

const STRIP_WIDTH = 72;
const VERDICT_AT = 453;

const COLUMNS: readonly Column[] = [
  column('characteristic', 0, 130),
  column('value', 128, 40, { align: 'end' }),
  column('± U', 170, 46, { align: 'end' }),
  column('unit', 221, 38, { style: SMALL_INK }),
  column('allowed', 262, 62),
  column('limit strip', 325, STRIP_WIDTH),
  column('read at', 401, 29, { style: NOTE }),
  column('rule', 433, 14, { style: SMALL_INK }),
  column('verdict', VERDICT_AT, CONTENT_WIDTH - VERDICT_AT, { style: SMALL_STRONG }),
];

/** Draws all results under the names of their stages. */
export function drawAllResults(sheet: Sheet, parent: Element, certificate: Certificate): void {
  const { results } = certificate.decision;
  const count = results.length === 1 ? '1 characteristic' : `${results.length} characteristics`;
  sheet.heading(
    parent,
    'Results',
    `${count}; U for about 95 %, with k = 2 where nothing else is said; digits follow U`,
    90,
  );
  drawKey(sheet, parent);
  const stages = [...new Set(results.map((r) => r.limit.stage))];
  const rows = stages.flatMap((stage): readonly Row[] => {
    const here = results.filter((r) => r.limit.stage === stage);
    const shared = sharedReason(here);
    return [
      { kind: 'group', title: `Stage ${stage}`, remark: shared },
      ...here.map((r) => resultRow(sheet, r, shared === '' ? remarkOn(r) : '')),
    ];
  });
  drawTable(sheet, parent, COLUMNS, rows);
}

/** Draws some results without stages, as an excerpt. */
export function drawResults(sheet: Sheet, parent: Element, results: readonly Result[]): void {
  drawTable(
    sheet,
    parent,
    COLUMNS,
    results.map((r) => resultRow(sheet, r, remarkOn(r))),
  );
}

function resultRow(sheet: Sheet, result: Result, reason: string): Row {
  const words = rowWords(result);
  const strip = stripGeometry(result);
  const drawing: Cell = {
    alternative: `${result.name}: ${words.value} ± ${words.expanded} ${words.unit}, allowed ${words.allowed}`,
    height: 10,
    draw: (x, y) => {
      drawStrip(sheet, strip, x, y, STRIP_WIDTH);
    },
  };
  const cells: readonly Cell[] = [
    result.name,
    ...valueCells(sheet, result),
    words.allowed,
    drawing,
    SIDES[result.side],
    RULES[result.limit.rule].mark,
    verdictCell(sheet, result),
  ];
  const { outcome } = result.verdict;
  const remarks = [reason, factorOf(result)].filter((text) => text !== '').join('; ');
  return row(cells, remarks, STRESSED.includes(outcome));
}

/** The coverage factor where it is not 2: few repeats make up much of U. */
function factorOf({ k = 2, expanded }: Result): string {
  return expanded === undefined || k === 2 ? '' : `U with k = ${k.toFixed(2)}`;
}

/** Outcomes whose rows stand out. */
const STRESSED: readonly Verdict['outcome'][] = ['nonconforming', 'inconclusive', 'conditional'];

/** Value, U and unit; or, over the three columns, that there is none. */
function valueCells(sheet: Sheet, result: Result): readonly Cell[] {
  const words = rowWords(result);
  const { outcome } = result.verdict;
  if (outcome !== 'invalid' && outcome !== 'not-run') {
    return [words.value, words.expanded, words.unit];
  }
  const text = verdictWords(result.verdict);
  const style = { ...SMALL_INK, face: 'bold' } as const;
  const write = (left: number, middle: number): void => {
    sheet.line(text, left + 12, middle + 2.9, style);
  };
  return [{ alternative: text, height: 10, draw: write }, '', ''];
}

/** The remark on the rows of a stage, when it is one and the same for all. */
function sharedReason(results: readonly Result[]): string {
  const [first] = results;
  if (first === undefined) return '';
  const remark = remarkOn(first);
  return results.every((r) => remarkOn(r) === remark) ? remark : '';
}

const SIDES: Readonly<Record<Result['side'], string>> = {
  motor: 'motor',
  shaft: 'shaft',
  electrical: 'supply',
  thermal: 'winding',
  acoustic: 'sound',
  link: 'link',
};

/** Mark and words; the words are wrapped beside the mark. */
function verdictCell(sheet: Sheet, result: Result): Cell {
  const { verdict } = result;
  const width = CONTENT_WIDTH - VERDICT_AT - 11;
  const isEmpty = verdict.outcome === 'invalid' || verdict.outcome === 'not-run';
  const text = isEmpty ? '' : verdictWords(verdict); // said in place of the value
  const lines = text === '' ? [] : sheet.wrap(text, SMALL_STRONG, width);
  return {
    alternative: verdictRead(verdict),
    height: Math.max(1, lines.length) * 9.5,
    draw: (x, y) => {
      drawRowMark(sheet, verdict, x + 4, y);
      lines.forEach((line, i) => {
        sheet.line(line, x + 11, y + 2.6 + i * 9.5, SMALL_STRONG);
      });
    },
  };
}

/** What must be said of a row beside its value: why it has none, or that another record measured it. */
function remarkOn(result: Result): string {
  const { carriedFrom } = result;
  return carriedFrom === undefined ? whyNot(result) : `${CARRIED} ${carriedFrom}`;
}

/** Why there is no value, or why the one there is does not count. */
function whyNot(result: Result): string {
  const { verdict, outcome } = result;
  if (verdict.outcome === 'invalid') return verdict.reasons.join('; ');
  if (outcome.kind === 'not-evaluated' && verdict.outcome !== 'not-run') return outcome.reason;
  return '';
}

/** The strip explained by one of itself. */
function drawKey(sheet: Sheet, parent: Element): void {
  const top = sheet.y;
  const height = 27;
  sheet.mark(parent, 'P', () => {
    sheet.doc.lineWidth(0.5).rect(PAGE.left, top, CONTENT_WIDTH, height).stroke(HAIRLINE);
    const sample = {
      bar: { from: 0.2, to: 0.8 },
      guards: [
        { from: 0.2, to: 0.28 },
        { from: 0.72, to: 0.8 },
      ],
      ticks: [0.2, 0.8],
      marker: { shape: 'dot', at: 0.42 },
      whisker: { from: 0.34, to: 0.5, capFrom: true, capTo: true },
    } as const;
    drawStrip(sheet, sample, PAGE.left - 6, top + height / 2, 92);
    const words = [
      ['tall tick: limit', 'dot and whisker: value ± U'],
      ['plain bar: acceptance zone', 'open diamond: outside'],
      ['hatched: guard band w', 'arrow: off the scale'],
      ['short foot: zero', 'broken end: no limit'],
    ];
    let x = PAGE.left + 84;
    for (const pair of words) {
      pair.forEach((text, line) => {
        sheet.line(text, x, top + 11 + line * 10, NOTE);
      });
      x += Math.max(...pair.map((text) => sheet.width(text, NOTE))) + 9;
    }
  });
  sheet.y = top + height + 3;
}

const GATE_COLUMNS: readonly Column[] = [
  column('gate', 0, 112),
  column('found (stage)', 116, 236, { style: SMALL_INK }),
  column('allowed', 358, 62, { style: SMALL_INK }),
  column('if closed, blames', 424, CONTENT_WIDTH - 424, { style: SMALL_INK }),
];

/** Draws every gate, those that hold as well: a value means something only with them. */
export function drawGates(sheet: Sheet, parent: Element, certificate: Certificate): void {
  const groups = gateGroups(certificate.decision.gates);
  const remark =
    'a gate that closes makes the run HOLD; it never counts against the item without evidence';
  sheet.heading(parent, 'Gates before scoring', remark, 40);
  if (groups.length === 0) {
    sheet.paragraph(parent, 'No gate was judged.', BODY);
    return;
  }
  const rows = groups.map((g) =>
    row(
      [g.closed.length > 0 ? `${g.name}: CLOSED` : g.name, g.found, g.allowed, g.blames],
      g.closed.map((c) => `${c.scope}: ${c.evidence}`).join('\n'),
      g.closed.length > 0,
    ),
  );
  drawTable(sheet, parent, GATE_COLUMNS, rows);
}

/** Draws the figures, halves side by side, and the pens they are drawn with. */
export function drawFigures(sheet: Sheet, parent: Element, figures: readonly Figure[]): void {
  if (figures.length === 0) return;
  const rows = paired(figures);
  const first = rowHeight(rows[0] ?? []);
  sheet.heading(parent, 'What values were read from', '', first);
  const gap = 16;
  const half = (CONTENT_WIDTH - gap) / 2;
  const waiting = [...rows];
  while (waiting.length > 0) {
    // A row that fits on this page goes before one that does not, so that no page stays half empty.
    const fits = waiting.findIndex((row) => sheet.y + rowHeight(row) <= PAGE.bottom);
    const [figuresOfRow = []] = waiting.splice(Math.max(0, fits), 1);
    const height = rowHeight(figuresOfRow);
    sheet.need(height);
    const top = sheet.y;
    figuresOfRow.forEach((figure, i) => {
      const width = figure.width === 'full' ? CONTENT_WIDTH : half;
      sheet.mark(
        parent,
        'Figure',
        () => {
          drawFigure(sheet, figure, { x: PAGE.left + i * (half + gap), y: top, width });
        },
        { alt: figure.alternative },
      );
    });
    sheet.y = top + height + 6;
  }
  drawPens(sheet, parent, figures);
}

const rowHeight = (row: readonly Figure[]): number => Math.max(0, ...row.map(figureHeight));

/** Two halves that follow each other share a row. */
function paired(figures: readonly Figure[]): readonly (readonly Figure[])[] {
  const rows: Figure[][] = [];
  for (const figure of figures) {
    const last = rows.at(-1);
    const [only] = last ?? [];
    const isOpen = last?.length === 1 && only?.width === 'half';
    if (isOpen && figure.width === 'half') last.push(figure);
    else rows.push([figure]);
  }
  return rows;
}

/** The pens of these figures explained by a length of each. */
function drawPens(sheet: Sheet, parent: Element, figures: readonly Figure[]): void {
  const pens = pensOf(figures);
  sheet.need(34);
  let [x, baseline] = [PAGE.left, sheet.y + 8];
  sheet.mark(parent, 'P', () => {
    for (const pen of pens) {
      const text = PEN_WORDS[pen];
      const width = 30 + sheet.width(text, NOTE);
      if (x + width > PAGE.right) [x, baseline] = [PAGE.left, baseline + 10];
      drawPen(sheet, pen, x, baseline - 2.5, 26);
      sheet.line(text, x + 30, baseline, NOTE);
      x += width + 12;
    }
    baseline += 10;
    sheet.line(
      'Ring: where a value was read. Thinned by least and greatest value in a column, so that no spike is lost.',
      PAGE.left,
      baseline,
      NOTE,
    );
  });
  sheet.y = baseline + 4;
}

/** Digits that are compared by machine stand in full. */
export function drawIdentities(
  sheet: Sheet,
  parent: Element,
  rows: readonly (readonly [name: string, identity: string])[],
): void {
  const columns = [
    column('what', 0, 150, { style: SMALL_INK }),
    column('identity', 154, CONTENT_WIDTH - 154, { style: IDENTITY }),
  ];
  drawTable(
    sheet,
    parent,
    columns,
    rows.map(([name, identity]) => row([name, identity])),
  );
}
