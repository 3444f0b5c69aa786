import { angleAxis, linearAxis } from './axis.js';
import {
  EMPTY,
  captionOf,
  digits,
  endsOf,
  extent,
  keyOf,
  label,
  onAxis,
  saidBy,
  valueWords,
  type Of,
  type Reading,
} from './figure-sources.js';
import { findUnit, inUnit } from '../base/units.js';
import type { Figure, Panel, Range } from './figure.js';

type Angles = Of<'angles'>;
export type AngleReading = Reading<Angles>;

const DEGREES = 180 / Math.PI;

/** Draws a value over the angle at which the shaft was locked. */
export function angleFigure(reading: AngleReading): Figure {
  const { evidence } = reading;
  const said = saidBy(reading);
  const listed = evidence.points.map(
    (p) => `${digits(p.angle * DEGREES, 3)}°: ${digits(p.value)} ${evidence.unit}`,
  );
  return {
    title: `${capital(said.name)} by locked angle`,
    note: captionOf(reading),
    alternative: `Value over the locked angle of the shaft. ${[...listed, `${said.name}: ${said.text}, ${said.allowed}`].join('; ')}.`,
    width: 'half',
    shows: [keyOf(reading)],
    panels: [anglePanel(reading)],
  };
}

const capital = (text: string): string => text.charAt(0).toUpperCase() + text.slice(1);

function anglePanel(reading: AngleReading): Panel {
  const { points, unit } = reading.evidence;
  const said = saidBy(reading);
  const ordered = points
    .map((p) => ({ x: p.angle * DEGREES, y: p.value }))
    .sort((a, b) => a.x - b.x);
  const limits = limitsOf(reading);
  const [left, right] = extent(ordered.map((p) => p.x)) ?? [0, 1];
  const values = extent(ordered.map((p) => p.y)) ?? [0, 1];
  const [low, high] = extent(values, endsOf(limits)) ?? values;
  const x = angleAxis('locked angle, °', left, right);
  const y = linearAxis(`value, ${unit}`, low - (high - low) * 0.1, high + (high - low) * 0.35, 4);
  const length = Math.max(high - low, 1e-9);
  const [least, most] = values;
  return {
    ...EMPTY,
    x,
    y,
    bands: limits === undefined ? [] : [{ y: limits, edge: 'limit' }],
    lines: [
      { pen: 'joined', x: ordered.map((p) => p.x), y: ordered.map((p) => p.y) },
      { pen: 'construction', x: [x.from, x.to], y: [least, least] },
      { pen: 'construction', x: [x.from, x.to], y: [most, most] },
    ],
    markers: ordered.map((p) => ({ shape: 'dot', ...p })),
    labels: [
      label([x.to, most], `greatest ${onAxis(most, length, unit)}`, { side: 'nw', along: 'x' }),
      ...(least === most
        ? []
        : [
            label([x.to, least], `least ${onAxis(least, length, unit)}`, {
              side: 'sw',
              along: 'x',
            }),
          ]),
      ...endsOf(limits).map((end) =>
        label([x.from, end], `limit ${onAxis(end, length, unit)}`, { side: 'ne', along: 'x' }),
      ),
      label([x.from, y.to], valueWords(said), { side: 'se', along: 'anywhere' }),
    ],
  };
}

/** Limits of the reading when they are of the same dimension as the points; a spread has no place on this axis. */
function limitsOf({ result, evidence, outcome }: AngleReading): Range | undefined {
  const unit = findUnit(evidence.unit);
  if (result === undefined || unit?.dimension !== result.limit.unit.dimension) return undefined;
  const values = evidence.points.map((p) => p.value);
  const [least, most] = extent(values) ?? [0, 0];
  const value = inUnit(outcome.value, unit);
  if (value < least || value > most) return undefined;
  const { lower, upper }: { readonly lower?: number; readonly upper?: number } =
    result.limit.tolerance;
  const at = (end: number | undefined): number | undefined =>
    end === undefined ? undefined : inUnit(end, unit);
  return [at(lower), at(upper)];
}
