import { existsSync, mkdirSync, readFileSync, readdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { beforeAll, describe, expect, test, vi } from 'vitest';
import PDFDocument from 'pdfkit';
import { SIMULATED_MARK } from '../../src/certificate/certificate.js';
import type { Figure, Panel } from '../../src/certificate/figure.js';
import { EMPTY, label } from '../../src/certificate/figure-sources.js';
import { figuresOf, plotsOf } from '../../src/certificate/figures.js';
import { layOut, type Layout, type Ruler, type Shape } from '../../src/certificate/layout.js';
import { Sheet } from '../../src/certificate/page.js';
import { drawFigure } from '../../src/certificate/plot.js';
import { openRuler, writeSvg } from '../../src/certificate/svg.js';
import { preparePlots, writePlots } from '../../src/run/plots.js';
import type { Evidence } from '../../src/scoring/scoring.js';
import type { Result } from '../../src/decision/decision.js';
import { temporaryFolder } from '../support/folder.js';
import { everyElement, readXml, type XmlElement } from '../support/read-svg.js';
import { sampleCertificate } from '../support/sample-certificate.js';

const HALF = (547.28 - 48 - 16) / 2;
const FULL = 547.28 - 48;
const RESULTS = sampleCertificate().decision.results;
const widthOf = (figure: Figure): number => (figure.width === 'full' ? FULL : HALF);

let ruler: Ruler;
beforeAll(async () => {
  ruler = await openRuler();
});

const caption = { lines: ['Item H12-26-04711'], mark: undefined };
const svgOf = (figure: Figure): XmlElement => readXml(writeSvg(figure, caption, ruler));

function figure(title: RegExp): Figure {
  const found = figuresOf({ results: RESULTS }).find((f) => title.test(f.title));
  if (found === undefined) throw new Error(`no figure ${title.source}`);
  return found;
}

const number = (element: XmlElement | undefined, name: string): number =>
  Number(element?.attributes.get(name));

function pointsOf(element: XmlElement): readonly (readonly [number, number])[] {
  const pairs = (element.attributes.get('points') ?? '').split(' ');
  return pairs.map((pair) => {
    const [x, y] = pair.split(',').map(Number);
    return [x ?? NaN, y ?? NaN];
  });
}

const ofClass = (svg: XmlElement, name: string): readonly XmlElement[] =>
  everyElement(svg).filter((e) => e.attributes.get('class') === name);

test('the −3 dB line stands where the axis puts −3 dB, and ends at the bandwidth', () => {
  const response = figure(/^Frequency/);
  const [panel] = response.panels;
  if (panel === undefined) throw new Error('no panel');
  const [place] = layOut(response, FULL, ruler).places;
  if (place === undefined) throw new Error('no place');
  const { frame } = place;
  const share = (panel.y.to - -3) / (panel.y.to - panel.y.from);
  const y = frame.y + frame.height * share;
  const x =
    frame.x + (frame.width * Math.log(126.4 / panel.x.from)) / Math.log(panel.x.to / panel.x.from);
  const lines = ofClass(svgOf(response), 'construction').map(pointsOf);
  expect(lines[0]).toEqual([
    [expect.closeTo(frame.x, 1), expect.closeTo(y, 1)],
    [expect.closeTo(x, 1), expect.closeTo(y, 1)],
  ]);
});

describe('what an SVG carries', () => {
  const plots = plotsOf({ results: RESULTS });

  for (const { stage, characteristic, figure: drawn } of plots) {
    test(`${stage}.${characteristic}: XML with title, description and a view box around all words`, () => {
      const svg = svgOf(drawn);
      expect(svg.name).toBe('svg');
      const [title, desc] = svg.children;
      expect([title?.name, title?.text]).toEqual(['title', drawn.title]);
      expect(desc?.name).toBe('desc');
      expect(desc?.text).toContain(drawn.alternative);
      expect(svg.attributes.get('aria-labelledby')).toBe('title desc');
      const [, , width = 0, height = 0] = (svg.attributes.get('viewBox') ?? '')
        .split(' ')
        .map(Number);
      for (const text of everyElement(svg).filter((e) => e.name === 'text')) {
        expect(number(text, 'font-size'), text.text).toBeGreaterThanOrEqual(7.2);
        expect(number(text, 'x'), text.text).toBeLessThan(width);
        expect(number(text, 'y'), text.text).toBeLessThan(height);
      }
      for (const panel of drawn.panels) {
        const words = everyElement(svg).map((e) => e.text);
        expect(words).toEqual(expect.arrayContaining([panel.x.label, panel.y.label]));
      }
    });
  }

  test('nothing from elsewhere and nothing that runs', () => {
    for (const { figure: drawn } of plots) {
      const all = everyElement(svgOf(drawn));
      const names = new Set(all.map((e) => e.name));
      const known = 'svg title desc rect g clipPath polyline polygon circle text'.split(' ');
      expect([...names].filter((name) => !known.includes(name))).toEqual([]);
      const attributes = all.flatMap((e) => [...e.attributes.keys()]);
      expect(attributes.filter((name) => /^on|href|src/.test(name))).toEqual([]);
    }
  });

  test('equal input gives equal text, in UTF-8, with hundredths at most', () => {
    for (const { figure: drawn } of plots) {
      const text = writeSvg(drawn, caption, ruler);
      expect(writeSvg(drawn, caption, ruler)).toBe(text);
      expect(text.startsWith('<?xml version="1.0" encoding="UTF-8"?>\n<svg ')).toBe(true);
      const numbers = everyElement(readXml(text)).flatMap((e) => [
        ...(e.attributes.get('points') ?? '').split(/[ ,]/),
        ...['x', 'y', 'cx', 'cy', 'width', 'height'].map((n) => e.attributes.get(n) ?? ''),
      ]);
      expect(numbers.filter((n) => !/^(-?\d+(\.\d{1,2})?)?$/.test(n))).toEqual([]);
    }
  });

  test('a simulated run says so in picture and title; a product record does not', () => {
    const drawn = figure(/^Lag/);
    const simulated = readXml(writeSvg(drawn, { lines: [], mark: SIMULATED_MARK }, ruler));
    const texts = everyElement(simulated).filter((e) => e.name === 'text');
    expect(texts.map((t) => t.text)).toContain(SIMULATED_MARK);
    expect(simulated.children[0]?.text).toBe(`${SIMULATED_MARK}: ${drawn.title}`);
    expect(writeSvg(drawn, caption, ruler)).not.toContain('SIMULATED');
  });

  test('lines are told apart by dashes: every pen but one full line of each width', () => {
    const svg = svgOf(figure(/^Frequency/));
    const dashes = (name: string): unknown =>
      ofClass(svg, name)[0]?.attributes.get('stroke-dasharray');
    expect(dashes('limit')).toBe('8 2 1.2 2');
    expect(dashes('construction')).toBe('2.6 1.8');
    expect(dashes('produced')).toBeUndefined();
    expect(ofClass(svg, 'hatch').length).toBeGreaterThan(10);
  });
});

test('<, >, &, quotes and what XML cannot carry are written so that they read back', () => {
  const drawn = figure(/^Field/);
  const [panel] = drawn.panels;
  if (panel === undefined) throw new Error('no panel');
  const hostile = `a < b & "c" > ]]> 'd' </svg><script>`;
  const evil: Figure = {
    ...drawn,
    title: 'x <&> y',
    alternative: `${hostile}\u0000\uD800`,
    panels: [{ ...panel, labels: [label([1, panel.y.to], 'gain < 1 & > 0')] }],
  };
  const svg = readXml(writeSvg(evil, { lines: [hostile], mark: undefined }, ruler));
  expect(svg.children[0]?.text).toBe('x <&> y');
  expect(svg.children[1]?.text).toBe(`${hostile}\uFFFD\uFFFD ${hostile}`);
  const texts = everyElement(svg).map((e) => e.text);
  expect(texts).toContain('gain < 1 & > 0');
});

describe('both pens', () => {
  /** What a pen was asked to draw on the page, with the corner of the figure taken off. */
  function onPage(drawn: Figure, at: { readonly x: number; readonly y: number }): unknown[] {
    // @ts-expect-error -- null keeps pdfkit from opening a font it does not embed; its types lack it
    const doc = new PDFDocument({ autoFirstPage: false, bufferPages: true, font: null });
    const frame = { left: '', middle: '', right: '', foot: '', mark: undefined };
    const sheet = new Sheet(doc, frame);
    const made: unknown[] = [];
    const off = (x: number, y: number): readonly number[] => [
      hundredth(x - at.x),
      hundredth(y - at.y),
    ];
    const move = doc.moveTo.bind(doc);
    const moves = vi.spyOn(doc, 'moveTo').mockImplementation((x, y) => {
      made.push(off(x, y));
      return move(x, y);
    });
    const onward = doc.lineTo.bind(doc);
    vi.spyOn(doc, 'lineTo').mockImplementation((x, y) => {
      made.push(off(x, y));
      return onward(x, y);
    });
    const round = doc.circle.bind(doc);
    vi.spyOn(doc, 'circle').mockImplementation((x, y, radius) => {
      made.push([...off(x, y), radius]);
      // the page draws a circle of curves; only its centre and size are compared
      moves.mockImplementationOnce(move);
      return round(x, y, radius);
    });
    const write = sheet.line.bind(sheet);
    vi.spyOn(sheet, 'line').mockImplementation((text, x, y, style) => {
      made.push([text, off(0, y)[1], style.size]);
      write(text, x, y, style);
    });
    drawFigure(sheet, drawn, { ...at, width: widthOf(drawn) });
    return made;
  }

  function inFile(drawn: Figure): unknown[] {
    const group = svgOf(drawn).children.find((e) => e.attributes.has('transform'));
    if (group === undefined) throw new Error('no group');
    return everyElement(group).flatMap((e): unknown[] => {
      switch (e.name) {
        case 'polyline':
        case 'polygon':
          return [...pointsOf(e)];
        case 'circle':
          return [[number(e, 'cx'), number(e, 'cy'), number(e, 'r')]];
        case 'text':
          return [[e.text, number(e, 'y'), number(e, 'font-size')]];
        default:
          return [];
      }
    });
  }

  const hundredth = (v: number): number => Math.round(v * 100) / 100 + 0;

  for (const { title } of figuresOf({ results: RESULTS })) {
    test(`${title}: page and file have the same points, circles and words`, () => {
      const drawn = figure(new RegExp(`^${title.slice(0, 6)}`));
      const page = onPage(drawn, { x: 48, y: 100 });
      const file = inFile(drawn);
      expect(page.length).toBeGreaterThan(50);
      expect(page).toEqual(file);
    });
  }
});

interface Words {
  readonly text: string;
  readonly left: number;
  readonly right: number;
  readonly top: number;
  readonly bottom: number;
}

function wordsIn(shapes: readonly Shape[]): readonly Words[] {
  return shapes.flatMap((shape) => {
    if (shape.kind !== 'text' || shape.text === '') return [];
    const { text, at, style, anchor } = shape;
    const width = ruler.width(text, style);
    const left = at.x - { start: 0, middle: 0.5, end: 1 }[anchor] * width;
    const top = at.y - 0.76 * style.size;
    return [{ text, left, right: left + width, top, bottom: at.y + 0.2 * style.size }];
  });
}

/** Words that cover each other or stick out of the figure. */
function faults({ shapes, width, height }: Layout): readonly string[] {
  const words = wordsIn(shapes);
  const out = words
    .filter((w) => w.left < -0.1 || w.right > width + 0.1 || w.top < -1 || w.bottom > height + 0.1)
    .map((w) => `"${w.text}" sticks out`);
  const over = words.flatMap((a, i) =>
    words
      .slice(i + 1)
      .filter((b) => a.left < b.right - 0.3 && b.left < a.right - 0.3)
      .filter((b) => a.top < b.bottom && b.top < a.bottom)
      .map((b) => `"${a.text}" over "${b.text}"`),
  );
  return [...out, ...over];
}

describe('nothing overlaps or is cut', () => {
  const n = 60;
  const list = (of: (i: number) => number): Float64Array =>
    Float64Array.from({ length: n }, (_, i) => of(i));
  const step = (size: number, scale = 1): Evidence => ({
    kind: 'transition',
    time: list((i) => (i - 5) * 2e-4),
    command: list((i) => (i < 5 ? 0 : size)),
    torque: list((i) => size * (1 - Math.exp(-Math.max(0, i - 8) / 6)) * scale),
    marks: [0.1, 0.9].map((share) => ({
      time: (3 - 6 * Math.log(1 - share)) * 2e-4,
      torque: size * share * scale,
      share,
    })),
  });
  const smoothing = (points: readonly (readonly [lag: number, grain: number])[]): Evidence => ({
    kind: 'smoothing',
    points: points.map(([lag, grain], setting) => ({ setting, lag, grain })),
  });
  const extremes: readonly (readonly [string, string, Evidence])[] = [
    ['one setting', 'lag', smoothing([[0.0024, 0.05]])],
    [
      'equal settings',
      'lag',
      smoothing([
        [0.0024, 0.05],
        [0.0024, 0.05],
        [0.0024, 0.05],
      ]),
    ],
    [
      'lags below zero',
      'lag',
      smoothing([
        [-0.001, 0.05],
        [0.002, -0.01],
      ]),
    ],
    [
      'settings apart by powers of ten',
      'lag',
      smoothing([
        [1e-6, 1e-6],
        [100, 900],
        [1e4, 1e5],
      ]),
    ],
    ['a step down', 'rise-time', step(-3)],
    ['a step of 10⁶ N·m', 'rise-time', step(1e6)],
    ['a step of 1 µN·m', 'rise-time', step(1e-6)],
    ['a step that does not move', 'rise-time', step(3, 0)],
    ['an overshoot of nothing', 'overshoot', { ...step(3), marks: [] } as Evidence],
    [
      'values that are missing',
      'rise-time',
      { ...step(3), torque: list((i) => (i % 7 === 0 ? NaN : i)) } as Evidence,
    ],
    [
      'a flat response',
      'bandwidth',
      {
        kind: 'response',
        frequency: list((i) => 1 + i),
        gain: list(() => 0),
        angle: list(() => 0),
        coherence: list(() => 1),
      },
    ],
    [
      'a response with lines below zero',
      'bandwidth',
      {
        kind: 'response',
        frequency: list((i) => i - 3),
        gain: list((i) => -i),
        angle: list((i) => -i * 20),
        coherence: list((i) => i / n),
      },
    ],
    [
      'one rung',
      'stability-margin',
      {
        kind: 'ladder',
        points: [{ stiffness: 20, damping: 0.1, amplitude: 1 }],
        margin: 20,
        rule: 20,
        passive: 20,
      },
    ],
    ['one angle', 'cogging', { kind: 'angles', points: [{ angle: 1, value: -2 }], unit: 'mN·m' }],
    [
      'a loop of one level',
      'friction',
      {
        kind: 'loop',
        command: list(() => 2),
        torque: list(() => 2),
        width: 0,
        at: 2,
      },
    ],
    [
      'a spectrum of one level',
      'sound-level',
      {
        kind: 'spectrum',
        frequency: list((i) => i),
        level: list(() => 0),
        unit: 'dB(A)',
        marks: [
          { frequency: 5, level: 0, label: 'a' },
          { frequency: 5, level: 0, label: 'b' },
        ],
      },
    ],
  ];
  const limits = [
    ['as they are', undefined],
    ['far below the data', { kind: 'between', lower: -2e5, upper: -1e5 }],
    ['far above the data', { kind: 'at-least', lower: 1e7 }],
  ] as const;

  for (const [name, characteristic, evidence] of extremes) {
    for (const [where, tolerance] of limits) {
      test(`${name}, limits ${where}`, () => {
        const row = RESULTS.find((r) => r.limit.characteristic === 'rise-time') as Result;
        const limit = {
          ...row.limit,
          stage: 'x',
          characteristic,
          ...(tolerance === undefined ? {} : { tolerance }),
        };
        const outcome = { kind: 'measured', value: 0.0024, evidence } as const;
        const [plot] = plotsOf({ results: [{ ...row, limit, outcome }] });
        if (plot === undefined) throw new Error('no plot');
        const layout = layOut(plot.figure, widthOf(plot.figure), ruler);
        expect(faults(layout)).toEqual([]);
        const text = writeSvg(plot.figure, caption, ruler);
        expect(text).not.toMatch(/NaN|Infinity|undefined/);
        readXml(text);
      });
    }
  }

  test('the figures of a whole certificate', () => {
    for (const drawn of figuresOf({ results: RESULTS })) {
      expect(faults(layOut(drawn, widthOf(drawn), ruler)), drawn.title).toEqual([]);
    }
  });

  test('twelve labels at one point find twelve places', () => {
    const base = figure(/^Field/).panels[0];
    if (base === undefined) throw new Error('no panel');
    const labels = Array.from({ length: 12 }, (_, i) =>
      label([40, base.y.to], `label ${i}`, { along: 'anywhere' }),
    );
    const panel: Panel = { ...EMPTY, x: base.x, y: base.y, labels };
    const crowded: Figure = { ...figure(/^Field/), panels: [panel] };
    expect(faults(layOut(crowded, HALF, ruler))).toEqual([]);
  });
});

test('a one-sided limit is hatched where it does not allow anything, a two-sided one is grey between', () => {
  const base = figure(/^Field/).panels[0];
  if (base === undefined) throw new Error('no panel');
  const { x, y } = base;
  const middle = (y.from + y.to) / 2;
  const drawn = (bands: Panel['bands']): Figure => ({
    ...figure(/^Field/),
    panels: [{ ...EMPTY, x, y, bands }],
  });
  const oneSided = svgOf(drawn([{ y: [undefined, middle], edge: 'limit' }]));
  expect(ofClass(oneSided, 'band')).toEqual([]);
  const [edge] = ofClass(oneSided, 'limit').map(pointsOf);
  const at = edge?.[0]?.[1] ?? NaN;
  for (const [foot, tip] of ofClass(oneSided, 'hatch').map(pointsOf)) {
    expect(foot?.[1]).toBe(at);
    expect(tip?.[1]).toBeLessThan(at); // up the page: beyond an upper limit
  }
  const twoSided = svgOf(drawn([{ y: [y.from, middle], edge: 'limit' }]));
  expect(ofClass(twoSided, 'band')).toHaveLength(1);
});

describe('plots of a run', () => {
  test('a folder is made; a file, or a place below one, is refused before anything else happens', () => {
    const folder = temporaryFolder();
    expect(preparePlots(join(folder, 'a', 'b'))).toEqual([]);
    expect(existsSync(join(folder, 'a', 'b'))).toBe(true);
    writeFileSync(join(folder, 'file'), 'x');
    expect(preparePlots(join(folder, 'file'))).toEqual([
      {
        code: 'storage/unwritable',
        what: `--plots ${join(folder, 'file')}: plots cannot be written there: it is a file, not a folder.`,
        fix: 'Name a folder that you may write to with --plots.',
      },
    ]);
    const [below] = preparePlots(join(folder, 'file', 'x'));
    expect(below?.code).toBe('storage/unwritable');
    expect(readFileSync(join(folder, 'file'), 'utf8')).toBe('x');
  });

  for (const kind of ['accept', 'reject', 'hold', 'gate'] as const) {
    test(`${kind}: a file for each reading with evidence, with item, verdict of the row and the mark`, async () => {
      const folder = temporaryFolder();
      const certificate = sampleCertificate(kind, true);
      const { results } = certificate.decision;
      const issued = { certificate, sources: { results } };
      const paths = await writePlots(issued, folder);
      const names = plotsOf({ results }).map((p) => `${p.stage}.${p.characteristic}.svg`);
      expect(paths).toEqual(names.map((name) => join(folder, name)));
      expect(readdirSync(folder).sort()).toEqual([...names].sort());
      for (const path of paths) {
        const text = readFileSync(path, 'utf8');
        expect(text.split(SIMULATED_MARK)).toHaveLength(3); // title and picture
        expect(readXml(text).children[1]?.text).toContain(`Item ${certificate.serial}, attempt 1`);
      }
    });
  }

  test('a file that cannot be written says that the record is complete all the same', async () => {
    const folder = temporaryFolder();
    const certificate = sampleCertificate();
    const { results } = certificate.decision;
    mkdirSync(join(folder, 'steps-2.rise-time.svg'));
    await expect(writePlots({ certificate, sources: { results } }, folder)).rejects.toMatchObject({
      problems: [{ code: 'storage/unwritable', fix: expect.stringContaining('record') as string }],
    });
  });
});
