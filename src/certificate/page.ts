import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import type pdfkit from 'pdfkit';
import { UNITS } from '../base/units.js';

/** Ink and tints. Colour only repeats what word, shape or pen say. */
export const INK = '#16212c';
export const SOFT = '#475563';
export const HAIRLINE = '#c9cfd4';
export const PRODUCED = '#0a4c86';
export const ZONE = '#b9d0e3';
export const TOLERANCE = '#eaf0f4';
export const PAPER = '#ffffff';
const PALE = '#e9ebed';

/** A4 in points, and the text area on it. */
export const PAGE = {
  width: 595.28,
  height: 841.89,
  left: 48,
  right: 547.28,
  top: 66,
  bottom: 792,
};
export const CONTENT_WIDTH = PAGE.right - PAGE.left;
/** Smallest type on the page, points. */
export const SMALL = 7.2;

export type Face = 'sans' | 'bold' | 'mono';
export interface Style {
  readonly face: Face;
  readonly size: number;
  readonly colour: string;
}

export const BODY: Style = { face: 'sans', size: 8.2, colour: INK };
export const STRONG: Style = { face: 'bold', size: 8.2, colour: INK };
export const NOTE: Style = { face: 'sans', size: SMALL, colour: SOFT };
export const SMALL_INK: Style = { face: 'sans', size: SMALL, colour: INK };
export const SMALL_STRONG: Style = { face: 'bold', size: SMALL, colour: INK };
export const IDENTITY: Style = { face: 'mono', size: SMALL, colour: INK };
export const HEADING: Style = { face: 'bold', size: 10.5, colour: INK };

export const LEADING = 1.32;

const FILES: Readonly<Record<Face, string>> = {
  sans: 'DejaVuSans.ttf',
  bold: 'DejaVuSans-Bold.ttf',
  mono: 'DejaVuSansMono.ttf',
};

/** What the page needs from the private side of pdfkit 0.20.2, whose version is pinned for it. */
interface Inner {
  readonly _font: EmbeddedFont;
}

interface EmbeddedFont {
  readonly id: string;
  ref(): object;
  /** Glyph numbers in hexadecimal, one a letter. */
  encode(text: string): readonly [readonly string[], unknown];
  /** Thousandths of the type size for one unit of the font. */
  readonly scale: number;
  readonly font: {
    hasGlyphForCodePoint(code: number): boolean;
    glyphForCodePoint(code: number): Glyph;
    /** Tables of the font file that were decoded already. */
    readonly _tables: { post?: object };
  };
  layoutRun: (text: string) => {
    readonly glyphs: readonly Glyph[];
    readonly positions: readonly object[];
    readonly advanceWidth: number;
  };
}

interface Glyph {
  readonly advanceWidth: number;
  readonly path: { toSVG(): string };
}

export type Document = typeof pdfkit;
export type Element = ReturnType<Document['struct']>;

/** Words that stand on every page. */
export interface Frame {
  readonly left: string;
  readonly middle: string;
  readonly right: string;
  readonly foot: string;
  /** Drawn pale behind the text and at head and foot; undefined on a product record. */
  readonly mark: string | undefined;
}

/**
 * A pile of A4 pages with a cursor. Text is refused when the embedded font lacks a character:
 * a box instead of a letter must never reach a record.
 */
export class Sheet {
  /** Points from the top of the page; baseline or upper edge, as each method says. */
  y = PAGE.top;
  readonly root: Element;
  private readonly flushes: (() => void)[] = [];
  private readonly faces: Readonly<Record<Face, FaceLetters>>;

  constructor(
    readonly doc: Document,
    private readonly frame: Frame,
  ) {
    const files = fonts();
    const open = (face: Face): FaceLetters => {
      doc.registerFont(face, files[face]).font(face);
      return new FaceLetters(face, (doc as unknown as Inner)._font);
    };
    this.faces = { sans: open('sans'), bold: open('bold'), mono: open('mono') };
    this.root = doc.struct('Document');
    doc.addStructure(this.root);
    this.newPage();
  }

  newPage(): void {
    this.doc.addPage();
    this.gatherContent();
    this.y = PAGE.top;
    const { mark } = this.frame;
    if (mark !== undefined)
      this.artifact(() => {
        this.paleMark(mark);
      });
  }

  /** Keeps what is written on the page as text until the end: pdfkit makes bytes of every operator. */
  private gatherContent(): void {
    const { page } = this.doc;
    const written: string[] = [];
    page.write = (operator: string) => {
      written.push(operator);
    };
    this.flushes.push(() => {
      page.content.write(Buffer.from(`${written.join('\n')}\n`, 'latin1'));
    });
  }

  /** Starts a page unless `height` points are left on this one. */
  need(height: number): boolean {
    if (this.y + height <= PAGE.bottom) return false;
    this.newPage();
    return true;
  }

  /** Adds a leaf to the structure and draws its content. */
  mark(parent: Element, type: string, draw: () => void, options: Tag = {}): void {
    const element = this.doc.struct(type, options);
    parent.add(element);
    element.add(draw);
    element.end();
  }

  /** Adds a branch to the structure. */
  branch(parent: Element, type: string): Element {
    const element = this.doc.struct(type);
    parent.add(element);
    return element;
  }

  /** Draws what repeats or decorates and is not read out. */
  artifact(draw: () => void): void {
    this.doc.markContent('Artifact', { type: 'Pagination' });
    draw();
    this.doc.endMarkedContent();
  }

  width(text: string, style: Style): number {
    return this.faces[style.face].width(text) * style.size;
  }

  /** Writes one line with its baseline at `y`. */
  line(text: string, x: number, y: number, style: Style): void {
    if (text === '') return;
    const { id, ref, hex } = this.faces[style.face].write(text);
    const fonts = this.doc.page.fonts as Record<string, object>;
    fonts[id] ??= ref;
    // Written as one operator: the text methods of pdfkit write eight for each line. Its pages are
    // turned upside down, so the text is turned back.
    const at = `1 0 0 -1 ${hundredth(x)} ${hundredth(y)} Tm`;
    this.doc.addContent(`BT ${rgb(style.colour)} rg /${id} ${style.size} Tf ${at} <${hex}> Tj ET`);
  }

  lineEnd(text: string, right: number, y: number, style: Style): void {
    this.line(text, right - this.width(text.trimEnd(), style), y, style);
  }

  lineMiddle(text: string, centre: number, y: number, style: Style): void {
    this.line(text, centre - this.width(text, style) / 2, y, style);
  }

  /** Makes type smaller until the line fits, but no smaller than the smallest type. */
  fit(text: string, style: Style, width: number): Style {
    const natural = this.width(text, style);
    if (natural <= width) return style;
    return {
      ...style,
      size: Math.max(SMALL, Math.floor(((style.size * width) / natural) * 10) / 10),
    };
  }

  /** Shortens a line in the middle; only for what stands in full elsewhere. */
  shorten(text: string, style: Style, width: number): string {
    if (this.width(text, style) <= width) return text;
    const letters = Array.from(text);
    for (let keep = letters.length - 1; keep > 1; keep -= 1) {
      const head = Math.ceil(keep / 2);
      const short = `${letters.slice(0, head).join('')}…${letters.slice(letters.length - keep + head).join('')}`;
      if (this.width(short, style) <= width) return short;
    }
    return '…';
  }

  /**
   * Breaks text into lines no wider than `width`: between words, else inside a word. A line broken
   * between words keeps its space, so that the text reads and copies as it was.
   */
  wrap(text: string, style: Style, width: number): readonly string[] {
    const paragraphs = text.split('\n').map((part) => this.wrapParagraph(part, style, width));
    return paragraphs.flatMap((lines, i) =>
      i === paragraphs.length - 1 ? lines : [...lines.slice(0, -1), `${lines.at(-1) ?? ''} `],
    );
  }

  private wrapParagraph(text: string, style: Style, width: number): readonly string[] {
    const lines: string[] = [];
    let line = '';
    for (const word of unbreakable(text)) {
      const longer = line === '' ? word : `${line} ${word}`;
      if (this.width(longer, style) <= width) {
        line = longer;
        continue;
      }
      if (line !== '') lines.push(`${line} `);
      const pieces = this.breakWord(word, style, width);
      lines.push(...pieces.slice(0, -1));
      line = pieces.at(-1) ?? '';
    }
    lines.push(line);
    return lines;
  }

  private breakWord(word: string, style: Style, width: number): readonly string[] {
    if (this.width(word, style) <= width) return [word];
    const pieces: string[] = [];
    let piece = '';
    for (const letter of word) {
      if (piece !== '' && this.width(piece + letter, style) > width) {
        pieces.push(piece);
        piece = '';
      }
      piece += letter;
    }
    return [...pieces, piece];
  }

  /**
   * Writes wrapped text from upper edge `y`.
   *
   * @returns Height taken, points.
   */
  lines(lines: readonly string[], x: number, y: number, style: Style): number {
    const step = style.size * LEADING;
    lines.forEach((text, i) => {
      this.line(text, x, y + style.size + i * step, style);
    });
    return lines.length * step;
  }

  /** Writes a paragraph at the cursor over the text width and moves on, page by page if it must. */
  paragraph(parent: Element, text: string, style: Style = BODY, gap = 4): void {
    const element = this.branch(parent, 'P');
    let rest = this.wrap(text, style, CONTENT_WIDTH);
    const step = style.size * LEADING;
    while (rest.length > 0) {
      this.need(Math.min(rest.length, 2) * step);
      const room = Math.max(1, Math.floor((PAGE.bottom - this.y) / step));
      const here = rest.slice(0, room);
      element.add(() => {
        this.y += this.lines(here, PAGE.left, this.y, style);
      });
      rest = rest.slice(room);
    }
    element.end();
    this.y += gap;
  }

  /** Writes a heading with an optional remark beside it, with room for `follows` points below it. */
  heading(parent: Element, text: string, remark = '', follows = 60): void {
    this.need(follows + 30);
    this.y += this.y > PAGE.top ? 12 : 0;
    const baseline = this.y + HEADING.size;
    this.mark(parent, 'H2', () => {
      this.line(text, PAGE.left, baseline, HEADING);
      if (remark === '') return;
      const x = PAGE.left + this.width(text, HEADING) + 6;
      const short = this.shorten(remark, NOTE, PAGE.right - x);
      this.line(short, x, baseline, NOTE);
    });
    this.y = baseline + 6;
  }

  rule(y: number, weight: number, colour: string, from = PAGE.left, to = PAGE.right): void {
    this.doc.lineWidth(weight).moveTo(from, y).lineTo(to, y).stroke(colour);
  }

  /** Writes head and foot of every page, once it is known how many there are. */
  finish(): void {
    const { count } = this.doc.bufferedPageRange();
    for (let page = 0; page < count; page += 1) {
      this.doc.switchToPage(page);
      this.artifact(() => {
        this.head(page);
        this.foot(page, count);
      });
    }
    for (const flush of this.flushes) flush();
    this.root.end();
  }

  private head(page: number): void {
    const { left, middle, right, mark } = this.frame;
    if (mark !== undefined) this.boxedMark(mark, 21);
    if (page === 0) return;
    const third = CONTENT_WIDTH / 3 - 6;
    const identity = { ...IDENTITY, size: 7.8 };
    this.line(this.shorten(left, identity, third), PAGE.left, 48, identity);
    const centre = (PAGE.left + PAGE.right) / 2;
    this.lineMiddle(this.shorten(middle, identity, third), centre, 48, identity);
    this.lineEnd(this.shorten(right, SMALL_INK, third), PAGE.right, 48, SMALL_INK);
    this.rule(54, 0.7, INK);
  }

  private foot(page: number, count: number): void {
    const { left, foot, mark } = this.frame;
    this.rule(806, 0.7, INK);
    const number = this.shorten(left, IDENTITY, CONTENT_WIDTH / 3 - 6);
    this.line(number, PAGE.left, 817, IDENTITY);
    this.lineMiddle(foot, (PAGE.left + PAGE.right) / 2, 817, SMALL_INK);
    this.lineEnd(`page ${page + 1} of ${count}`, PAGE.right, 817, SMALL_INK);
    if (mark !== undefined) this.boxedMark(mark, 831);
  }

  private boxedMark(mark: string, baseline: number): void {
    const style: Style = { face: 'bold', size: SMALL, colour: INK };
    const width = this.width(mark, style) + 24;
    const centre = (PAGE.left + PAGE.right) / 2;
    this.doc.lineWidth(0.7).rect(centre - width / 2, baseline - 9, width, 13);
    this.doc.fillAndStroke(PAPER, INK);
    this.lineMiddle(mark, centre, baseline, style);
  }

  /**
   * An opaque tint, drawn before everything else: PDF/A readers need no transparency for it. Drawn as
   * outlines, or its letters would turn up between the lines when the text of a page is copied.
   */
  private paleMark(mark: string): void {
    const { doc } = this;
    const style: Style = { face: 'bold', size: 56, colour: PALE };
    const x = PAGE.width / 2;
    const y = PAGE.height / 2;
    doc.save().rotate(-54, { origin: [x, y] });
    const parts = mark.split(' – ');
    parts.forEach((part, i) => {
      const left = x - this.width(part, style) / 2;
      const baseline = y + 20 + (i - (parts.length - 1) / 2) * 74;
      for (const letter of this.faces[style.face].outlines(part, style.size)) {
        doc
          .save()
          .translate(left + letter.x, baseline)
          .scale(letter.scale, -letter.scale);
        doc.path(letter.path).fill(style.colour).restore();
      }
    });
    doc.restore();
  }

  /** Whether the font of a style has every character of a text. */
  canWrite(text: string, style: Style): boolean {
    return this.faces[style.face].canShow(text);
  }
}

/** The letters of one font: their widths, and which it lacks. */
class FaceLetters {
  private readonly widths = new Map<string, number>();

  constructor(
    private readonly face: Face,
    private readonly embedded: EmbeddedFont,
  ) {
    // One glyph a letter, without kerning or ligatures: shaping took most of the time, and a
    // ligature would be found by no search for the word.
    embedded.layoutRun = (text) => this.layout(text);
    // The names of six thousand glyphs stand in this table; embedding asks it for these two numbers.
    embedded.font._tables.post = { isFixedPitch: face === 'mono' ? 1 : 0, italicAngle: 0 };
  }

  canShow(text: string): boolean {
    return Array.from(text).every((letter) =>
      this.embedded.font.hasGlyphForCodePoint(codeOf(letter)),
    );
  }

  /**
   * Width of a text at size 1.
   *
   * @throws plain Error naming character and text when the font lacks a character.
   */
  width(text: string): number {
    let sum = 0;
    for (const letter of text.normalize('NFC'))
      sum += this.widths.get(letter) ?? this.learn(letter, text);
    return sum;
  }

  /** What the page needs to write a text that the font can show. */
  write(text: string): { readonly id: string; readonly ref: object; readonly hex: string } {
    this.width(text);
    const [glyphs] = this.embedded.encode(text.normalize('NFC'));
    return { id: this.embedded.id, ref: this.embedded.ref(), hex: glyphs.join('') };
  }

  /** The letters of a text as shapes: where each begins, and what turns its units into points. */
  outlines(
    text: string,
    size: number,
  ): readonly { readonly x: number; readonly scale: number; readonly path: string }[] {
    const scale = (this.embedded.scale * size) / 1000;
    let x = 0;
    return Array.from(text).map((letter) => {
      const glyph = this.embedded.font.glyphForCodePoint(codeOf(letter));
      const outline = { x, scale, path: glyph.path.toSVG() };
      x += glyph.advanceWidth * scale;
      return outline;
    });
  }

  private learn(letter: string, text: string): number {
    const { font, scale } = this.embedded;
    const code = codeOf(letter);
    if (!font.hasGlyphForCodePoint(code)) {
      const hex = code.toString(16).toUpperCase().padStart(4, '0');
      throw new Error(
        `${FILES[this.face]} has no glyph for U+${hex} "${letter}" in "${text}"; the record cannot show it`,
      );
    }
    const width = (font.glyphForCodePoint(code).advanceWidth * scale) / 1000;
    this.widths.set(letter, width);
    return width;
  }

  private layout(text: string): ReturnType<EmbeddedFont['layoutRun']> {
    const { font, scale } = this.embedded;
    const glyphs = Array.from(text).map((letter) => font.glyphForCodePoint(codeOf(letter)));
    const positions = glyphs.map((glyph) => {
      const advance = glyph.advanceWidth * scale;
      return { xAdvance: advance, advanceWidth: advance, yAdvance: 0, xOffset: 0, yOffset: 0 };
    });
    const advanceWidth = positions.reduce((sum, p) => sum + p.xAdvance, 0);
    return { glyphs, positions, advanceWidth };
  }
}

const hundredth = (value: number): number => Math.round(value * 100) / 100;
const thousandth = (value: number): number => Math.round(value * 1000) / 1000;

/** "#16212c" as three shares of 1. */
function rgb(colour: string): string {
  return [1, 3, 5].map((at) => thousandth(parseInt(colour.slice(at, at + 2), 16) / 255)).join(' ');
}

const codeOf = (letter: string): number => letter.codePointAt(0) ?? 0;

/** Splits at spaces, but not inside "3.02 ± 0.08 N·m/ms": a number keeps its U and its unit. */
function unbreakable(text: string): readonly string[] {
  const parts: string[] = [];
  for (const word of text.split(' ')) {
    const before = parts.at(-1) ?? '';
    const isUnit = /[0-9]$/.test(before) && UNITS.has(word.replace(/[.,;:)]+$/, ''));
    if (parts.length > 0 && (word === '±' || before.endsWith('±') || isUnit)) {
      parts[parts.length - 1] = `${before} ${word}`;
    } else {
      parts.push(word);
    }
  }
  return parts;
}

export interface Tag {
  /** What a figure shows, in words. */
  readonly alt?: string;
  /** What a header cell is the header of. */
  readonly scope?: 'Column' | 'Row';
}

let loaded: Readonly<Record<Face, Buffer>> | undefined;

/** Reads the font files once a process; they do not change under a running program. */
function fonts(): Readonly<Record<Face, Buffer>> {
  if (loaded !== undefined) return loaded;
  const require = createRequire(import.meta.url);
  const read = (face: Face): Buffer =>
    readFileSync(require.resolve(`dejavu-fonts-ttf/ttf/${FILES[face]}`));
  loaded = { sans: read('sans'), bold: read('bold'), mono: read('mono') };
  return loaded;
}
