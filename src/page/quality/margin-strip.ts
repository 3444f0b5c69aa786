import type { MarginRow } from '../../serve/quality-views.js';

const SVG = 'http://www.w3.org/2000/svg';
const WIDTH = 150;
const HEIGHT = 18;
const TOP = 4;
const BAR = 10;

function element(name: string, attributes: Readonly<Record<string, string | number>>): SVGElement {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, String(value));
  return made;
}

const at = (share: number): number => Math.round(share * WIDTH * 10) / 10;

/**
 * Draws a row of limits as a strip, tick to tick, with the values of recent items as fine strokes in
 * it. Made without a framework: it stands in the margin of an editor.
 */
export function marginStrip({ row, frame, at: places, lost, won }: MarginRow): SVGElement {
  const { bar, guards, ticks, foot } = frame;
  const rect = (from: number, to: number, name: string): SVGElement =>
    element('rect', {
      ...{ class: name, x: at(from), y: TOP },
      ...{ width: Math.max(0, at(to) - at(from)), height: BAR },
    });
  const stroke = (d: string, name: string): SVGElement => element('path', { class: name, d });
  const svg = element('svg', {
    ...{ class: 'strip', viewBox: `0 0 ${WIDTH} ${HEIGHT}`, width: WIDTH, height: HEIGHT },
    ...{ role: 'img', 'aria-label': stripWords(row, places.length, lost, won) },
  });
  svg.append(
    rect(bar.from, bar.to, 'strip-zone'),
    ...guards.flatMap(({ from, to }) => [
      rect(from, to, 'strip-guard'),
      stroke(hatching(at(from), at(to)), 'strip-hatch'),
    ]),
    stroke(places.map((share) => `M${at(share)} ${TOP + 1.5}v${BAR - 3}`).join(''), 'strip-value'),
    ...(foot === undefined ? [] : [stroke(`M${at(foot)} ${TOP}v${BAR}`, 'strip-foot')]),
    ...(frame.break === undefined
      ? []
      : [stroke(`M${at(frame.break)} ${TOP - 2}l-3 5l6 4l-3 5`, 'strip-foot')]),
    ...ticks.map((share) => stroke(`M${at(share)} 0v${HEIGHT}`, 'strip-tick')),
  );
  return svg;
}

function hatching(from: number, to: number): string {
  const lines: string[] = [];
  for (let x = from; x < to + BAR; x += 4) {
    const low = Math.min(x, to);
    const high = Math.max(x - BAR, from);
    if (low > high) lines.push(`M${low} ${TOP + (x - low)}L${high} ${TOP + (x - high)}`);
  }
  return lines.join('');
}

/** What the strip shows, in words. */
export function stripWords(row: string, values: number, lost: number, won: number): string {
  const moved = [
    ...(lost === 0 ? [] : [`${lost} no longer accepted`]),
    ...(won === 0 ? [] : [`${won} newly accepted`]),
  ];
  const told = moved.length === 0 ? '' : `: ${moved.join(', ')}`;
  return values === 0 ? `${row}: no values yet` : `${row}, ${values} items${told}`;
}
