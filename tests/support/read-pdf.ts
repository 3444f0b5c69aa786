import { inflateSync } from 'node:zlib';

/** A line of text on a page: baseline and size in points from the upper left corner. */
export interface Line {
  /** Without the space at which a line was broken. */
  readonly text: string;
  readonly x: number;
  readonly y: number;
  readonly size: number;
  readonly right: number;
  readonly colour: string;
}

export interface PdfPage {
  readonly lines: readonly Line[];
  /** All lines from top to bottom, left to right. */
  readonly text: string;
}

export interface PdfFile {
  /** Bodies of all objects by number, streams inflated. */
  readonly objects: ReadonlyMap<number, string>;
  readonly pages: readonly PdfPage[];
  readonly text: string;
}

interface Font {
  readonly letters: readonly string[];
  readonly widths: readonly number[];
}

/** Reads back what `renderPdf` wrote: objects, pages and lines. Not a reader for other people's files. */
export function readPdf(bytes: Uint8Array): PdfFile {
  const objects = readObjects(Buffer.from(bytes).toString('latin1'));
  const body = (ref: string | undefined): string => objects.get(Number(ref)) ?? '';
  const tree = [...objects.values()].find((o) => /\/Type \/Pages\b/.test(o)) ?? '';
  const kids = [...(/\/Kids \[([^\]]*)\]/.exec(tree)?.[1] ?? '').matchAll(/(\d+) 0 R/g)];
  const pages = kids.map(([, kid]) => {
    const page = body(kid);
    const resources = body(/\/Resources (\d+) 0 R/.exec(page)?.[1]);
    const fonts = new Map(
      [...resources.matchAll(/\/(F\d+) (\d+) 0 R/g)].map(([, name = '', ref]) => [
        name,
        readFont(body(ref), body),
      ]),
    );
    const lines = readLines(body(/\/Contents (\d+) 0 R/.exec(page)?.[1]), fonts);
    const sorted = [...lines].sort((a, b) => a.y - b.y || a.x - b.x);
    return { lines, text: sorted.map((l) => l.text).join('\n') };
  });
  return { objects, pages, text: pages.map((p) => p.text).join('\n') };
}

function readObjects(file: string): ReadonlyMap<number, string> {
  const objects = new Map<number, string>();
  for (const [, number, content = ''] of file.matchAll(/\n(\d+) 0 obj\n([\s\S]*?)\nendobj/g)) {
    const at = content.indexOf('stream\n');
    const head = at < 0 ? content : content.slice(0, at);
    const length = Number(/\/Length (\d+)/.exec(head)?.[1] ?? 0);
    const stream = Buffer.from(content.slice(at + 7, at + 7 + length), 'latin1');
    const isPacked = head.includes('/FlateDecode');
    const plain = at < 0 ? '' : (isPacked ? inflateSync(stream) : stream).toString('latin1');
    objects.set(Number(number), head + plain);
  }
  return objects;
}

function readFont(font: string, body: (ref: string | undefined) => string): Font {
  const map = body(/\/ToUnicode (\d+) 0 R/.exec(font)?.[1]);
  const entries = /\[(<[\s\S]*?>)\]/.exec(map)?.[1] ?? '';
  const letters = [...entries.matchAll(/<([0-9a-f ]*)>/g)].map(([, codes = '']) =>
    codes
      .split(' ')
      .map((code) => String.fromCharCode(parseInt(code, 16)))
      .join(''),
  );
  const descendant = body(/\/DescendantFonts \[(\d+) 0 R/.exec(font)?.[1]);
  const widths = (/\/W \[0 \[([^\]]*)\]/.exec(descendant)?.[1] ?? '').split(' ').map(Number);
  return { letters, widths };
}

const TEXT =
  /BT ([\d. ]+) rg \/(F\d+) ([\d.]+) Tf 1 0 0 -1 ([-\d.]+) ([-\d.]+) Tm <([0-9a-f]*)> Tj ET/g;

function readLines(content: string, fonts: ReadonlyMap<string, Font>): readonly Line[] {
  return [...content.matchAll(TEXT)].map((match) => {
    const [, colour = '', name = '', size = '', x = '', y = '', hex = ''] = match;
    const font = fonts.get(name);
    if (font === undefined) throw new Error(`the page uses ${name} without naming it`);
    const glyphs = (hex.match(/.{4}/g) ?? []).map((g) => parseInt(g, 16));
    const letters = glyphs.map((g) => font.letters[g] ?? '').join('');
    const text = letters.trimEnd();
    const width = glyphs.slice(0, text.length).reduce((sum, g) => sum + (font.widths[g] ?? NaN), 0);
    return {
      text,
      x: Number(x),
      y: Number(y),
      size: Number(size),
      right: Number(x) + (width * Number(size)) / 1000,
      colour,
    };
  });
}
