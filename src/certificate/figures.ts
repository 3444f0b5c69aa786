import { showEnds } from '../base/display.js';
import { unreachable } from '../base/error.js';
import { inUnit, unitOf } from '../base/units.js';
import type { Result } from '../decision/decision.js';
import type { Tolerance } from '../procedure/limits.js';
import type { Stage } from '../procedure/procedure.js';
import type { Evidence, Outcome, Score, Side } from '../scoring/scoring.js';
import { exactAxis, linearAxis, ratioAxis, stepFor } from './axis.js';
import type { Figure, Panel } from './figure.js';
import { measuredWords, rowWords } from './words.js';

/** What figures are drawn from: results with their limits, scores without one, stages for captions. */
export interface FigureSources {
  readonly results: readonly Result[];
  readonly scores?: readonly Score[];
  readonly stages?: readonly Stage[];
}

type Of<K extends Evidence['kind']> = Extract<Evidence, { readonly kind: K }>;
type Measured = Extract<Outcome, { readonly kind: 'measured' }>;

/** A value with the curves it was read from. */
interface Reading<K extends Evidence['kind']> {
  readonly stage: string;
  readonly characteristic: string;
  readonly side: Side;
  readonly outcome: Measured;
  readonly evidence: Of<K>;
  readonly result: Result | undefined;
}

const MS = unitOf('ms');
const MILLI = unitOf('mN·m');

/** ms of a field pattern that are drawn: long enough for some updates, short enough to tell them apart. */
const FIELD_WINDOW = 80;

/**
 * Draws what the values were read from, as data: step, full step, frequency response, lag against
 * grain, field pattern.
 *
 * @returns Figures in the order of the page; a kind of evidence that is missing has none.
 */
export function figuresOf(sources: FigureSources): readonly Figure[] {
  return [
    ...stepFigures(sources),
    ...slewFigures(sources),
    ...responseFigures(sources),
    ...smoothingFigures(sources),
    ...fieldFigures(sources),
  ];
}

/** Readings with evidence of one kind, those with a limit first. */
function readings<K extends Evidence['kind']>(
  sources: FigureSources,
  kind: K,
): readonly Reading<K>[] {
  const rows = sources.results.map((result) => ({ ...result.limit, ...result, result }));
  const known = new Set(rows.map(keyOf));
  const others = (sources.scores ?? []).filter((score) => !known.has(keyOf(score)));
  return [...rows, ...others.map((score) => ({ ...score, result: undefined }))].flatMap((row) => {
    const { stage, characteristic, side, outcome, result } = row;
    if (outcome.kind !== 'measured' || outcome.evidence === undefined) return [];
    const { evidence } = outcome;
    if (!isKind(evidence, kind) || !isDrawable(evidence)) return [];
    return [{ stage, characteristic, side, outcome, evidence, result }];
  });
}

function isKind<K extends Evidence['kind']>(evidence: Evidence, kind: K): evidence is Of<K> {
  return evidence.kind === kind;
}

/** One point is no curve. */
function isDrawable(evidence: Evidence): boolean {
  switch (evidence.kind) {
    case 'transition':
    case 'trace':
      return evidence.time.length > 1;
    case 'response':
      return evidence.frequency.length > 1;
    case 'smoothing':
      return evidence.points.length > 0;
    default:
      return unreachable(evidence);
  }
}

const keyOf = (place: { readonly stage: string; readonly characteristic: string }): string =>
  `${place.stage}.${place.characteristic}`;

/** The row of a characteristic at a stage, whether or not it carries evidence. */
function rowOf(sources: FigureSources, stage: string, characteristic: string): Result | undefined {
  return sources.results.find(
    (r) => r.limit.stage === stage && r.limit.characteristic === characteristic,
  );
}

/** "2.71 ± 0.06 ms" and "allowed 2.30 … 3.10" of a reading; empty without a limit. */
function words(result: Result | undefined): { readonly value: string; readonly allowed: string } {
  if (result === undefined) return { value: '', allowed: '' };
  const row = rowWords(result);
  return { value: measuredWords(row), allowed: `allowed ${row.allowed}` };
}

function captionOf(reading: Pick<Reading<'trace'>, 'stage' | 'side' | 'outcome'>): string {
  const { repeats } = reading.outcome;
  const mean = repeats !== undefined && repeats > 1 ? `, mean of ${repeats}` : '';
  const side = reading.side === 'motor' || reading.side === 'shaft' ? `, ${reading.side} side` : '';
  return `stage ${reading.stage}${mean}${side}`;
}

function smoothingOf(sources: FigureSources, stage: string): string {
  const takes = sources.stages?.find((s) => s.id === stage)?.takes;
  return takes?.length === 1 ? `, smoothing ${takes[0].smoothing}` : '';
}

const EMPTY: Pick<Panel, 'lines' | 'bands' | 'rings' | 'discs' | 'dimensions' | 'notes'> = {
  lines: [],
  bands: [],
  rings: [],
  discs: [],
  dimensions: [],
  notes: [],
};

const milliseconds = (time: ArrayLike<number>): Float64Array =>
  Float64Array.from(time, (t) => t * 1000);

/** A commanded value holds until the next is latched: the line has corners, not slopes. */
function held(x: ArrayLike<number>, y: ArrayLike<number>): Panel['lines'][number] {
  const corners: { readonly x: number; readonly y: number }[] = [];
  for (let i = 0; i < Math.min(x.length, y.length); i += 1) {
    const at = x[i] as number;
    const value = y[i] as number;
    const before = corners.at(-1)?.y ?? value;
    if (before !== value) corners.push({ x: at, y: before });
    corners.push({ x: at, y: value });
  }
  return { pen: 'commanded', x: corners.map((c) => c.x), y: corners.map((c) => c.y) };
}

const least = (values: ArrayLike<number>): number =>
  Array.from(values).reduce((a, b) => Math.min(a, b), Infinity);
const greatest = (values: ArrayLike<number>): number =>
  Array.from(values).reduce((a, b) => Math.max(a, b), -Infinity);

/** Steps of which a rise time was read: one with its settling band if there is one, and every other that was not accepted. */
function stepFigures(sources: FigureSources): readonly Figure[] {
  const all = readings(sources, 'transition');
  const rises = all.filter((r) => r.characteristic === 'rise-time');
  const settling = (r: Reading<'transition'>): Reading<'transition'> | undefined =>
    all.find((s) => s.stage === r.stage && s.characteristic === 'settling-time');
  const chosen = rises.find((r) => settling(r) !== undefined) ?? rises.at(-1);
  return rises
    .filter((r) => r === chosen || isRefused(r.result))
    .map((r) => transitionFigure(sources, r, settling(r)));
}

function slewFigures(sources: FigureSources): readonly Figure[] {
  const all = readings(sources, 'transition').filter((r) => r.characteristic === 'slew-rate');
  return all
    .filter((r, i) => i === 0 || isRefused(r.result))
    .map((r) => transitionFigure(sources, r, undefined));
}

const isRefused = (result: Result | undefined): boolean =>
  result !== undefined && result.verdict.outcome !== 'conforming';

function transitionFigure(
  sources: FigureSources,
  reading: Reading<'transition'>,
  settling: Reading<'transition'> | undefined,
): Figure {
  const { evidence } = reading;
  const first = evidence.command[0] ?? 0;
  const last = evidence.command.at(-1) ?? 0;
  const isSlew = reading.characteristic === 'slew-rate';
  const size = (value: number): string => String(Number(value.toFixed(3))).replace('-', '−');
  const title = isSlew
    ? `Full step, ${size(first)} to ${size(last)} N·m`
    : `Step of ${size(Math.abs(last - first))} N·m`;
  const shares = evidence.marks.map((m) => `${String(Math.round(m.share * 100))} %`);
  const name = isSlew ? 'slew rate' : 'rise time';
  const said = words(reading.result);
  return {
    title: `${title}${smoothingOf(sources, reading.stage)}`,
    note: captionOf(reading),
    alternative: `Commanded and produced torque over time after the command. Torque passes ${shares.join(' and ')} of the change at ${evidence.marks.map((m) => `${(m.time * 1000).toFixed(2)} ms`).join(' and ')}; ${name} ${said.value}, ${said.allowed}.`,
    width: 'half',
    shows: [keyOf(reading), ...(settling === undefined ? [] : [keyOf(settling)])],
    panels: [transitionPanel(reading, settling)],
  };
}

/** The marks of a reading on whichever curve reaches further: settling is seen later than rising. */
function longer(read: Of<'transition'>, other: Of<'transition'> | undefined): Of<'transition'> {
  const end = (e: Of<'transition'>): number => e.time.at(-1) ?? 0;
  return other === undefined || end(other) <= end(read) ? read : { ...other, marks: read.marks };
}

/** Time in ms on the plot: enough to see the torque settle, no more. */
function transitionSpan(
  evidence: Of<'transition'>,
  band: Of<'transition'>['band'],
): readonly [number, number] {
  const start = (evidence.time[0] ?? 0) * 1000;
  const end = (evidence.time.at(-1) ?? 0) * 1000;
  const read = evidence.marks.map((m) => m.time * 1000);
  const last = Math.max(...read, 0);
  const settled = (band?.settled ?? 0) * 1000;
  const wanted = Math.max(last * 2, settled * 1.25, last + 0.5);
  return [Math.max(start, -0.06 * wanted), Math.min(end, wanted)];
}

function transitionPanel(
  reading: Reading<'transition'>,
  settling: Reading<'transition'> | undefined,
): Panel {
  const band = settling?.evidence.band;
  const evidence = longer(reading.evidence, settling?.evidence);
  const [from, to] = transitionSpan(evidence, band);
  const x = exactAxis('time after command, ms', from, to, stepFor((to - from) / 6));
  const levels = [...evidence.torque, ...evidence.command];
  const low = least(levels);
  const high = greatest(levels);
  const range = Math.max(high - low, 1e-6); // a torque that never moved still has an axis
  const y = exactAxis('torque, N·m', low - range * 0.08, high + range * 0.08, stepFor(range / 4));
  const marks = evidence.marks.map((m) => ({ ...m, at: m.time * 1000 }));
  const [one, two] = marks;
  const start = evidence.command[0] ?? 0;
  const change = (evidence.command.at(-1) ?? 0) - start;
  const level = start + change * 0.35;
  const down = (y.to - y.from) * 0.032;
  const said = words(reading.result);
  return {
    ...EMPTY,
    x,
    y,
    lines: [
      held(milliseconds(evidence.time), evidence.command),
      { pen: 'produced', x: milliseconds(evidence.time), y: evidence.torque },
      ...marks.flatMap((m) => [
        { pen: 'construction' as const, x: [from, m.at], y: [m.torque, m.torque] },
        { pen: 'construction' as const, x: [m.at, m.at], y: [m.torque, level] },
      ]),
      ...(band === undefined
        ? []
        : [band.lower, band.upper].map((level) => ({
            pen: 'construction' as const,
            x: [two?.at ?? from, to],
            y: [level, level],
          }))),
    ],
    rings: marks.map((m) => ({ x: m.at, y: m.torque })),
    dimensions:
      one === undefined || two === undefined ? [] : [{ from: one.at, to: two.at, y: level }],
    notes: [
      ...marks.map((m) =>
        note(
          m.at,
          m.torque - Math.sign(change) * down * 2.4,
          `   ${String(Math.round(m.share * 100))} %`,
        ),
      ),
      ...(two === undefined
        ? []
        : [
            note(two.at, level, `  ${said.value}`, { strong: true }),
            note(two.at, level - down * 2.6, `  ${said.allowed}`),
          ]),
      ...settledNote(band, settling, to, start + change * 0.7),
    ],
  };
}

function settledNote(
  band: Of<'transition'>['band'],
  settling: Reading<'transition'> | undefined,
  x: number,
  y: number,
): Panel['notes'] {
  if (band === undefined || settling === undefined) return [];
  const said = words(settling.result);
  const text = said.value === '' ? `${(band.settled * 1000).toFixed(2)} ms` : said.value;
  return [note(x, y, `settled after ${text}`, { anchor: 'end' })];
}

function note(
  x: number,
  y: number,
  text: string,
  more: Partial<Pick<Panel['notes'][number], 'strong' | 'anchor'>> = {},
): Panel['notes'][number] {
  return { x, y, text, strong: false, anchor: 'start', ...more };
}

function responseFigures(sources: FigureSources): readonly Figure[] {
  const all = readings(sources, 'response');
  const stages = [...new Set(all.map((r) => r.stage))];
  return stages.flatMap((stage) => {
    const here = all.filter((r) => r.stage === stage);
    const [reading] = here;
    return reading === undefined ? [] : [responseFigure(sources, reading, here.map(keyOf))];
  });
}

function responseFigure(
  sources: FigureSources,
  reading: Reading<'response'>,
  shows: readonly string[],
): Figure {
  const { stage, evidence } = reading;
  const bandwidth = rowOf(sources, stage, 'bandwidth');
  const angle = rowOf(sources, stage, 'phase-bandwidth');
  const peaking = rowOf(sources, stage, 'gain-peaking');
  const rows = [bandwidth, angle, peaking].filter((r) => r !== undefined);
  const read = rows.map((r) => `${r.name}: ${words(r).value}, ${words(r).allowed}`).join('; ');
  return {
    title: `Frequency response${smoothingOf(sources, stage)}`,
    note: captionOf(reading),
    alternative: `Gain and phase of produced against commanded torque over frequency. ${read}.`,
    width: 'full',
    shows: [...new Set([...shows, ...rows.map((r) => keyOf(r.limit))])],
    panels: [
      responsePanel(evidence, evidence.gain, {
        label: 'gain, dB',
        level: -3,
        step: 3,
        floor: -9,
        row: bandwidth,
        ceiling: peaking,
      }),
      responsePanel(evidence, evidence.angle, {
        label: 'phase, °',
        level: -90,
        step: 45,
        floor: -180,
        row: angle,
        ceiling: undefined,
      }),
    ],
  };
}

interface ResponseRead {
  readonly label: string;
  readonly level: number;
  readonly step: number;
  /** Nothing below this is drawn: what matters lies above. */
  readonly floor: number;
  readonly row: Result | undefined;
  readonly ceiling: Result | undefined;
}

function responsePanel(evidence: Of<'response'>, values: Float64Array, read: ResponseRead): Panel {
  const from = least(evidence.frequency);
  const end = greatest(evidence.frequency);
  const x = { ...ratioAxis('frequency, Hz', from, end), from, to: end };
  const ceiling = read.ceiling?.limit.tolerance;
  const top = ceiling === undefined || ceiling.kind === 'at-least' ? undefined : ceiling.upper;
  const room = read.step * (top === undefined ? 0.25 : 0.8); // words stand on the limit
  const high = Math.max(greatest(values), top ?? 0, 0) + room;
  const low = Math.max(read.floor, Math.min(least(values), read.level - read.step * 0.9));
  const y = exactAxis(read.label, low, high, read.step);
  const found = read.row?.outcome.kind === 'measured' ? read.row.outcome.value : undefined;
  const said = words(read.row);
  const limits = read.row === undefined ? undefined : endsOf(read.row.limit.tolerance);
  const textAt = Math.min(limits?.lower ?? end, found ?? end) * 0.985;
  const gap = (high - low) * 0.11;
  return {
    ...EMPTY,
    x: { ...x, ticks: x.ticks.filter((t) => t >= from && t <= end) },
    y,
    bands: limits === undefined ? [] : [{ x: [limits.lower ?? from, limits.upper ?? end] }],
    lines: [
      { pen: 'produced', x: evidence.frequency, y: values },
      ...[limits?.lower, limits?.upper]
        .filter((limit) => limit !== undefined)
        .map((limit) => ({ pen: 'limit' as const, x: [limit, limit], y: [low, high] })),
      ...(top === undefined ? [] : [{ pen: 'limit' as const, x: [from, end], y: [top, top] }]),
      ...(found === undefined
        ? []
        : [
            { pen: 'construction' as const, x: [from, found], y: [read.level, read.level] },
            { pen: 'construction' as const, x: [found, found], y: [read.level, low] },
          ]),
    ],
    rings: found === undefined ? [] : [{ x: found, y: read.level }],
    notes: [
      ...(found === undefined
        ? []
        : [
            note(textAt, read.level - gap, said.value, { strong: true, anchor: 'end' }),
            note(textAt, read.level - 2 * gap, said.allowed, { anchor: 'end' }),
          ]),
      ...(read.ceiling === undefined || top === undefined
        ? []
        : [
            note(
              from * 1.05,
              top,
              `${read.ceiling.name}: ${words(read.ceiling).value}, allowed ${showEnds(read.ceiling.limit.tolerance, read.ceiling.limit.unit)}`,
            ),
          ]),
    ],
  };
}

function endsOf(tolerance: Tolerance): { readonly lower?: number; readonly upper?: number } {
  return tolerance;
}

function smoothingFigures(sources: FigureSources): readonly Figure[] {
  const all = readings(sources, 'smoothing');
  const [reading] = all;
  if (reading === undefined) return [];
  const { stage } = reading;
  const rows = sources.results.filter((r) => r.limit.stage === stage);
  const lag = rows.find((r) => /^lag(?!-increase)/.test(r.limit.characteristic));
  const grain = rows.find((r) => /^grain(?!-ratio)/.test(r.limit.characteristic));
  const order = reading.evidence.points
    .map(
      (p) =>
        `setting ${p.setting}: ${(p.lag * 1000).toFixed(2)} ms, ${(p.grain * 1000).toFixed(1)} mN·m`,
    )
    .join('; ');
  const shown = [
    ...all.map(keyOf),
    ...[lag, grain].flatMap((r) => (r === undefined ? [] : [keyOf(r.limit)])),
  ];
  return [
    {
      title: 'Lag against grain',
      note: captionOf({ ...reading, outcome: { ...reading.outcome, repeats: 1 } }),
      alternative: `One disc for each smoothing setting, joined in order. ${order}.`,
      width: 'half',
      shows: [...new Set(shown)],
      panels: [smoothingPanel(reading.evidence, lag, grain)],
    },
  ];
}

function smoothingPanel(
  evidence: Of<'smoothing'>,
  lag: Result | undefined,
  grain: Result | undefined,
): Panel {
  const points = evidence.points.map((p) => ({
    setting: p.setting,
    x: inUnit(p.lag, MS),
    y: inUnit(p.grain, MILLI),
  }));
  const record = settingOfRecord(evidence, lag, grain);
  const box = { lag: ends(lag, MS), grain: ends(grain, MILLI) };
  const positive = points.filter((p) => p.x > 0);
  const xs = [...positive.map((p) => p.x), ...box.lag.filter((v) => v > 0)];
  const x = ratioAxis('lag against latched command, ms', least(xs) * 0.8, greatest(xs) * 1.1);
  const y = linearAxis(
    'grain, mN·m rms',
    0,
    greatest([...points.map((p) => p.y), ...box.grain]) * 1.05,
    4,
  );
  const [left = x.from, right = x.to] = box.lag;
  const [bottom = y.from, top = y.to] = box.grain;
  const isBoxed = box.lag.length === 2 || box.grain.length === 2;
  return {
    ...EMPTY,
    x,
    y,
    bands: isBoxed ? [{ x: [left, right], y: [bottom, top] }] : [],
    lines: [
      { pen: 'nominal', x: positive.map((p) => p.x), y: positive.map((p) => p.y) },
      ...(isBoxed
        ? [
            {
              pen: 'limit' as const,
              x: [left, right, right, left, left],
              y: [bottom, bottom, top, top, bottom],
            },
          ]
        : []),
    ],
    discs: positive.map((p) => ({
      x: p.x,
      y: p.y,
      text: String(p.setting),
      filled: p.setting === record,
    })),
    notes:
      isBoxed && record !== undefined ? [note(right, top, ` limits for setting ${record}`)] : [],
  };
}

function ends(result: Result | undefined, unit: typeof MS): readonly number[] {
  if (result?.limit.tolerance.kind !== 'between') return [];
  const { lower, upper } = result.limit.tolerance;
  return [inUnit(lower, unit), inUnit(upper, unit)];
}

/** The setting whose point the limited values were read at. */
function settingOfRecord(
  evidence: Of<'smoothing'>,
  lag: Result | undefined,
  grain: Result | undefined,
): number | undefined {
  const value = (r: Result | undefined): number | undefined =>
    r?.outcome.kind === 'measured' ? r.outcome.value : undefined;
  const grainValue = value(grain);
  const lagValue = value(lag);
  if (grainValue === undefined && lagValue === undefined) return undefined;
  const miss = (p: Of<'smoothing'>['points'][number]): number =>
    grainValue === undefined ? Math.abs(p.lag - (lagValue ?? 0)) : Math.abs(p.grain - grainValue);
  return [...evidence.points].sort((a, b) => miss(a) - miss(b))[0]?.setting;
}

function fieldFigures(sources: FigureSources): readonly Figure[] {
  const [reading] = readings(sources, 'trace');
  if (reading === undefined) return [];
  const { stage, evidence } = reading;
  const rows = sources.results.filter(
    (r) => r.limit.stage === stage && /^(lag|tracking)/.test(r.limit.characteristic),
  );
  const [from, to] = liveliest(evidence);
  const total = (evidence.time.at(-1) ?? 0) - (evidence.time[0] ?? 0);
  const said = rows.map((r) => `${r.name}: ${words(r).value}, ${words(r).allowed}`);
  const [first] = rows;
  const written = first === undefined ? [] : [first.name, words(first).value, words(first).allowed];
  return [
    {
      title: 'Field pattern',
      note: `stage ${stage}, ${String(Math.round((to - from) * 1000))} ms${total < 1 ? '' : ` of ${total.toFixed(1)} s`}`,
      alternative: `Commanded and produced torque over time where the command changes most. ${said.join('; ')}.`,
      width: 'half',
      shows: rows.map((r) => keyOf(r.limit)),
      panels: [fieldPanel(evidence, [from, to], written)],
    },
  ];
}

/** The window in which the command changes most, s: there a lag can be seen. */
function liveliest(evidence: Of<'trace'>): readonly [number, number] {
  const { time, command } = evidence;
  const start = time[0] ?? 0;
  const end = time.at(-1) ?? 0;
  const window = FIELD_WINDOW / 1000;
  if (end - start <= window) return [start, end];
  let best = { from: start, change: -1 };
  let head = 0;
  for (let tail = 0; tail < time.length; tail += 1) {
    const from = time[tail] as number;
    if (from > end - window) break;
    while (head + 1 < time.length && (time[head + 1] as number) <= from + window) head += 1;
    const change = Math.abs((command[head] as number) - (command[tail] as number));
    if (change > best.change) best = { from, change };
  }
  return [best.from, best.from + window];
}

function fieldPanel(
  evidence: Of<'trace'>,
  [from, to]: readonly [number, number],
  said: readonly string[],
): Panel {
  const start = evidence.time.findIndex((t) => t >= from);
  const after = evidence.time.findIndex((t) => t > to);
  const end = after < 0 ? evidence.time.length : after;
  const x = evidence.time.slice(start, end).map((t) => (t - from) * 1000);
  const command = evidence.command.slice(start, end);
  const torque = evidence.torque.slice(start, end);
  const levels = [...command, ...torque];
  const low = least(levels);
  const room = (greatest(levels) - low) * 0.7; // the words stand above the curve
  const y = linearAxis('torque, N·m', low, greatest(levels) + room, 4);
  const line = (y.to - y.from) * 0.1;
  return {
    ...EMPTY,
    x: exactAxis('time, ms', 0, (to - from) * 1000, 20),
    y,
    lines: [held(x, command), { pen: 'produced', x, y: torque }],
    notes: said.map((text, i) => note(1, y.to - line * (i + 1), text, { strong: i === 1 })),
  };
}
