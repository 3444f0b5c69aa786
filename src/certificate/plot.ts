import { unreachable } from '../base/error.js';
import type { Figure, Pen, Point } from './figure.js';
import { layOut, PENS, type Shape, type Stroke } from './layout.js';
import type { Sheet } from './page.js';

export { figureHeight } from './layout.js';

/**
 * Draws a figure as vectors with its upper left corner at `x`, `y`.
 *
 * @param width - Points the figure may take.
 */
export function drawFigure(
  sheet: Sheet,
  figure: Figure,
  at: Point & { readonly width: number },
): void {
  for (const shape of layOut(figure, at.width, sheet).shapes) drawShape(sheet, shape, at);
}

function drawShape(sheet: Sheet, shape: Shape, origin: Point): void {
  const { doc } = sheet;
  const moved = ({ x, y }: Point): Point => ({ x: origin.x + x, y: origin.y + y });
  switch (shape.kind) {
    case 'line':
      trace(sheet, shape.points.map(moved), shape.stroke);
      return;
    case 'area':
      doc.polygon(...shape.points.map(moved).map(({ x, y }) => [x, y])).fill(shape.fill);
      return;
    case 'circle': {
      const { x, y } = moved(shape.centre);
      doc.circle(x, y, shape.radius).lineWidth(shape.stroke.width);
      doc.fillAndStroke(shape.fill, shape.stroke.colour);
      return;
    }
    case 'text':
      write(sheet, shape, moved(shape.at));
      return;
    case 'clipped': {
      const { x, y } = moved(shape.box);
      doc.save().rect(x, y, shape.box.width, shape.box.height).clip();
      for (const inner of shape.shapes) drawShape(sheet, inner, origin);
      doc.restore();
      return;
    }
    default:
      unreachable(shape);
  }
}

function trace(sheet: Sheet, points: readonly Point[], stroke: Stroke): void {
  const { doc } = sheet;
  doc.save().lineCap('butt').lineJoin('round').lineWidth(stroke.width);
  // pdfkit takes one length and one space; a chain line needs four numbers.
  if (stroke.dash.length > 0) doc.addContent(`[${stroke.dash.join(' ')}] 0 d`);
  points.forEach(({ x, y }, i) => {
    if (i === 0) doc.moveTo(x, y);
    else doc.lineTo(x, y);
  });
  doc.stroke(stroke.colour).restore();
}

function write(
  sheet: Sheet,
  { text, style, anchor }: Extract<Shape, { readonly kind: 'text' }>,
  { x, y }: Point,
): void {
  switch (anchor) {
    case 'start':
      sheet.line(text, x, y, style);
      return;
    case 'middle':
      sheet.lineMiddle(text, x, y, style);
      return;
    case 'end':
      sheet.lineEnd(text, x, y, style);
      return;
    default:
      unreachable(anchor);
  }
}

/** Draws a length of one pen, for a legend. */
export function drawPen(sheet: Sheet, pen: Pen, x: number, y: number, length: number): void {
  trace(
    sheet,
    [
      { x, y },
      { x: x + length, y },
    ],
    PENS[pen],
  );
}
