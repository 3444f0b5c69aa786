import { exactAxis, isOn, stepFor } from './axis.js';
import {
  EMPTY,
  captionOf,
  extent,
  held,
  keyOf,
  label,
  milliseconds,
  onAxis,
  rangeOf,
  saidBy,
  smoothingWords,
  straight,
  valueWords,
  MS,
  type FigureSources,
  type Of,
  type Reading,
} from './figure-sources.js';
import type { Figure, Panel, Point, Side } from './figure.js';

type Step = Of<'transition'>;
export type StepReading = Reading<Step>;

/** Where the dimension line of a duration stands, as a share of the change. */
const DIMENSION_AT = 0.3;

/**
 * Draws a step with the construction its value was read by: reference levels and crossings, chord,
 * onset, peak or settling band.
 *
 * @param settling - A reading of the same step whose band and value are drawn as well.
 */
export function stepFigure(
  sources: FigureSources,
  reading: StepReading,
  settling?: StepReading,
): Figure {
  const said = saidBy(reading);
  const { evidence } = reading;
  const read = evidence.marks.map(
    (m) => `${shareText(m.share)} at ${(m.time * 1000).toFixed(2)} ms`,
  );
  const passes = read.length === 0 ? '' : ` Torque passes ${read.join(' and ')}.`;
  const settled = settling === undefined ? '' : ` Settling: ${saidBy(settling).text}.`;
  const others = settling === undefined ? [] : [keyOf(settling)];
  return {
    title: titleOf(sources, reading),
    note: captionOf(reading),
    alternative: `Commanded and produced torque over time after the command.${passes} ${said.name}: ${said.text}, ${said.allowed}.${settled}`,
    width: 'half',
    shows: [keyOf(reading), ...others],
    panels: [wholePanel(reading, settling), ...closeUps(reading)],
  };
}

/** Rise and slew are what a step is drawn for; anything else read off it is named. */
function titleOf(sources: FigureSources, reading: StepReading): string {
  const { stage, evidence, characteristic } = reading;
  const size = (value: number): string => String(Number(value.toFixed(3))).replace('-', '−');
  const first = evidence.command[0] ?? 0;
  const last = evidence.command.at(-1) ?? 0;
  const step = `Step of ${size(Math.abs(last - first))} N·m`;
  const smoothing = smoothingWords(sources, stage);
  switch (characteristic) {
    case 'slew-rate':
      return `Full step, ${size(first)} to ${size(last)} N·m${smoothing}`;
    case 'rise-time':
      return `${step}${smoothing}`;
    default:
      return `${step}: ${saidBy(reading).name}`;
  }
}

const shareText = (share: number): string => `${Number((share * 100).toFixed(1))} %`;

/** Torque at a share of the change, from the marks, the band or, failing both, the command. */
interface Levels {
  readonly base: number;
  readonly change: number;
  readonly at: (share: number) => number;
}

function levelsOf({ evidence, characteristic, outcome }: StepReading): Levels {
  const { marks, band, command } = evidence;
  const start = command[0] ?? 0;
  const [one, two] = marks;
  const make = (base: number, change: number): Levels => ({
    base,
    change,
    at: (share) => base + share * change,
  });
  if (one !== undefined && two !== undefined && one.share !== two.share) {
    const change = (two.torque - one.torque) / (two.share - one.share);
    return make(one.torque - one.share * change, change);
  }
  if (one !== undefined && one.share !== 0) return make(start, (one.torque - start) / one.share);
  if (band !== undefined) return make(start, (band.lower + band.upper) / 2 - start);
  const asked = (command.at(-1) ?? start) - start;
  if (!isOvershoot(characteristic)) return make(start, asked);
  // The peak is what the value says it is: one over the final level by that share of the change.
  const peak = peakOf(evidence, asked);
  return make(start, (peak.y - start) / (1 + outcome.value));
}

/** A band may come along with other readings; it is what was read only without marks. */
const isSettling = ({ characteristic, evidence }: StepReading): boolean =>
  evidence.band !== undefined &&
  (characteristic === 'settling-time' || evidence.marks.length === 0);

const isOvershoot = (id: string): boolean => id.endsWith('overshoot');

/** The torque furthest in the direction of the change, N·m, and its time in ms. */
function peakOf(evidence: Step, change: number): Point {
  const way = change < 0 ? -1 : 1;
  let best: Point = { x: 0, y: evidence.torque[0] ?? 0 };
  evidence.torque.forEach((y, i) => {
    if (way * y > way * best.y) best = { x: (evidence.time[i] as number) * 1000, y };
  });
  return best;
}

/** The marks of a reading on whichever curve reaches further: settling is seen later than rising. */
function longer(read: Step, other: Step | undefined): Step {
  const end = (e: Step): number => e.time.at(-1) ?? 0;
  return other === undefined || end(other) <= end(read) ? read : { ...other, marks: read.marks };
}

/** Time in ms on the plot: enough to see the torque settle, no more. */
function spanOf(
  reading: StepReading,
  settling: StepReading | undefined,
): readonly [number, number] {
  const evidence = longer(reading.evidence, settling?.evidence);
  const start = (evidence.time[0] ?? 0) * 1000;
  const end = (evidence.time.at(-1) ?? 0) * 1000;
  const last = Math.max(...evidence.marks.map((m) => m.time * 1000), 0);
  const late = settling ?? (isSettling(reading) ? reading : undefined);
  const settled = (late?.evidence.band?.settled ?? 0) * 1000;
  const limit = (late === undefined ? undefined : rangeOf(saidBy(late), MS)?.[1]) ?? 0;
  const reach = settled > 0 ? Math.max(settled, Math.min(limit, settled * 1.5)) * 1.25 : 0;
  const wanted = Math.max(last * 2.1, reach, last + 0.5);
  if (last === 0 && reach === 0) return [start, end];
  return [Math.max(start, -0.06 * wanted), Math.min(end, wanted)];
}

interface Ground {
  readonly x: Panel['x'];
  readonly y: Panel['y'];
  readonly levels: Levels;
  readonly evidence: Step;
  /** Two readings share the panel: reference levels are named, not written out. */
  readonly isShared: boolean;
  /** Which way words stand clear of the rising or falling curve. */
  readonly clear: Side;
  readonly torqueText: (value: number) => string;
  readonly timeText: (value: number) => string;
}

function groundOf(
  reading: StepReading,
  settling: StepReading | undefined,
  torque?: readonly [number, number],
): Ground {
  const evidence = longer(reading.evidence, settling?.evidence);
  const [from, to] = spanOf(reading, settling);
  const [least, greatest] = extent(evidence.torque, evidence.command) ?? [0, 0];
  const size = Math.max(Math.abs(least), Math.abs(greatest));
  const room = Math.max(greatest - least, size * 1e-3, 1e-3); // a torque that never moved still has an axis
  const [low, high] = torque ?? [least - room * 0.1, greatest + room * 0.16];
  const levels = levelsOf(reading);
  return {
    x: exactAxis('time after command, ms', from, to, stepFor((to - from) / 6)),
    y: exactAxis('torque, N·m', low, high, stepFor((high - low) / 4)),
    levels,
    evidence,
    isShared: settling !== undefined,
    clear: levels.change < 0 ? 'ne' : 'se',
    torqueText: (value) => onAxis(value, high - low, 'N·m'),
    timeText: (value) => onAxis(value, to - from, 'ms'),
  };
}

function wholePanel(reading: StepReading, settling: StepReading | undefined): Panel {
  const ground = groundOf(reading, settling);
  return joined(ground, [
    ...partsOf(reading, ground),
    ...(settling === undefined ? [] : [settlingPart(settling, ground, 0.72)]),
  ]);
}

/** Where the whole step is too coarse to see what was read. */
function closeUps(reading: StepReading): readonly Panel[] {
  const { band } = reading.evidence;
  const { change, at } = levelsOf(reading);
  const size = Math.abs(change);
  if (size === 0) return [];
  if (band !== undefined && isSettling(reading)) {
    return [closeUp(reading, at(1), 4 * (band.upper - band.lower))];
  }
  if (!isOvershoot(reading.characteristic)) return [];
  const limit = saidBy(reading).tolerance;
  const allowed = limit === undefined || limit.kind === 'at-least' ? 0 : limit.upper;
  const share = Math.max(Math.abs(reading.outcome.value), Math.min(allowed, 0.5), 0.01);
  return [closeUp(reading, at(1), 3.4 * share * size)];
}

function closeUp(reading: StepReading, middle: number, height: number): Panel {
  const ground = groundOf(reading, undefined, [middle - height / 2, middle + height / 2]);
  const close = { ...ground, y: { ...ground.y, label: 'close-up of torque, N·m' } };
  return { ...joined(close, partsOf(reading, close)), height: 0.8 };
}

type Part = Partial<Omit<Panel, 'x' | 'y' | 'height'>>;

function joined({ x, y, evidence }: Ground, parts: readonly Part[]): Panel {
  const time = milliseconds(evidence.time);
  const all = <T>(of: (part: Part) => readonly T[] | undefined): readonly T[] =>
    parts.flatMap((part) => of(part) ?? []);
  return {
    ...EMPTY,
    x,
    y,
    lines: [
      held(time, evidence.command),
      { pen: 'produced', x: time, y: evidence.torque },
      ...all((p) => p.lines),
    ],
    bands: all((p) => p.bands),
    markers: all((p) => p.markers),
    dimensions: all((p) => p.dimensions),
    labels: all((p) => p.labels),
  };
}

function partsOf(reading: StepReading, ground: Ground): readonly Part[] {
  const { characteristic, evidence } = reading;
  if (isSettling(reading)) return [settlingPart(reading, ground, DIMENSION_AT)];
  if (isOvershoot(characteristic)) return [overshootPart(reading, ground)];
  const [one, two] = evidence.marks;
  if (one === undefined) return [valuePart(reading, ground)];
  if (two === undefined) return [onsetPart(reading, one, ground)];
  const isSlew = characteristic === 'slew-rate';
  return [
    chordPart(reading, [one, two], ground),
    isSlew ? slopePart(reading, [one, two], ground) : durationPart(reading, [one, two], ground),
    ...(ground.isShared ? [] : [levelsPart(ground)]),
  ];
}

type Mark = Step['marks'][number];

/** Levels before and after the step. */
function levelsPart({ levels, x, torqueText }: Ground): Part {
  return {
    lines: [straight([x.from, levels.at(1)], [x.to, levels.at(1)], 'nominal')],
    labels: [
      label([x.to, levels.at(1)], `100 %: ${torqueText(levels.at(1))}`, {
        along: 'x',
        side: levels.change < 0 ? 'sw' : 'nw',
      }),
    ],
  };
}

/** Reference levels from the axis to their crossings. */
function chordPart(reading: StepReading, [one, two]: readonly [Mark, Mark], ground: Ground): Part {
  const { x, levels, evidence, clear } = ground;
  const half =
    reading.characteristic === 'slew-rate'
      ? undefined
      : crossing(evidence, one, two, levels.at(0.5));
  const middle = half === undefined ? [] : [{ time: half, torque: levels.at(0.5), share: 0.5 }];
  const marks = [one, ...middle, two];
  return {
    lines: marks.map((m) => straight([x.from, m.torque], [m.time * 1000, m.torque])),
    markers: marks.map((m) => ({ shape: 'ring', x: m.time * 1000, y: m.torque })),
    labels: marks.map((m) => {
      const place = `: ${ground.torqueText(m.torque)} at ${ground.timeText(m.time * 1000)}`;
      const read = `${shareText(m.share)}${ground.isShared ? '' : place}`;
      return label([m.time * 1000, m.torque], read, { side: clear });
    }),
  };
}

/** Time in s at which the drawn torque crosses a level between two marks. */
function crossing(evidence: Step, one: Mark, two: Mark, level: number): number | undefined {
  const { time, torque } = evidence;
  for (let i = 1; i < time.length; i += 1) {
    const [t0, t1] = [time[i - 1] as number, time[i] as number];
    if (t1 < one.time) continue;
    if (t0 > two.time) return undefined;
    const [a, b] = [torque[i - 1] as number, torque[i] as number];
    if ((a - level) * (b - level) <= 0 && a !== b) return t0 + ((level - a) / (b - a)) * (t1 - t0);
  }
  return undefined;
}

function durationPart(
  reading: StepReading,
  [one, two]: readonly [Mark, Mark],
  ground: Ground,
): Part {
  const y = ground.levels.at(DIMENSION_AT);
  const [from, to] = [one.time * 1000, two.time * 1000];
  return {
    lines: [straight([from, one.torque], [from, y]), straight([to, two.torque], [to, y])],
    dimensions: [dimension([from, y], [to, y])],
    labels: [label([to, y], valueWords(saidBy(reading)), { side: 'e' })],
  };
}

/** The chord itself, drawn a little beyond both crossings. */
function slopePart(
  reading: StepReading,
  [one, two]: readonly [Mark, Mark],
  { clear }: Ground,
): Part {
  const at = (share: number): readonly [number, number] => [
    (one.time + share * (two.time - one.time)) * 1000,
    one.torque + share * (two.torque - one.torque),
  ];
  return {
    lines: [straight(at(-0.2), at(1.2))],
    labels: [label(at(0.5), valueWords(saidBy(reading)), { side: clear })],
  };
}

function onsetPart(reading: StepReading, mark: Mark, ground: Ground): Part {
  const at = mark.time * 1000;
  const y = ground.levels.at(DIMENSION_AT * 2);
  const said = saidBy(reading);
  const limits = rangeOf(said, MS);
  return {
    bands: limits === undefined ? [] : [{ x: limits, edge: 'limit' }],
    lines: [straight([0, ground.levels.base], [0, y]), straight([at, mark.torque], [at, y])],
    markers: [{ shape: 'ring', x: at, y: mark.torque }],
    dimensions: [dimension([0, y], [at, y])],
    labels: [label([at, y], valueWords(said), { side: 'e' })],
  };
}

function overshootPart(reading: StepReading, ground: Ground): Part {
  const { x, levels, torqueText } = ground;
  const said = saidBy(reading);
  const peak = peakAt(reading, levels);
  const limit = said.tolerance;
  const top =
    limit === undefined || limit.kind === 'at-least' ? undefined : levels.at(1 + limit.upper);
  const isDown = levels.change < 0;
  const [over, under] = isDown ? (['sw', 'ne'] as const) : (['nw', 'se'] as const);
  return {
    bands:
      top === undefined ? [] : [{ y: isDown ? [top, undefined] : [undefined, top], edge: 'limit' }],
    lines: [
      straight([x.from, levels.at(1)], [x.to, levels.at(1)]),
      straight([x.from, peak.y], [x.to, peak.y]),
    ],
    markers: [{ shape: 'ring', ...peak }],
    dimensions: [dimension([peak.x, levels.at(1)], [peak.x, peak.y])],
    labels: [
      label([peak.x, peak.y], `peak: ${torqueText(peak.y)}`, { side: isDown ? 'se' : 'ne' }),
      label([x.to, levels.at(1)], `final level: ${torqueText(levels.at(1))}`, {
        side: isDown ? 'nw' : 'sw',
        along: 'x',
      }),
      label([peak.x, levels.at(1)], valueWords(said), { side: under, along: 'x' }),
      ...(top === undefined || !isOn(ground.y, top)
        ? []
        : [label([x.to, top], `limit: ${torqueText(top)}`, { side: over, along: 'x' })]),
    ],
  };
}

/** The marked peak, or where the drawn torque reaches furthest. */
function peakAt({ evidence }: StepReading, levels: Levels): Point {
  const [mark] = evidence.marks;
  if (mark !== undefined) return { x: mark.time * 1000, y: mark.torque };
  return peakOf(evidence, levels.change);
}

/** @param height - Where the dimension line stands, as a share of the change. */
function settlingPart(reading: StepReading, ground: Ground, height: number): Part {
  const { band } = reading.evidence;
  if (band === undefined) return {};
  const { x, y: axis, levels, torqueText } = ground;
  const at = band.settled * 1000;
  const isClose = axis.from > levels.base || axis.to < levels.base;
  const y = isClose ? axis.from + (axis.to - axis.from) * 0.15 : levels.at(height);
  const edge = levels.change < 0 ? band.upper : band.lower;
  const percent =
    levels.change === 0
      ? ''
      : `±${shareText((band.upper - band.lower) / 2 / Math.abs(levels.change))} band: `;
  const said = saidBy(reading);
  const limits = ground.isShared ? undefined : rangeOf(said, MS);
  return {
    bands: [
      { y: [band.lower, band.upper], edge: 'construction' },
      ...(limits === undefined ? [] : [{ x: limits, edge: 'limit' as const }]),
    ],
    lines: [straight([at, edge], [at, y]), straight([0, axis.from], [0, y])],
    markers: [{ shape: 'ring', x: at, y: torqueAt(reading.evidence, band.settled) ?? edge }],
    dimensions: [dimension([0, y], [at, y])],
    labels: [
      label([at, y], valueWords(said, 'settled after '), {
        side: isClose ? 'nw' : 'w',
        along: 'anywhere',
      }),
      label(
        [x.to, levels.change < 0 ? band.lower : band.upper],
        `${percent}${torqueText(band.lower).replace(' N·m', '')} … ${torqueText(band.upper)}`,
        { along: 'x', side: levels.change < 0 ? 'sw' : 'nw' },
      ),
    ],
  };
}

function torqueAt({ time, torque }: Step, at: number): number | undefined {
  const i = time.findIndex((t) => t >= at);
  if (i < 1) return undefined;
  const [t0, t1] = [time[i - 1] as number, time[i] as number];
  const [a, b] = [torque[i - 1] as number, torque[i] as number];
  return a + ((at - t0) / (t1 - t0)) * (b - a);
}

/** A value whose construction the evidence does not tell: the words alone. */
function valuePart(reading: StepReading, { x, levels }: Ground): Part {
  const words = valueWords(saidBy(reading));
  return { labels: [label([x.to, levels.at(0.4)], words, { side: 'w', along: 'anywhere' })] };
}

const dimension = (
  from: readonly [number, number],
  to: readonly [number, number],
): Panel['dimensions'][number] => ({
  from: { x: from[0], y: from[1] },
  to: { x: to[0], y: to[1] },
});
