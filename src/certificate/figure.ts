/** A plot as data: drawn on the certificate page, and by anything else that can draw lines. */
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
export type Pen = 'produced' | 'commanded' | 'limit' | 'construction' | 'nominal';

export interface Panel {
  readonly x: Axis;
  readonly y: Axis;
  readonly lines: readonly {
    readonly pen: Pen;
    readonly x: ArrayLike<number>;
    readonly y: ArrayLike<number>;
  }[];
  /** Tinted tolerance between two limits, in axis units. */
  readonly bands: readonly {
    readonly x?: readonly [number, number];
    readonly y?: readonly [number, number];
  }[];
  /** Ring: a point at which something was read. */
  readonly rings: readonly { readonly x: number; readonly y: number }[];
  /** Numbered disc, filled for the setting of record. */
  readonly discs: readonly {
    readonly x: number;
    readonly y: number;
    readonly text: string;
    readonly filled: boolean;
  }[];
  /** Dimension line with arrows between two x positions at height y. */
  readonly dimensions: readonly {
    readonly from: number;
    readonly to: number;
    readonly y: number;
  }[];
  readonly notes: readonly {
    readonly x: number;
    readonly y: number;
    readonly text: string;
    readonly strong: boolean;
    readonly anchor: 'start' | 'middle' | 'end';
  }[];
}
