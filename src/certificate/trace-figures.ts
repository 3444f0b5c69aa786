import { exactAxis, linearAxis, stepFor } from './axis.js';
import {
  EMPTY,
  extent,
  held,
  label,
  saidAt,
  saidBy,
  valueWords,
  type FigureSources,
  type Of,
  type Reading,
  type Said,
} from './figure-sources.js';
import type { Figure, Panel } from './figure.js';

type Trace = Of<'trace'>;
export type TraceReading = Reading<Trace>;

/** s of a trace that are drawn: long enough for some updates, short enough to tell them apart. */
const WINDOW = 0.08;
/** Fewest samples of a window that tell anything; a trace with fewer is drawn whole. */
const FEWEST = 5;

/** Draws commanded and produced torque over time where the command changes most. */
export function traceFigure(sources: FigureSources, reading: TraceReading): Figure {
  const { stage, evidence } = reading;
  const own = saidBy(reading);
  const others = saidAt(sources, stage).filter(
    (said) => said.key !== own.key && /^(lag|tracking)/u.test(said.characteristic),
  );
  const all = [own, ...others];
  const [from, to] = liveliest(evidence);
  const total = (evidence.time.at(-1) ?? 0) - (evidence.time[0] ?? 0);
  return {
    title: 'Field pattern',
    note: `stage ${stage}, ${String(Math.round((to - from) * 1000))} ms${total < 1 ? '' : ` of ${total.toFixed(1)} s`}`,
    alternative: `Commanded and produced torque over time where the command changes most. ${all.map((said) => `${said.name}: ${said.text}, ${said.allowed}`).join('; ')}.`,
    width: 'half',
    shows: all.map((said) => said.key),
    panels: [tracePanel(evidence, [from, to], own)],
  };
}

/** The window in which the command changes most, s: there a lag can be seen. */
function liveliest(evidence: Trace): readonly [number, number] {
  const { time, command } = evidence;
  const start = time[0] ?? 0;
  const end = time.at(-1) ?? 0;
  const isSparse = (WINDOW / (end - start)) * time.length < FEWEST;
  if (end - start <= WINDOW || isSparse) return [start, end];
  let best = { from: start, change: -1 };
  let head = 0;
  for (let tail = 0; tail < time.length; tail += 1) {
    const from = time[tail] as number;
    if (from > end - WINDOW) break;
    while (head + 1 < time.length && (time[head + 1] as number) <= from + WINDOW) head += 1;
    const change = Math.abs((command[head] as number) - (command[tail] as number));
    if (change > best.change) best = { from, change };
  }
  return [best.from, best.from + WINDOW];
}

function tracePanel(evidence: Trace, [from, to]: readonly [number, number], own: Said): Panel {
  const start = evidence.time.findIndex((t) => t >= from);
  const after = evidence.time.findIndex((t) => t > to);
  const end = after < 0 ? evidence.time.length : after;
  const time = evidence.time.slice(start, end).map((t) => (t - from) * 1000);
  const command = evidence.command.slice(start, end);
  const torque = evidence.torque.slice(start, end);
  const [low, high] = extent(command, torque) ?? [0, 1];
  const y = linearAxis('torque, N·m', low, high + (high - low) * 0.7, 4); // words stand above the curve
  const long = Math.max((to - from) * 1000, 1e-3);
  return {
    ...EMPTY,
    x: exactAxis('time, ms', 0, long, stepFor(long / 5)),
    y,
    lines: [held(time, command), { pen: 'produced', x: time, y: torque }],
    labels: [
      label([0, y.to], [{ text: own.name, strong: false }, ...valueWords(own)], {
        side: 'se',
        along: 'anywhere',
      }),
    ],
  };
}
