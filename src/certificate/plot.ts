import { thin } from '../base/thin.js';
import type { Axis, Figure, Panel, Pen } from './figure.js';
import {
  HAIRLINE,
  HEADING,
  INK,
  NOTE,
  PAPER,
  PRODUCED,
  SMALL_INK,
  SMALL_STRONG,
  SOFT,
  TOLERANCE,
} from './page.js';
import type { Document, Sheet } from './page.js';

/** Room around a panel, points: tick labels at the left, quantity above, ticks and quantity below. */
const LEFT = 30;
const ABOVE = 12;
const BELOW = 24;
const TITLE = { half: 24, full: 15 } as const;

/** A panel is as high as it needs to be read, not as wide figures would make it. */
const PANEL_HEIGHT = { half: 118, full: 92 } as const;

/** How each pen is drawn; the dashes are in points. */
const PENS: Readonly<
  Record<Pen, { readonly width: number; readonly colour: string; readonly dash: readonly number[] }>
> = {
  produced: { width: 1.7, colour: PRODUCED, dash: [] },
  commanded: { width: 0.6, colour: INK, dash: [] },
  limit: { width: 0.8, colour: INK, dash: [8, 2, 1.2, 2] },
  construction: { width: 0.5, colour: INK, dash: [2.6, 1.8] },
  nominal: { width: 0.8, colour: SOFT, dash: [0.9, 1.7] },
};

interface Frame {
  readonly x: number;
  readonly y: number;
  readonly width: number;
  readonly height: number;
}

/** Positions of a panel on the page, from values on its axes. */
interface Place {
  readonly frame: Frame;
  readonly x: (value: number) => number;
  readonly y: (value: number) => number;
}

/** Height a figure takes, points. */
export function figureHeight(figure: Figure): number {
  return TITLE[figure.width] + figure.panels.length * (ABOVE + PANEL_HEIGHT[figure.width] + BELOW);
}

/**
 * Draws a figure as vectors with its upper left corner at `x`, `y`.
 *
 * @param width - Points the figure may take.
 */
export function drawFigure(
  sheet: Sheet,
  figure: Figure,
  at: Pick<Frame, 'x' | 'y' | 'width'>,
): void {
  title(sheet, figure, at);
  let top = at.y + TITLE[figure.width];
  const height = PANEL_HEIGHT[figure.width];
  for (const panel of figure.panels) {
    const frame = { x: at.x + LEFT, y: top + ABOVE, width: at.width - LEFT - 8, height };
    drawPanel(sheet, panel, frame);
    top += ABOVE + height + BELOW;
  }
}

function title(sheet: Sheet, figure: Figure, at: Pick<Frame, 'x' | 'y' | 'width'>): void {
  const style = sheet.fit(figure.title, { ...HEADING, size: 9 }, at.width);
  const baseline = at.y + 9;
  sheet.line(figure.title, at.x, baseline, style);
  const isHalf = figure.width === 'half';
  const x = isHalf ? at.x : at.x + sheet.width(figure.title, style) + 5;
  const note = sheet.shorten(figure.note, NOTE, at.x + at.width - x);
  sheet.line(note, x, isHalf ? baseline + 9.5 : baseline, NOTE);
}

function drawPanel(sheet: Sheet, panel: Panel, frame: Frame): void {
  const { doc } = sheet;
  const place: Place = {
    frame,
    x: scaler(panel.x, frame.x, frame.width),
    y: scaler(panel.y, frame.y + frame.height, -frame.height),
  };
  doc.lineCap('butt').lineJoin('round');
  doc
    .save()
    .rect(frame.x, frame.y - 0.5, frame.width, frame.height + 1)
    .clip();
  for (const band of panel.bands) drawBand(doc, band, place);
  gridLines(doc, panel, place);
  // The produced trace last: wide and on top, it must not be hidden by what was asked of it.
  const order: readonly Pen[] = ['nominal', 'limit', 'commanded', 'produced', 'construction'];
  for (const pen of order) {
    for (const line of panel.lines) if (line.pen === pen) drawLine(doc, line, place);
  }
  doc.restore();
  axes(sheet, panel, place);
  for (const d of panel.dimensions) drawDimension(doc, d, place);
  for (const note of panel.notes) drawNote(sheet, note, place);
  for (const ring of panel.rings) {
    if (!isWithin(ring, panel)) continue;
    doc.circle(place.x(ring.x), place.y(ring.y), 2.5).lineWidth(1).fillAndStroke(PAPER, INK);
  }
  for (const disc of panel.discs) drawDisc(sheet, disc, place);
}

function scaler(axis: Axis, start: number, length: number): (value: number) => number {
  const on = axis.scale === 'logarithmic' ? Math.log10 : (value: number): number => value;
  const from = on(axis.from);
  const span = on(axis.to) - from;
  return (value) => start + ((on(value) - from) / span) * length;
}

function isWithin(point: { readonly x: number; readonly y: number }, panel: Panel): boolean {
  const { x, y } = panel;
  return point.x >= x.from && point.x <= x.to && point.y >= y.from && point.y <= y.to;
}

function drawBand(doc: Document, band: Panel['bands'][number], place: Place): void {
  const { frame } = place;
  const [left, right] = band.x?.map(place.x) ?? [frame.x, frame.x + frame.width];
  const [bottom, top] = band.y?.map(place.y) ?? [frame.y + frame.height, frame.y];
  if (left === undefined || right === undefined) return;
  if (bottom === undefined || top === undefined) return;
  doc.rect(left, top, right - left, bottom - top).fill(TOLERANCE);
}

function gridLines(doc: Document, panel: Panel, place: Place): void {
  const { frame } = place;
  for (const tick of panel.y.ticks) {
    const y = place.y(tick);
    doc
      .lineWidth(tick === 0 ? 0.9 : 0.4)
      .moveTo(frame.x, y)
      .lineTo(frame.x + frame.width, y);
    doc.stroke(tick === 0 ? SOFT : HAIRLINE);
  }
}

function drawLine(doc: Document, line: Panel['lines'][number], place: Place): void {
  const pen = PENS[line.pen];
  const points = outline(line, place);
  if (points.length < 2) return;
  doc.save().lineWidth(pen.width);
  if (pen.dash.length > 0) dash(doc, pen.dash);
  points.forEach(([x, y], i) => {
    if (i === 0) doc.moveTo(x, y);
    else doc.lineTo(x, y);
  });
  doc.stroke(pen.colour).restore();
}

/** pdfkit takes one length and one space; a chain line needs four numbers. */
function dash(doc: Document, lengths: readonly number[]): void {
  doc.addContent(`[${lengths.join(' ')}] 0 d`);
}

/**
 * Points of a line on the page. Where more than four would fall into a column of a fifth of a point,
 * only the least and the greatest are kept, so that no spike is lost.
 */
function outline(
  line: Panel['lines'][number],
  place: Place,
): readonly (readonly [number, number])[] {
  const points: [number, number][] = [];
  for (let i = 0; i < Math.min(line.x.length, line.y.length); i += 1) {
    const x = place.x(line.x[i] as number);
    const y = place.y(line.y[i] as number);
    if (Number.isFinite(x) && Number.isFinite(y)) points.push([hundredth(x), hundredth(y)]);
  }
  const columns = Math.ceil(place.frame.width * 5);
  if (points.length <= columns * 4) return points;
  const kept = thin(
    Float64Array.from(points, (point) => point[1]),
    columns,
  );
  return Array.from(kept.index, (i) => points[i] as [number, number]);
}

const hundredth = (value: number): number => Math.round(value * 100) / 100;

function axes(sheet: Sheet, panel: Panel, place: Place): void {
  const { frame } = place;
  const { doc } = sheet;
  const bottom = frame.y + frame.height;
  doc.lineWidth(0.8).moveTo(frame.x, frame.y).lineTo(frame.x, bottom);
  doc.lineTo(frame.x + frame.width, bottom).stroke(INK);
  let clear = -Infinity;
  for (const tick of panel.x.ticks) {
    const x = place.x(tick);
    doc
      .moveTo(x, bottom)
      .lineTo(x, bottom + 2.5)
      .stroke(INK);
    const text = number(tick);
    const half = sheet.width(text, SMALL_INK) / 2;
    if (x - half < clear) continue;
    sheet.lineMiddle(text, x, bottom + 10, SMALL_INK);
    clear = x + half + 4;
  }
  for (const tick of panel.y.ticks) {
    sheet.lineEnd(number(tick), frame.x - 4, place.y(tick) + 2.6, SMALL_INK);
  }
  sheet.line(panel.y.label, frame.x - LEFT, frame.y - 6, NOTE);
  sheet.lineEnd(panel.x.label, frame.x + frame.width, bottom + 19, NOTE);
}

const number = (value: number): string => String(value).replace('-', '−');

function drawDimension(doc: Document, d: Panel['dimensions'][number], place: Place): void {
  const from = place.x(d.from);
  const to = place.x(d.to);
  const y = place.y(d.y);
  const head = Math.min(4.5, Math.abs(to - from) / 3);
  doc.lineWidth(0.6).moveTo(from, y).lineTo(to, y).stroke(INK);
  const way = Math.sign(to - from);
  for (const [x, s] of [
    [from, way],
    [to, -way],
  ] as const) {
    doc.polygon([x, y], [x + s * head, y - 1.3], [x + s * head, y + 1.3]).fill(INK);
  }
}

/** Writes a note on its point and moves it into the panel where it would stick out. */
function drawNote(sheet: Sheet, note: Panel['notes'][number], place: Place): void {
  const { frame } = place;
  const style = note.strong ? SMALL_STRONG : SMALL_INK;
  const trimmed = note.text.trimStart();
  const indent = (note.text.length - trimmed.length) * 2;
  const text = sheet.shorten(trimmed, style, frame.width - 4);
  const width = sheet.width(text, style);
  const share = { start: 0, middle: 0.5, end: 1 }[note.anchor];
  const wanted = place.x(note.x) + indent - share * width;
  const x = Math.max(frame.x + 2, Math.min(wanted, frame.x + frame.width - width));
  const y = Math.max(frame.y + 7, Math.min(place.y(note.y) - 2, frame.y + frame.height - 2));
  sheet.doc.rect(x - 1, y - 6.4, width + 2, 8).fill(PAPER);
  sheet.line(text, x, y, style);
}

function drawDisc(sheet: Sheet, disc: Panel['discs'][number], place: Place): void {
  const x = place.x(disc.x);
  const y = place.y(disc.y);
  sheet.doc.circle(x, y, 5.6).lineWidth(1);
  sheet.doc.fillAndStroke(disc.filled ? INK : PAPER, INK);
  const style = { ...SMALL_STRONG, colour: disc.filled ? PAPER : INK };
  sheet.lineMiddle(disc.text, x, y + 2.6, style);
}

/** Draws a length of one pen, for a legend. */
export function drawPen(sheet: Sheet, pen: Pen, x: number, y: number, length: number): void {
  const { width, colour, dash: lengths } = PENS[pen];
  sheet.doc.save().lineCap('butt').lineWidth(width);
  if (lengths.length > 0) dash(sheet.doc, lengths);
  sheet.doc
    .moveTo(x, y)
    .lineTo(x + length, y)
    .stroke(colour)
    .restore();
}
