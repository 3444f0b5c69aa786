import type { JSX } from 'preact';
import type { Marker, Span, Strip } from '../../certificate/strip.js';
import { hatching } from './hatching.js';
import './limit-strip.css';

/** Width and height of a strip in its own units; it is scaled to its place. */
const WIDTH = 144;
const HEIGHT = 20;
const MIDDLE = HEIGHT / 2;
const BAR = 9.6;
const TOP = MIDDLE - BAR / 2;
const TICK = 19.2;

/**
 * Draws a value against its limits, or the values of many items, in the grammar of the printed page:
 * tall ticks for limits, a plain bar for the acceptance zone, a hatched one for the guard band, a dot
 * with its whisker for value ± U, an open diamond outside the tolerance, an arrow off the scale.
 */
export function LimitStrip({
  strip,
  alternative,
  strokes = [],
}: {
  readonly strip: Strip;
  /** The same in words. */
  readonly alternative: string;
  /** Where values of many items stand, as shares of the width. */
  readonly strokes?: readonly number[];
}): JSX.Element {
  const { bar, guards, ticks, foot, marker, whisker } = strip;
  return (
    <svg class="limit-strip" viewBox={`0 0 ${WIDTH} ${HEIGHT}`} role="img" aria-label={alternative}>
      <rect class="zone" x={x(bar.from)} y={TOP} width={x(bar.to - bar.from)} height={BAR} />
      {guards.map((guard) => (
        <g key={guard.from}>
          <rect class="guard" x={x(guard.from)} y={TOP} width={width(guard)} height={BAR} />
          <path class="hatching" d={hatching(x(guard.from), x(guard.to), TOP, BAR)} />
        </g>
      ))}
      {foot === undefined ? null : <path class="foot" d={`M${x(foot)} ${TOP}v${BAR}`} />}
      {strip.break === undefined ? null : <path class="break" d={breakLine(strip.break)} />}
      {strokes.length === 0 ? null : (
        <path class="strokes" d={strokes.map((at) => `M${x(at)} ${TOP}v${BAR}`).join('')} />
      )}
      {ticks.map((at) => (
        <path key={at} class="tick" d={`M${x(at)} ${MIDDLE - TICK / 2}v${TICK}`} />
      ))}
      {whisker === undefined ? null : <path class="whisker" d={whiskerPath(whisker)} />}
      {marker === undefined ? null : <Mark marker={marker} />}
    </svg>
  );
}

const x = (share: number): number => Math.round(share * WIDTH * 100) / 100;
const width = ({ from, to }: Span): number => Math.max(0, x(to - from));

function breakLine(share: number): string {
  const h = BAR / 2 + 2.4;
  const at = x(share);
  return `M${at} ${MIDDLE - h}L${at - 2.8} ${MIDDLE - h / 3}L${at + 2.8} ${MIDDLE + h / 3}L${at} ${MIDDLE + h}`;
}

function whiskerPath({ from, to, capFrom, capTo }: NonNullable<Strip['whisker']>): string {
  const cap = (share: number): string => `M${x(share)} ${MIDDLE - 4}v8`;
  return `M${x(from)} ${MIDDLE}H${x(to)}${capFrom ? cap(from) : ''}${capTo ? cap(to) : ''}`;
}

function Mark({ marker }: { readonly marker: Marker }): JSX.Element {
  const at = x(marker.at);
  switch (marker.shape) {
    case 'dot':
      return <circle class="dot" cx={at} cy={MIDDLE} r={4.2} />;
    case 'diamond':
      return <path class="diamond" d={`M${at} ${MIDDLE - 6.6}l6.6 6.6l-6.6 6.6l-6.6 -6.6z`} />;
    case 'arrow-left':
      return <path class="arrow" d={`M0 ${MIDDLE}l9.2 -6.6v13.2zM8 ${MIDDLE}h9`} />;
    case 'arrow-right':
      return (
        <path class="arrow" d={`M${WIDTH} ${MIDDLE}l-9.2 -6.6v13.2zM${WIDTH - 8} ${MIDDLE}h-9`} />
      );
    default:
      return marker satisfies never;
  }
}
