import { BASE_UNIT } from '../base/units.js';
import { linearAxis, ratioAxis } from './axis.js';
import {
  EMPTY,
  captionOf,
  digits,
  endsOf,
  extent,
  keyOf,
  label,
  saidBy,
  straight,
  valueWords,
  type Of,
  type Reading,
} from './figure-sources.js';
import type { Axis, Figure, Panel, Pen, Range } from './figure.js';

type Ladder = Of<'ladder'>;
export type LadderReading = Reading<Ladder>;

const UNIT = BASE_UNIT.stiffness;

/** Draws the damping of the closed loop, rung by rung of stiffness, with the three bounds on stiffness. */
export function ladderFigure(reading: LadderReading): Figure {
  const said = saidBy(reading);
  const bounds = boundsOf(reading.evidence).map(boundWords);
  const rungs = reading.evidence.points.map(
    (p) =>
      `${digits(p.stiffness)} ${UNIT}: ${digits(p.damping, 3)} at up to ${digits(p.amplitude, 3)} N·m`,
  );
  return {
    title: 'Closed loop: damping against stiffness',
    note: captionOf(reading),
    alternative: `Damping ratio of the decay over the stiffness of the virtual spring. ${[...bounds, ...rungs, `${said.name}: ${said.text}, ${said.allowed}`].join('; ')}.`,
    width: 'half',
    shows: [keyOf(reading)],
    panels: [ladderPanel(reading)],
  };
}

/** Bounds on stiffness, each with a pen of its own: they must not be mistaken for each other. */
function boundsOf({ margin, rule, passive }: Ladder): readonly {
  readonly name: string;
  readonly at: number;
  readonly pen: Pen;
}[] {
  const bounds = [
    { name: 'measured margin', at: margin, pen: 'measured' },
    { name: 'linear rule', at: rule, pen: 'construction' },
    { name: 'passive up to', at: passive, pen: 'nominal' },
  ] as const;
  return bounds.filter(({ at }) => Number.isFinite(at) && at >= 0);
}

/** With more virtual damping than the wheel has of its own, no stiffness is passive. */
function boundWords({ name, at }: { readonly name: string; readonly at: number }): string {
  return at === 0 && name.startsWith('passive')
    ? 'passive at no stiffness'
    : `${name} ${digits(at)} ${UNIT}`;
}

function ladderPanel(reading: LadderReading): Panel {
  const { points } = reading.evidence;
  const said = saidBy(reading);
  const bounds = boundsOf(reading.evidence);
  const limits = limitsOf(reading);
  const ordered = [...points].sort((a, b) => a.stiffness - b.stiffness);
  const x = stiffnessAxis([
    ...ordered.map((p) => p.stiffness),
    ...bounds.map((b) => b.at),
    ...endsOf(limits),
  ]);
  const [low, high] = extent(ordered.map((p) => p.damping)) ?? [0, 1];
  const room = Math.max(high - Math.min(low, 0), 1e-6);
  const y = linearAxis('damping ratio of the decay, 1', Math.min(low, 0), high + room * 0.55, 4);
  return {
    ...EMPTY,
    x,
    y,
    bands: limits === undefined ? [] : [{ x: limits, edge: 'limit' }],
    lines: [
      { pen: 'joined', x: ordered.map((p) => p.stiffness), y: ordered.map((p) => p.damping) },
      ...bounds.map((b) => straight([b.at, y.from], [b.at, y.to], b.pen)),
    ],
    markers: ordered.map((p) => ({ shape: 'dot', x: p.stiffness, y: p.damping })),
    labels: [
      ...bounds.map((b) =>
        label([b.at, y.to], boundWords(b), { side: b.at === 0 ? 'se' : 'sw', along: 'y' }),
      ),
      ...endsOf(limits).map((end) =>
        label([end, y.from], `limit ${digits(end)} ${UNIT}`, { side: 'ne', along: 'y' }),
      ),
      label([x.from, y.from], valueWords(said), { side: 'ne', along: 'anywhere' }),
    ],
  };
}

/** Limits of the reading when it is a stiffness itself; a ratio to the rule has no place on this axis. */
function limitsOf({ result }: LadderReading): Range | undefined {
  if (result === undefined || result.limit.unit.dimension !== 'stiffness') return undefined;
  const { lower, upper }: { readonly lower?: number; readonly upper?: number } =
    result.limit.tolerance;
  return [lower, upper];
}

function stiffnessAxis(values: readonly number[]): Axis {
  const words = `stiffness of the virtual spring, ${UNIT}`;
  const [low, high] = extent(values) ?? [0, 1];
  if (low > 0 && high > low * 10) return ratioAxis(words, low, high);
  return linearAxis(words, Math.min(low, 0), high, 5);
}
