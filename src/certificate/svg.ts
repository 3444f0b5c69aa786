import { unreachable } from '../base/error.js';
import type { Figure, Point } from './figure.js';
import { layOut, type Ruler, type Shape, type Stroke } from './layout.js';
import { CONTENT_WIDTH, INK, LEADING, PAPER, Sheet, SMALL_INK, SMALL_STRONG } from './page.js';
import type { Style } from './page.js';

/** What stands around a figure that leaves its certificate. */
export interface Caption {
  /** Which item, attempt and record, and what was read; one paragraph each. */
  readonly lines: readonly string[];
  /** Printed above the figure; undefined on a product record. */
  readonly mark: string | undefined;
}

/** Space around everything, and between the figure and what stands around it, points. */
const MARGIN = 8;
const GAP = 6;
const MARK_HEIGHT = 14;

/** The gap between two halves on the certificate: a figure is as wide here as there. */
const GUTTER = 16;

/** The first is the font of the certificate and what text is measured with; the others are as wide or narrower. */
const SANS = "'DejaVu Sans', Verdana, 'Helvetica Neue', Arial, sans-serif";
const MONO = "'DejaVu Sans Mono', Menlo, Consolas, monospace";

/**
 * Writes a figure as an SVG file of its own: same geometry as on the certificate, text as text, no
 * script, nothing loaded from elsewhere. Equal input gives equal text.
 *
 * @param ruler - From `openRuler`.
 * @returns A whole XML document, one point of the certificate to one unit.
 *
 * Source: SVG 1.1 second edition, W3C 2011; XML 1.0 fifth edition, 2.2 (from memory).
 * Check: tests/unit/svg.test.ts.
 */
export function writeSvg(figure: Figure, caption: Caption, ruler: Ruler): string {
  const width = figure.width === 'full' ? CONTENT_WIDTH : (CONTENT_WIDTH - GUTTER) / 2;
  const layout = layOut(figure, width, ruler);
  const top = MARGIN + (caption.mark === undefined ? 0 : MARK_HEIGHT + GAP);
  const words = caption.lines.flatMap((line) => ruler.wrap(line, SMALL_INK, width));
  const step = SMALL_INK.size * LEADING;
  const below = top + layout.height + GAP;
  const page = {
    width: number(width + 2 * MARGIN),
    height: number(below + words.length * step + MARGIN),
  };
  const foot = words.map((text, i): Shape => {
    const at = { x: MARGIN, y: below + SMALL_INK.size + i * step };
    return { kind: 'text', at, text: text.trimEnd(), style: SMALL_INK, anchor: 'start' };
  });
  const said = [figure.alternative, ...caption.lines].join(' ');
  return [
    '<?xml version="1.0" encoding="UTF-8"?>',
    `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${page.width} ${page.height}" role="img" aria-labelledby="title desc" xml:lang="en" font-family="${SANS}">`,
    `<title id="title">${escaped([caption.mark, figure.title].filter((t) => t !== undefined).join(': '))}</title>`,
    `<desc id="desc">${escaped(said)}</desc>`,
    `<rect width="${page.width}" height="${page.height}" fill="${PAPER}"/>`,
    ...(caption.mark === undefined ? [] : markLines(caption.mark, width)),
    `<g transform="translate(${number(MARGIN)} ${number(top)})">`,
    ...new Writer().write(layout.shapes),
    '</g>',
    ...new Writer().write(foot),
    '</svg>',
    '',
  ].join('\n');
}

/** The mark in a box over the whole width, as at the head of the certificate. */
function markLines(mark: string, width: number): readonly string[] {
  const box = `<rect x="${number(MARGIN)}" y="${number(MARGIN)}" width="${number(width)}" height="${number(MARK_HEIGHT)}" fill="${PAPER}" stroke="${INK}" stroke-width="0.7"/>`;
  const at = { x: MARGIN + width / 2, y: MARGIN + 9.6 };
  const text: Shape = { kind: 'text', at, text: mark, style: SMALL_STRONG, anchor: 'middle' };
  return [box, ...new Writer().write([text])];
}

/** Writes shapes; a part that is clipped needs a name of its own in the file. */
class Writer {
  private clips = 0;

  write(shapes: readonly Shape[]): readonly string[] {
    return shapes.flatMap((shape) => this.shape(shape));
  }

  private shape(shape: Shape): readonly string[] {
    switch (shape.kind) {
      case 'line':
        return [
          `<polyline class="${shape.name}" points="${pairs(shape.points)}" fill="none" ${strokeOf(shape.stroke)} stroke-linejoin="round"/>`,
        ];
      case 'area':
        return [
          `<polygon class="${shape.name}" points="${pairs(shape.points)}" fill="${shape.fill}"/>`,
        ];
      case 'circle': {
        const { x, y } = shape.centre;
        return [
          `<circle cx="${number(x)}" cy="${number(y)}" r="${number(shape.radius)}" fill="${shape.fill}" ${strokeOf(shape.stroke)}/>`,
        ];
      }
      case 'text':
        return [textElement(shape)];
      case 'clipped': {
        this.clips += 1;
        const id = `panel-${this.clips}`;
        const { x, y, width, height } = shape.box;
        return [
          `<clipPath id="${id}"><rect x="${number(x)}" y="${number(y)}" width="${number(width)}" height="${number(height)}"/></clipPath>`,
          `<g clip-path="url(#${id})">`,
          ...this.write(shape.shapes),
          '</g>',
        ];
      }
      default:
        return unreachable(shape);
    }
  }
}

function textElement(shape: Extract<Shape, { readonly kind: 'text' }>): string {
  const { at, text, style, anchor } = shape;
  const where = `x="${number(at.x)}" y="${number(at.y)}"`;
  const how = `font-size="${number(style.size)}" fill="${style.colour}"`;
  const placed = anchor === 'start' ? '' : ` text-anchor="${anchor}"`;
  return `<text ${where} ${how}${FACES[style.face]}${placed}>${escaped(text)}</text>`;
}

const FACES: Readonly<Record<Style['face'], string>> = {
  sans: '',
  bold: ' font-weight="bold"',
  mono: ` font-family="${MONO}"`,
};

function strokeOf({ width, colour, dash }: Stroke): string {
  const dashes = dash.length === 0 ? '' : ` stroke-dasharray="${dash.map(number).join(' ')}"`;
  return `stroke="${colour}" stroke-width="${number(width)}"${dashes}`;
}

const pairs = (points: readonly Point[]): string =>
  points.map(({ x, y }) => `${number(x)},${number(y)}`).join(' ');

/** A hundredth of a point is finer than any printer. */
const number = (value: number): string => String(Math.round(value * 100) / 100 + 0); // + 0: no minus zero

/** Text as XML; what XML cannot carry at all becomes the replacement character. */
function escaped(text: string): string {
  return text
    .replaceAll(UNWRITABLE, '\uFFFD')
    .replaceAll('&', '&amp;')
    .replaceAll('<', '&lt;')
    .replaceAll('>', '&gt;');
}

const UNWRITABLE = /[^\t\n\r\u0020-\uD7FF\uE000-\uFFFD\u{10000}-\u{10FFFF}]/gu;

/** Opens the fonts of the certificate to measure text with, so that words stand the same in a file as on the page. */
export async function openRuler(): Promise<Ruler> {
  const { default: PDFDocument } = await import('pdfkit');
  // @ts-expect-error -- null keeps pdfkit from opening a font it does not embed; its types lack it
  const doc = new PDFDocument({ autoFirstPage: false, bufferPages: true, font: null });
  return new Sheet(doc, { left: '', middle: '', right: '', foot: '', mark: undefined });
}
