import { unitOf } from '../base/units.js';
import { exactAxis, exactRatioAxis, isOn, stepFor } from './axis.js';
import {
  EMPTY,
  captionOf,
  digits,
  extent,
  keyOf,
  label,
  rangeOf,
  saidOf,
  smoothingWords,
  straight,
  valueWords,
  type FigureSources,
  type Of,
  type Reading,
  type Said,
} from './figure-sources.js';
import type { Axis, Figure, Panel, Range } from './figure.js';

type Response = Of<'response'>;
export type ResponseReading = Reading<Response>;

const HZ = unitOf('Hz');
/** The names under which values at the measuring points are scored. */
const AT = { gain: 'bandwidth', angle: 'phase-bandwidth', peak: 'gain-peaking' } as const;

/** Draws gain, phase and coherence over frequency, with the points at −3 dB and −90°. */
export function responseFigure(sources: FigureSources, reading: ResponseReading): Figure {
  const { stage, evidence } = reading;
  const find = (id: string): Said | undefined => saidOf(sources, stage, id);
  const [bandwidth, angle, peaking] = [find(AT.gain), find(AT.angle), find(AT.peak)];
  const read = [bandwidth, angle, peaking].filter((said) => said !== undefined);
  const words = read.map((said) => `${said.name}: ${said.text}, ${said.allowed}`).join('; ');
  return {
    title: `Frequency response${smoothingWords(sources, stage)}`,
    note: captionOf(reading),
    alternative: `Gain, phase and coherence of produced against commanded torque over frequency. ${words}.`,
    width: 'full',
    shows: [...new Set([keyOf(reading), ...read.map((said) => said.key)])],
    panels: [
      gainPanel(evidence, bandwidth, peaking),
      crossingPanel(evidence, evidence.angle, angle, PHASE),
      coherencePanel(evidence, coherenceAllowed(sources, stage)),
    ],
  };
}

interface Construction {
  readonly label: string;
  /** The level whose crossing is read. */
  readonly level: number;
  readonly levelText: string;
  readonly step: number;
  /** Nothing below this is drawn: what matters lies above. */
  readonly floor: number;
  /** Room kept free above the curve. */
  readonly room: number;
}

const GAIN: Construction = {
  label: 'gain against the mean at low frequency, dB',
  level: -3,
  levelText: '−3 dB',
  step: 3,
  floor: -9,
  room: 0.9,
};

const PHASE: Construction = {
  label: 'phase, °',
  level: -90,
  levelText: '−90°',
  step: 45,
  floor: -225,
  room: 20,
};

function frequencyAxis({ frequency }: Response): Axis {
  const [from, to] = extent(frequency) ?? [1, 10];
  if (from > 0 && to > from) return exactRatioAxis('frequency, Hz', from, to);
  const width = Math.max(to - from, 1);
  return exactAxis('frequency, Hz', from, from + width, stepFor(width / 6));
}

function crossingPanel(
  evidence: Response,
  values: Float64Array,
  said: Said | undefined,
  how: Construction,
): Panel {
  const x = frequencyAxis(evidence);
  const [least, greatest] = extent(values) ?? [0, 0];
  const low = Math.max(how.floor, Math.min(least, how.level) - how.step * 0.9);
  const high = Math.max(greatest, 0) + how.room;
  const step = [1, 2, 4, 8].map((k) => k * how.step).find((s) => (high - low) / s <= 8);
  const limits = rangeOf(said, HZ);
  const found = said?.value;
  const right = found ?? x.to;
  return {
    ...EMPTY,
    x,
    y: exactAxis(how.label, low, high, step ?? stepFor((high - low) / 4)),
    bands: limits === undefined ? [] : [{ x: limits, edge: 'limit' }],
    lines: [
      { pen: 'produced', x: evidence.frequency, y: values },
      straight([x.from, how.level], [right, how.level]),
      ...(found === undefined ? [] : [straight([found, how.level], [found, low])]),
    ],
    markers: found === undefined ? [] : [{ shape: 'ring', x: found, y: how.level }],
    labels: [
      label([x.from, how.level], how.levelText, { side: 'ne', along: 'x' }),
      ...(said === undefined
        ? []
        : [
            label([said.value, how.level], valueWords(said, `${how.levelText} at `), {
              side: 'sw',
            }),
          ]),
      ...limitLabels(limits, x, high),
    ],
  };
}

/** The limits that lie on the axis, each on the side where it does not allow anything. */
function limitLabels(limits: Range | undefined, x: Axis, top: number): Panel['labels'] {
  const [lower, upper] = limits ?? [];
  const sides = [
    [lower, 'sw'],
    [upper, 'se'],
  ] as const;
  return sides.flatMap(([end, side]) =>
    end === undefined || !isOn(x, end)
      ? []
      : [label([end, top], `${digits(end)} Hz`, { side, along: 'y' })],
  );
}

function gainPanel(
  evidence: Response,
  bandwidth: Said | undefined,
  peaking: Said | undefined,
): Panel {
  const tolerance = peaking?.tolerance;
  const top =
    tolerance === undefined || tolerance.kind === 'at-least' ? undefined : tolerance.upper;
  const room =
    top === undefined ? GAIN.room : Math.max(GAIN.room, top - greatestOf(evidence.gain) + 1.6);
  const panel = crossingPanel(evidence, evidence.gain, bandwidth, { ...GAIN, room });
  if (peaking === undefined) return panel;
  const peak = peakOf(evidence);
  return {
    ...panel,
    bands: [
      ...panel.bands,
      ...(top === undefined ? [] : [{ y: [undefined, top] as const, edge: 'limit' as const }]),
    ],
    markers: [...panel.markers, { shape: 'ring', ...peak }],
    labels: [
      ...panel.labels,
      label([panel.x.from, top ?? peak.y], `peak: ${peaking.text}, ${peaking.allowed}`, {
        side: 'ne',
        along: 'x',
      }),
    ],
  };
}

const greatestOf = (values: ArrayLike<number>): number => Math.max(extent(values)?.[1] ?? 0, 0);

function peakOf({ frequency, gain }: Response): { readonly x: number; readonly y: number } {
  const y = extent(gain)?.[1] ?? 0;
  return { x: frequency[gain.indexOf(y)] ?? NaN, y };
}

function coherenceAllowed({ gates = [] }: FigureSources, stage: string): number | undefined {
  return gates.find((gate) => gate.id === 'coherence' && gate.scope === stage)?.allowed;
}

function coherencePanel(evidence: Response, allowed: number | undefined): Panel {
  const x = frequencyAxis(evidence);
  const [least] = extent(evidence.coherence) ?? [0];
  const isFine = Math.min(least, allowed ?? 1) > 0.9;
  const y = exactAxis('coherence, 1', isFine ? 0.9 : 0, isFine ? 1.005 : 1.05, isFine ? 0.05 : 0.5);
  return {
    ...EMPTY,
    height: 0.5,
    x,
    y,
    bands: allowed === undefined ? [] : [{ y: [allowed, undefined], edge: 'limit' }],
    lines: [{ pen: 'produced', x: evidence.frequency, y: evidence.coherence }],
    labels:
      allowed === undefined
        ? []
        : [label([x.from, allowed], `limit ≥ ${allowed}`, { side: 'ne', along: 'x' })],
  };
}
