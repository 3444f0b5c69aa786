import { linearAxis } from './axis.js';
import {
  EMPTY,
  captionOf,
  digits,
  extent,
  keyOf,
  label,
  onAxis,
  saidBy,
  straight,
  valueWords,
  type Of,
  type Reading,
} from './figure-sources.js';
import type { Figure, Panel } from './figure.js';

type Loop = Of<'loop'>;
export type LoopReading = Reading<Loop>;

/** Draws torque against command, and below it what is left of it beside a straight line: the loop opened up. */
export function loopFigure(reading: LoopReading): Figure {
  const { evidence } = reading;
  const said = saidBy(reading);
  const width = onAxis(evidence.width * 1000, Math.max(evidence.width * 1000, 1e-3), 'mN·m');
  return {
    title: 'Hysteresis loop',
    note: captionOf(reading),
    alternative: `Produced against commanded torque, up and down. The branches are ${width} apart at ${digits(evidence.at)} N·m. ${said.name}: ${said.text}, ${said.allowed}.`,
    width: 'half',
    shows: [keyOf(reading)],
    panels: [wholePanel(evidence), openedPanel(reading, width)],
  };
}

function wholePanel({ command, torque }: Loop): Panel {
  const [low, high] = extent(torque) ?? [0, 1];
  return {
    ...EMPTY,
    height: 0.8,
    x: commandAxis(command),
    y: linearAxis('torque, N·m', low, high, 4),
    lines: [{ pen: 'joined', x: command, y: torque }],
  };
}

function commandAxis(command: Float64Array): Panel['x'] {
  const [low, high] = extent(command) ?? [0, 1];
  return linearAxis('commanded torque, N·m', low, high, 6);
}

function openedPanel(reading: LoopReading, width: string): Panel {
  const { command, torque, at } = reading.evidence;
  const said = saidBy(reading);
  const line = lineThrough(command, torque);
  const left = torque.map((t, i) => (t - line(command[i] as number)) * 1000);
  const [low, high] = extent(left) ?? [0, 1];
  const x = commandAxis(command);
  const y = linearAxis('torque less a straight line, mN·m', low, high + (high - low) * 0.25, 4);
  const branches = crossings(command, left, at);
  const span = extent(branches);
  return {
    ...EMPTY,
    x,
    y,
    lines: [{ pen: 'joined', x: command, y: left }, straight([at, y.from], [at, y.to])],
    markers: (span ?? []).map((value) => ({ shape: 'ring', x: at, y: value })),
    dimensions:
      span === undefined ? [] : [{ from: { x: at, y: span[0] }, to: { x: at, y: span[1] } }],
    labels: [
      label([at, span?.[1] ?? y.to], `width ${width} at ${digits(at)} N·m`, { side: 'e' }),
      label([x.from, y.to], [{ text: said.name, strong: false }, ...valueWords(said)], {
        side: 'se',
        along: 'anywhere',
      }),
    ],
  };
}

/** Least-squares line; level through the mean when the command never moves. */
function lineThrough(x: Float64Array, y: Float64Array): (at: number) => number {
  const n = Math.max(x.length, 1);
  const [mx, my] = [x, y].map((list) => list.reduce((a, b) => a + b, 0) / n) as [number, number];
  let [sxx, sxy] = [0, 0];
  for (let i = 0; i < x.length; i += 1) {
    const dx = (x[i] as number) - mx;
    sxx += dx * dx;
    sxy += dx * ((y[i] as number) - my);
  }
  const slope = sxx > 0 ? sxy / sxx : 0;
  return (at) => my + slope * (at - mx);
}

/** Values where the curve passes `at`. */
function crossings(x: Float64Array, y: Float64Array, at: number): readonly number[] {
  const found: number[] = [];
  for (let i = 1; i < x.length; i += 1) {
    const [a, b] = [x[i - 1] as number, x[i] as number];
    if ((a - at) * (b - at) > 0 || a === b) continue;
    const [from, to] = [y[i - 1] as number, y[i] as number];
    found.push(from + ((at - a) / (b - a)) * (to - from));
  }
  return found;
}
