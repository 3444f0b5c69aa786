import {
  BODY,
  CONTENT_WIDTH,
  HAIRLINE,
  INK,
  LEADING,
  NOTE,
  PAGE,
  SMALL_STRONG,
  STRONG,
} from './page.js';
import type { Element, Sheet, Style } from './page.js';

/** A column of a table: where it stands within the text width, in points. */
export interface Column {
  readonly title: string;
  readonly from: number;
  readonly width: number;
  readonly align: 'start' | 'end';
  readonly style: Style;
}

/** Something drawn in a cell instead of written, with the words for those who cannot see it. */
export interface Drawing {
  readonly alternative: string;
  readonly height: number;
  readonly draw: (left: number, middle: number) => void;
}

export type Cell = string | Drawing;

export type Row =
  | { readonly kind: 'group'; readonly title: string; readonly remark: string }
  | {
      readonly kind: 'cells';
      readonly cells: readonly Cell[];
      readonly strong: boolean;
      /** Small type under the row over the whole width; empty for none. */
      readonly below: string;
    };

const PADDING = 2.6;
const GROUP_HEIGHT = 15;

export function column(
  title: string,
  from: number,
  width: number,
  more: Partial<Pick<Column, 'align' | 'style'>> = {},
): Column {
  return { title, from, width, align: 'start', style: BODY, ...more };
}

export function row(cells: readonly Cell[], below = '', strong = false): Row {
  return { kind: 'cells', cells, below, strong };
}

/** Draws a table at the cursor. Breaks between rows only, and repeats the header on each page. */
export function drawTable(
  sheet: Sheet,
  parent: Element,
  columns: readonly Column[],
  rows: readonly Row[],
): void {
  const table = sheet.branch(parent, 'Table');
  const laid = rows.map((r) => layRow(sheet, columns, r));
  sheet.need(14 + blockHeight(laid, 0));
  drawHeader(sheet, columns, table);
  let group = '';
  laid.forEach((lay, i) => {
    if (sheet.need(blockHeight(laid, i))) repeatHeader(sheet, columns, lay, group);
    if (lay.row.kind === 'group') group = lay.row.title;
    drawRow(sheet, columns, table, lay);
  });
  table.end();
}

interface Laid {
  readonly row: Row;
  readonly height: number;
  readonly texts: readonly (readonly string[])[];
  readonly below: readonly string[];
}

/** Height that must not be torn apart: a group title keeps its first row. */
function blockHeight(laid: readonly Laid[], at: number): number {
  const here = laid[at];
  if (here === undefined) return 0;
  return here.row.kind === 'group' ? here.height + blockHeight(laid, at + 1) : here.height;
}

function layRow(sheet: Sheet, columns: readonly Column[], row: Row): Laid {
  if (row.kind === 'group') return { row, height: GROUP_HEIGHT, texts: [], below: [] };
  const texts = columns.map((c, i) => {
    const cell = row.cells[i] ?? '';
    return typeof cell === 'string' ? sheet.wrap(cell, styleOf(c, row.strong), c.width) : [];
  });
  const heights = columns.map((c, i) => {
    const cell = row.cells[i] ?? '';
    if (typeof cell !== 'string') return cell.height;
    return (texts[i]?.length ?? 0) * c.style.size * LEADING + BODY.size - c.style.size;
  });
  const below = row.below === '' ? [] : sheet.wrap(row.below, NOTE, CONTENT_WIDTH - 10);
  const extra = below.length * NOTE.size * LEADING;
  return { row, texts, below, height: Math.max(...heights) + extra + 2 * PADDING };
}

function styleOf(c: Column, strong: boolean): Style {
  return strong && c.style.face === 'sans' ? { ...c.style, face: 'bold' } : c.style;
}

function drawHeader(sheet: Sheet, columns: readonly Column[], table: Element): void {
  const tr = sheet.branch(table, 'TR');
  for (const c of columns) {
    const draw = (): void => {
      headerCell(sheet, c);
    };
    sheet.mark(tr, 'TH', draw, { scope: 'Column' });
  }
  tr.end();
  sheet.artifact(() => {
    endHeader(sheet);
  });
}

/** Repeats header and group on a new page; read out once is enough, so neither is in the structure. */
function repeatHeader(sheet: Sheet, columns: readonly Column[], next: Laid, group: string): void {
  sheet.artifact(() => {
    for (const c of columns) headerCell(sheet, c);
    endHeader(sheet);
    if (group === '' || next.row.kind === 'group') return;
    groupTitle(sheet, group, 'continued');
    sheet.y += GROUP_HEIGHT;
    sheet.rule(sheet.y, 0.7, INK);
  });
}

function headerCell(sheet: Sheet, c: Column): void {
  const left = PAGE.left + c.from;
  if (c.align === 'end') sheet.lineEnd(c.title, left + c.width, sheet.y + 8, NOTE);
  else sheet.line(c.title, left, sheet.y + 8, NOTE);
}

function endHeader(sheet: Sheet): void {
  sheet.y += 12;
  sheet.rule(sheet.y, 0.9, INK);
}

function drawRow(sheet: Sheet, columns: readonly Column[], table: Element, lay: Laid): void {
  const { row } = lay;
  const tr = sheet.branch(table, 'TR');
  const bottom = sheet.y + lay.height;
  if (row.kind === 'group') {
    const draw = (): void => {
      groupTitle(sheet, row.title, row.remark);
    };
    sheet.mark(tr, 'TH', draw, { scope: 'Row' });
  } else {
    columns.forEach((c, i) => {
      drawCell(sheet, tr, c, row.cells[i] ?? '', {
        lines: lay.texts[i] ?? [],
        strong: row.strong,
        below: i === 0 ? lay.below : [],
        bottom,
      });
    });
  }
  tr.end();
  sheet.artifact(() => {
    sheet.rule(bottom, row.kind === 'group' ? 0.7 : 0.5, row.kind === 'group' ? INK : HAIRLINE);
  });
  sheet.y = bottom;
}

function groupTitle(sheet: Sheet, title: string, remark: string): void {
  const baseline = sheet.y + GROUP_HEIGHT - 4;
  sheet.line(title, PAGE.left, baseline, SMALL_STRONG);
  if (remark === '') return;
  const x = PAGE.left + sheet.width(title, SMALL_STRONG) + 5;
  sheet.line(sheet.shorten(remark, NOTE, PAGE.right - x), x, baseline, NOTE);
}

interface CellLayout {
  readonly lines: readonly string[];
  readonly strong: boolean;
  readonly below: readonly string[];
  readonly bottom: number;
}

function drawCell(sheet: Sheet, tr: Element, c: Column, cell: Cell, lay: CellLayout): void {
  const left = PAGE.left + c.from;
  const top = sheet.y + PADDING;
  const style = styleOf(c, lay.strong);
  if (typeof cell !== 'string') {
    const td = sheet.branch(tr, 'TD');
    const middle = top + (STRONG.size * LEADING) / 2 + 0.4;
    sheet.mark(
      td,
      'Figure',
      () => {
        cell.draw(left, middle);
      },
      { alt: cell.alternative },
    );
    td.end();
    return;
  }
  sheet.mark(tr, 'TD', () => {
    lay.lines.forEach((text, i) => {
      const baseline = top + BODY.size + i * style.size * LEADING;
      if (c.align === 'end') sheet.lineEnd(text, left + c.width, baseline, style);
      else sheet.line(text, left, baseline, style);
    });
    const small = lay.below.length * NOTE.size * LEADING;
    if (small > 0) sheet.lines(lay.below, left + 6, lay.bottom - PADDING - small, NOTE);
  });
}
