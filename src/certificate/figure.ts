/** A plot as data: laid out once, then drawn on the certificate page or as SVG. */
export interface Figure {
  readonly title: string;
  /** Small type beside the title, e.g. "stage steps-2, mean of 10, motor side". */
  readonly note: string;
  /** What the figure shows, for readers who cannot see it. */
  readonly alternative: string;
  readonly panels: readonly Panel[];
  /** Share of the page width. */
  readonly width: 'full' | 'half';
  /** Results the figure shows how to read, as "stage.characteristic"; none when left out. */
  readonly shows?: readonly string[];
}

export interface Axis {
  /** Quantity and unit in words, e.g. "time after command, ms". */
  readonly label: string;
  readonly from: number;
  readonly to: number;
  readonly scale: 'linear' | 'logarithmic';
  readonly ticks: readonly number[];
}

/**
 * What a line means decides how it is drawn: wide, narrow, chain, dashed, dotted. Colour only
 * repeats it.
 */
export type Pen = (typeof PENS)[number];
const PENS = [
  'produced',
  'joined',
  'commanded',
  'measured',
  'limit',
  'construction',
  'nominal',
] as const;

/** What each pen means. */
export const PEN_WORDS: Readonly<Record<Pen, string>> = {
  produced: 'produced',
  joined: 'points joined in order',
  commanded: 'commanded, as latched',
  measured: 'measured bound',
  limit: 'limit, hatched where not allowed',
  construction: 'construction',
  nominal: 'expected or reference',
};

/** The pens figures are drawn with, in the order of a legend. */
export function pensOf(figures: readonly Figure[]): readonly Pen[] {
  const panels = figures.flatMap((figure) => figure.panels);
  const used = new Set<Pen>(panels.flatMap((panel) => panel.lines.map((line) => line.pen)));
  if (panels.some((panel) => panel.bands.some((band) => band.edge === 'limit'))) used.add('limit');
  return PENS.filter((pen) => used.has(pen));
}

export interface Point {
  readonly x: number;
  readonly y: number;
}

/** From and to in axis units; undefined where the range is open. */
export type Range = readonly [from: number | undefined, to: number | undefined];

export interface Panel {
  readonly x: Axis;
  readonly y: Axis;
  /** Height as a share of that of other panels; 1 when left out. */
  readonly height?: number;
  readonly lines: readonly {
    readonly pen: Pen;
    readonly x: ArrayLike<number>;
    readonly y: ArrayLike<number>;
  }[];
  /** Grey between its edges when it has two; hatched beyond them when they are limits. */
  readonly bands: readonly {
    readonly x?: Range;
    readonly y?: Range;
    readonly edge: 'limit' | 'construction';
  }[];
  /** Ring: a point at which something was read. Dot and disc: a point of its own; the disc is the one of record. */
  readonly markers: readonly (Point & { readonly shape: 'ring' | 'dot' | 'disc' })[];
  /** Dimension lines with arrows at both ends. */
  readonly dimensions: readonly { readonly from: Point; readonly to: Point }[];
  /** Words at a point. They are moved around it, or along a line through it, until they cover nothing. */
  readonly labels: readonly Label[];
}

export interface Label extends Point {
  /** Lines of words that stay together, under each other. */
  readonly lines: readonly { readonly text: string; readonly strong: boolean }[];
  /** Where the words stand to their point if nothing is in the way. */
  readonly side: Side;
  /** Where else they may stand: along an axis when the point is any of a line, or anywhere; nowhere when left out. */
  readonly along?: 'x' | 'y' | 'anywhere';
}

/** Compass of a label: which way from its point it stands. */
export type Side = 'ne' | 'se' | 'nw' | 'sw' | 'n' | 's' | 'e' | 'w';
