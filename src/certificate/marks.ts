import { unreachable } from '../base/error.js';
import type { ItemVerdict, Verdict } from '../decision/decision.js';
import { INK, PAPER, SOFT, TOLERANCE, ZONE } from './page.js';
import type { Document, Sheet } from './page.js';
import type { Marker, Strip } from './strip.js';

/** Verdict colours: always beside a word and a shape of their own. */
export const VERDICT_COLOUR: Readonly<Record<ItemVerdict['word'], string>> = {
  ACCEPT: '#0b5c37',
  REJECT: '#99131f',
  HOLD: '#6b4300',
};

/** Draws the shape of a verdict in a square of `size` points around a centre. */
export function drawVerdict(
  sheet: Sheet,
  word: ItemVerdict['word'],
  centre: { readonly x: number; readonly y: number },
  size: number,
): void {
  const { doc } = sheet;
  const { x, y } = centre;
  const r = size / 2;
  const colour = VERDICT_COLOUR[word];
  switch (word) {
    case 'ACCEPT':
      doc.circle(x, y, r).fill(colour);
      tick(doc, x, y, r, PAPER);
      return;
    case 'REJECT':
      doc.rect(x - 0.92 * r, y - 0.92 * r, 1.84 * r, 1.84 * r).fill(colour);
      cross(doc, x, y, 0.9 * r, PAPER);
      return;
    case 'HOLD':
      doc.polygon([x, y - 1.1 * r], [x + 1.1 * r, y], [x, y + 1.1 * r], [x - 1.1 * r, y]);
      doc.fill(colour);
      bars(doc, x, y, r, PAPER);
      return;
    default:
      unreachable(word);
  }
}

/** Draws the small mark of a row, without words: tick, cross, bars or nothing. */
export function drawRowMark(sheet: Sheet, verdict: Verdict, x: number, y: number): void {
  switch (verdict.outcome) {
    case 'conforming':
      tick(sheet.doc, x, y, 4.6, INK);
      return;
    case 'nonconforming':
      cross(sheet.doc, x, y, 4.4, INK);
      return;
    case 'conditional':
      if (verdict.side === 'inside') tick(sheet.doc, x, y, 4.6, INK);
      else bars(sheet.doc, x, y, 5.6, INK);
      return;
    case 'inconclusive':
      bars(sheet.doc, x, y, 5.6, INK);
      return;
    case 'invalid':
    case 'not-run':
      sheet.doc.lineCap('butt').lineWidth(1.2);
      sheet.doc
        .moveTo(x - 2.6, y)
        .lineTo(x + 2.6, y)
        .stroke(INK);
      return;
    default:
      unreachable(verdict);
  }
}

function pen(doc: Document, width: number, colour: string): void {
  doc.lineCap('round').lineJoin('round').lineWidth(width).strokeColor(colour);
}

function tick(doc: Document, x: number, y: number, r: number, colour: string): void {
  pen(doc, 0.26 * r + 0.5, colour);
  doc.moveTo(x - 0.46 * r, y + 0.06 * r).lineTo(x - 0.12 * r, y + 0.4 * r);
  doc.lineTo(x + 0.5 * r, y - 0.38 * r).stroke();
}

function cross(doc: Document, x: number, y: number, r: number, colour: string): void {
  pen(doc, 0.26 * r + 0.5, colour);
  const d = 0.46 * r;
  doc.moveTo(x - d, y - d).lineTo(x + d, y + d);
  doc
    .moveTo(x - d, y + d)
    .lineTo(x + d, y - d)
    .stroke();
}

function bars(doc: Document, x: number, y: number, r: number, colour: string): void {
  pen(doc, 0.22 * r + 0.3, colour);
  for (const dx of [-0.24 * r, 0.24 * r]) {
    doc.moveTo(x + dx, y - 0.38 * r).lineTo(x + dx, y + 0.38 * r);
  }
  doc.stroke();
}

const BAR_HEIGHT = 4.8;
const TICK_HEIGHT = 9.6;

/** Draws a limit strip over `width` points around the middle line `y`. */
export function drawStrip(sheet: Sheet, strip: Strip, x: number, y: number, width: number): void {
  const { doc } = sheet;
  const at = (share: number): number => x + share * width;
  const top = y - BAR_HEIGHT / 2;
  doc.lineCap('butt').lineJoin('miter');
  doc.rect(at(strip.bar.from), top, at(strip.bar.to) - at(strip.bar.from), BAR_HEIGHT).fill(ZONE);
  for (const guard of strip.guards) hatch(doc, at(guard.from), at(guard.to), top, BAR_HEIGHT);
  if (strip.foot !== undefined) {
    doc.lineWidth(0.7).moveTo(at(strip.foot), top);
    doc.lineTo(at(strip.foot), top + BAR_HEIGHT).stroke(INK);
  }
  if (strip.break !== undefined) breakLine(doc, at(strip.break), y);
  for (const share of strip.ticks) {
    doc.lineWidth(1.3).moveTo(at(share), y - TICK_HEIGHT / 2);
    doc.lineTo(at(share), y + TICK_HEIGHT / 2).stroke(INK);
  }
  whisker(doc, strip, at, y);
  if (strip.marker !== undefined) marker(doc, strip.marker, at(strip.marker.at), y);
}

/** Hatching by strokes inside a clip: it survives a grey printer, a tint does not. */
function hatch(doc: Document, from: number, to: number, top: number, height: number): void {
  if (to - from < 0.05) return;
  doc
    .save()
    .rect(from, top, to - from, height)
    .fill(TOLERANCE);
  doc.rect(from, top, to - from, height).clip();
  doc.lineWidth(0.6);
  const step = 2;
  const first = Math.floor((from - height) / step) * step;
  for (let x = first; x < to; x += step) {
    doc.moveTo(x, top + height).lineTo(x + height, top);
  }
  doc.stroke(SOFT).restore();
}

function breakLine(doc: Document, x: number, y: number): void {
  const h = BAR_HEIGHT / 2 + 1.2;
  doc
    .lineWidth(0.7)
    .moveTo(x, y - h)
    .lineTo(x - 1.4, y - h / 3);
  doc
    .lineTo(x + 1.4, y + h / 3)
    .lineTo(x, y + h)
    .stroke(INK);
}

function whisker(doc: Document, strip: Strip, at: (share: number) => number, y: number): void {
  if (strip.whisker === undefined) return;
  const { from, to, capFrom, capTo } = strip.whisker;
  doc.lineWidth(0.9).moveTo(at(from), y).lineTo(at(to), y);
  for (const [share, capped] of [
    [from, capFrom],
    [to, capTo],
  ] as const) {
    if (capped) doc.moveTo(at(share), y - 2).lineTo(at(share), y + 2);
  }
  doc.stroke(INK);
}

function marker(doc: Document, mark: Marker, x: number, y: number): void {
  const d = 3.3;
  switch (mark.shape) {
    case 'dot':
      doc.circle(x, y, 2.1).fill(INK);
      return;
    case 'diamond':
      doc.polygon([x, y - d], [x + d, y], [x, y + d], [x - d, y]).lineWidth(1.1);
      doc.fillAndStroke(PAPER, INK);
      return;
    case 'arrow-left':
    case 'arrow-right': {
      const way = mark.shape === 'arrow-left' ? 1 : -1;
      doc.polygon([x, y], [x + way * 4.6, y - d], [x + way * 4.6, y + d]).fill(INK);
      doc
        .lineWidth(1.1)
        .moveTo(x + way * 4, y)
        .lineTo(x + way * 8.5, y)
        .stroke(INK);
      return;
    }
    default:
      unreachable(mark);
  }
}
