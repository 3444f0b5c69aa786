import type { JSX } from 'preact';
import { useEffect, useRef } from 'preact/hooks';
import { LAST, recentEnds, scaleFor, scaleKept, type Scale, type Signal } from './traces.js';
import { SIGNALS, type Traces } from './traces.js';

/** Texts beside a live trace, in the language of the person. */
export interface TraceWords {
  readonly torque: string;
  readonly time: string;
  readonly last: string;
  readonly before: string;
  readonly trace: string;
}

/** Where on the canvas values are drawn, and how; lengths in CSS pixels. */
interface Plot {
  readonly pen: CanvasRenderingContext2D;
  /** Size of one rem. */
  readonly unit: number;
  readonly left: number;
  readonly right: number;
  readonly top: number;
  readonly bottom: number;
  readonly x: Scale;
  readonly y: Scale;
  readonly colours: Colours;
  readonly number: (value: number) => string;
}

interface Colours {
  readonly ink: string;
  readonly soft: string;
  readonly rule: string;
  readonly produced: string;
  readonly shaft: string;
  readonly tint: string;
  readonly font: string;
}

/** Width of each pen in rem: command narrow on produced wide on shaft widest, told apart without colour. */
const PENS: Readonly<Record<Signal, number>> = { torque: 0.5, produced: 0.19, command: 0.075 };

/**
 * Draws commanded torque, torque produced and torque at the shaft while they come: the whole stage
 * above, the last 160 ms enlarged below.
 */
export function LiveTrace({
  traces,
  peak,
  words,
  locale,
}: {
  /** Kept elsewhere and changed in place; drawn anew when it has grown. */
  readonly traces: () => Traces | undefined;
  /** Largest torque that the stage asks for, N·m. */
  readonly peak: number;
  readonly words: TraceWords;
  readonly locale: string;
}): JSX.Element {
  const canvas = useRef<HTMLCanvasElement>(null);
  useEffect(() => {
    const format = new Intl.NumberFormat(locale, { maximumFractionDigits: 3 });
    const number = (value: number): string =>
      `${value > 0 ? '+' : ''}${format.format(Math.abs(value) < 1e-9 ? 0 : value).replace('-', '−')}`;
    let near: Scale | undefined;
    let [drawn, wide] = [-1, 0];
    let next = requestAnimationFrame(draw);
    function draw(): void {
      next = requestAnimationFrame(draw);
      const [at, from] = [canvas.current, traces()];
      if (at === null || from === undefined) return;
      if (from.until === drawn && at.clientWidth === wide) return;
      [drawn, wide] = [from.until, at.clientWidth];
      const ends = recentEnds(from);
      near = ends === undefined ? near : scaleKept(near, ...ends);
      paint(at, { traces: from, peak, words, number, near: near ?? scaleFor(-1, 1) });
    }
    return () => {
      cancelAnimationFrame(next);
    };
  }, [traces, peak, words, locale]);
  return <canvas ref={canvas} class="live-trace" role="img" aria-label={words.trace} />;
}

interface Painting {
  readonly traces: Traces;
  readonly peak: number;
  readonly words: TraceWords;
  readonly number: (value: number) => string;
  readonly near: Scale;
}

function paint(canvas: HTMLCanvasElement, painting: Painting): void {
  const pen = canvas.getContext('2d');
  if (pen === null) return;
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  const ratio = window.devicePixelRatio;
  const [across, down] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== across || canvas.height !== down) {
    canvas.width = across;
    canvas.height = down;
  }
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  const style = getComputedStyle(canvas);
  const unit = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const common = { pen, unit, left: 3.4 * unit, right: width - 0.9 * unit };
  const shared = { ...common, colours: coloursOf(style), number: painting.number };
  const middle = height * 0.56;
  paintWhole(
    { ...shared, ...wholeScales(painting), top: unit * 1.5, bottom: middle - unit * 2.9 },
    painting,
  );
  const x = { from: -LAST * 1000, to: 0, step: 40 };
  const below = { top: middle + unit * 0.9, bottom: height - unit * 2.6 };
  paintLast({ ...shared, x, y: painting.near, ...below }, painting);
}

function coloursOf(style: CSSStyleDeclaration): Colours {
  const colour = (name: string): string => style.getPropertyValue(name).trim();
  return {
    ink: colour('--ink'),
    soft: colour('--soft'),
    rule: colour('--rule'),
    produced: colour('--produced'),
    shaft: colour('--shaft'),
    tint: colour('--tolerance'),
    font: style.fontFamily,
  };
}

function wholeScales({ traces, peak }: Painting): { readonly x: Scale; readonly y: Scale } {
  const most = Math.max(peak, traces.most, 0.2);
  return {
    x: { from: 0, to: traces.length, step: scaleFor(0, traces.length).step },
    y: scaleFor(-most, most),
  };
}

function paintWhole(plot: Plot, { traces, words }: Painting): void {
  const { pen, colours, top, bottom } = plot;
  const now = Math.min(traces.until, traces.length);
  const [from, to] = [xOf(plot, Math.max(0, now - LAST)), xOf(plot, now)];
  axes(plot, words.torque, words.time);
  pen.fillStyle = colours.tint;
  pen.fillRect(Math.min(from, to - 3), top, Math.max(3, to - from), bottom - top);
  for (const signal of SIGNALS) band(plot, traces, signal);
  stroke(plot, colours.ink, 0.1);
  pen.moveTo(to, top);
  pen.lineTo(to, bottom);
  pen.stroke();
}

/** Draws a signal over the whole stage: each column from its least to its greatest, joined to the next. */
function band(plot: Plot, { whole, length }: Traces, signal: Signal): void {
  const { low, high } = whole[signal];
  const { pen, colours } = plot;
  stroke(plot, colourOf(colours, signal), PENS[signal] * (signal === 'torque' ? 0.8 : 0.9));
  let isDown = false;
  for (let column = 0; column < low.length; column++) {
    const [least, most] = [low[column] ?? NaN, high[column] ?? NaN];
    if (Number.isNaN(least)) continue;
    const x = xOf(plot, ((column + 0.5) / low.length) * length);
    if (isDown) pen.lineTo(x, yOf(plot, most));
    else pen.moveTo(x, yOf(plot, most));
    pen.lineTo(x, yOf(plot, least));
    isDown = true;
  }
  pen.stroke();
}

function paintLast(plot: Plot, { traces, words }: Painting): void {
  const { pen, left, right, top, bottom } = plot;
  axes(plot, words.last, words.before);
  pen.save();
  pen.beginPath();
  pen.rect(left, top - 2, right - left, bottom - top + 4);
  pen.clip();
  for (const signal of SIGNALS) {
    const { at, low, high } = traces.recent[signal];
    stroke(plot, colourOf(plot.colours, signal), PENS[signal]);
    at.forEach((time, index) => {
      const x = xOf(plot, (time - traces.until) * 1000);
      const [least, most] = [yOf(plot, low[index] ?? 0), yOf(plot, high[index] ?? 0)];
      if (index === 0) pen.moveTo(x, most);
      else pen.lineTo(x, most);
      if (most !== least) pen.lineTo(x, least);
    });
    pen.stroke();
  }
  pen.restore();
}

const colourOf = (colours: Colours, signal: Signal): string =>
  ({ torque: colours.shaft, produced: colours.produced, command: colours.ink })[signal];

function stroke({ pen, unit }: Plot, colour: string, width: number): void {
  pen.beginPath();
  pen.strokeStyle = colour;
  pen.lineWidth = width * unit;
  pen.lineJoin = 'round';
  pen.lineCap = 'butt';
}

const xOf = ({ left, right, x }: Plot, value: number): number =>
  left + ((value - x.from) / (x.to - x.from)) * (right - left);

const yOf = ({ top, bottom, y }: Plot, value: number): number =>
  bottom - ((value - y.from) / (y.to - y.from)) * (bottom - top);

function* ticks({ from, to, step }: Scale): Generator<number> {
  const first = Math.ceil(from / step - 1e-9);
  for (let k = first; k * step <= to + step * 1e-6 && k < first + 20; k++) yield k * step;
}

/** Hairlines, the two axes, ticks with numbers, and the quantity once at the end of each axis. */
function axes(plot: Plot, above: string, below: string): void {
  const { pen, unit, left, right, top, bottom, colours, number } = plot;
  const size = 0.8125 * unit;
  pen.font = `${size}px ${colours.font}`;
  for (const value of ticks(plot.y)) {
    const y = yOf(plot, value);
    stroke(plot, Math.abs(value) < 1e-9 ? colours.soft : colours.rule, 0.06);
    pen.moveTo(left, y);
    pen.lineTo(right, y);
    pen.stroke();
    write(plot, number(value), left - 0.5 * unit, y + size * 0.36, 'right');
  }
  stroke(plot, colours.ink, 0.08);
  pen.moveTo(left, top);
  pen.lineTo(left, bottom);
  pen.lineTo(right, bottom);
  for (const value of ticks(plot.x)) {
    pen.moveTo(xOf(plot, value), bottom);
    pen.lineTo(xOf(plot, value), bottom + 0.35 * unit);
  }
  pen.stroke();
  for (const value of ticks(plot.x)) {
    const text = number(value).replace('+', '');
    write(plot, text, xOf(plot, value), bottom + 0.45 * unit + size, 'center');
  }
  pen.fillStyle = colours.soft;
  write(plot, above, 0, top - 0.6 * unit, 'left', colours.soft);
  write(plot, below, right, bottom + 0.55 * unit + 2.15 * size, 'right', colours.soft);
}

function write(
  { pen, colours }: Plot,
  text: string,
  x: number,
  y: number,
  ...[align, colour = colours.ink]: [align: CanvasTextAlign, colour?: string]
): void {
  pen.fillStyle = colour;
  pen.textAlign = align;
  pen.fillText(text, x, y);
}

/** Shows the three pens beside their names: a key by the line itself. */
export function TraceKey({
  names,
}: {
  readonly names: Readonly<Record<Signal, string>>;
}): JSX.Element {
  return (
    <ul class="trace-key">
      {(['command', 'produced', 'torque'] as const).map((signal) => (
        <li key={signal}>
          <svg viewBox="0 0 32 10" aria-hidden="true">
            <path d="M0 5H32" class={`pen-${signal}`} stroke-width={PENS[signal] * 16} />
          </svg>
          {names[signal]}
        </li>
      ))}
    </ul>
  );
}
