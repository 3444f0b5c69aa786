import type { ComponentChildren, JSX } from 'preact';
import { scaler, tickText } from '../../certificate/axis.js';
import type { Axis } from '../../certificate/figure.js';
import './plot.css';

/** Maps a value on an axis to its place in the drawing. */
export type Scale = (value: number) => number;

/** Space around the drawn area, in units of the drawing. */
export interface Margins {
  readonly left: number;
  readonly right: number;
  readonly top: number;
  readonly bottom: number;
}

const MARGINS: Margins = { left: 52, right: 14, top: 26, bottom: 44 };

/** A small chart: axes with few ticks, horizontal hairlines, and what is drawn in it. */
export function Plot({
  x,
  y,
  title,
  width,
  height,
  margins = MARGINS,
  draw,
}: {
  readonly x: Axis;
  readonly y: Axis;
  /** What it shows, for whoever cannot see it. */
  readonly title: string;
  readonly width: number;
  readonly height: number;
  readonly margins?: Margins;
  readonly draw: (x: Scale, y: Scale) => ComponentChildren;
}): JSX.Element {
  const { left, right, top, bottom } = margins;
  const foot = height - bottom;
  const atX = scaler(x, left, width - left - right);
  const atY = scaler(y, foot, top - foot);
  return (
    <svg class="plot" viewBox={`0 0 ${width} ${height}`} role="img" aria-label={title}>
      {y.ticks.map((tick) => (
        <g key={tick}>
          <path
            class={tick === 0 && y.from < 0 ? 'plot-zero' : 'plot-hair'}
            d={`M${left} ${round(atY(tick))}H${width - right}`}
          />
          <text x={left - 7} y={round(atY(tick)) + 4.5} text-anchor="end">
            {tickText(tick)}
          </text>
        </g>
      ))}
      {x.ticks.map((tick) => (
        <g key={tick}>
          <path class="plot-axis" d={`M${round(atX(tick))} ${foot}v5`} />
          <text x={round(atX(tick))} y={foot + 19} text-anchor="middle">
            {tickText(tick)}
          </text>
        </g>
      ))}
      {draw(atX, atY)}
      <path class="plot-axis" d={`M${left} ${top}V${foot}H${width - right}`} />
      <text class="plot-words" x={2} y={top - 11}>
        {y.label}
      </text>
      <text class="plot-words" x={width - right} y={foot + 37} text-anchor="end">
        {x.label}
      </text>
    </svg>
  );
}

/** A hundredth of a unit is finer than any screen. */
export const round = (value: number): number => Math.round(value * 100) / 100;

/** The way of a pen through points; it is lifted where there is no number. */
export function penPath(
  x: readonly number[],
  y: readonly (number | null)[],
  atX: Scale,
  atY: Scale,
): string {
  let isDown = false;
  const steps: string[] = [];
  for (const [i, value] of y.entries()) {
    if (value === null) {
      isDown = false;
      continue;
    }
    steps.push(`${isDown ? 'L' : 'M'}${round(atX(x[i] ?? 0))} ${round(atY(value))}`);
    isDown = true;
  }
  return steps.join('');
}
