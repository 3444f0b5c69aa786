import { describe, expect, test } from 'vitest';
import { linearAxis, ratioAxis, stepFor } from '../../src/certificate/axis.js';
import type { Figure, Panel, Pen } from '../../src/certificate/figure.js';
import { figuresOf } from '../../src/certificate/figures.js';
import type { Result } from '../../src/decision/decision.js';
import type { Evidence, Score } from '../../src/scoring/scoring.js';
import { sampleCertificate } from '../support/sample-certificate.js';

const RESULTS = sampleCertificate().decision.results;

function result(key: string): Result {
  const found = RESULTS.find((r) => `${r.limit.stage}.${r.limit.characteristic}` === key);
  if (found === undefined) throw new Error(`no ${key} in the sample`);
  return found;
}

function figure(title: RegExp, results: readonly Result[] = RESULTS): Figure {
  const found = figuresOf({ results }).find((f) => title.test(f.title));
  if (found === undefined) throw new Error(`no figure ${title.source}`);
  return found;
}

function panelOf(of: Figure, at = 0): Panel {
  const panel = of.panels[at];
  if (panel === undefined) throw new Error(`${of.title} has no panel ${at}`);
  return panel;
}

const linesOf = (panel: Panel, pen: Pen): Panel['lines'] =>
  panel.lines.filter((l) => l.pen === pen);

test('a full run yields five figures in the order of the page, each with words for those who cannot see it', () => {
  const figures = figuresOf({ results: RESULTS });
  expect(figures.map((f) => f.title)).toEqual([
    'Step of 3 N·m',
    'Full step, −12 to 12 N·m',
    'Frequency response',
    'Lag against grain',
    'Field pattern',
  ]);
  for (const { alternative } of figures) expect(alternative.length).toBeGreaterThan(60);
});

test('every point, ring, disc and band is a number on an axis that covers the rings', () => {
  for (const { panels } of figuresOf({ results: RESULTS })) {
    for (const p of panels) {
      for (const { x, y } of p.rings) {
        expect(x).toBeGreaterThan(p.x.from);
        expect(x).toBeLessThan(p.x.to);
        expect(y).toBeGreaterThan(p.y.from);
        expect(y).toBeLessThan(p.y.to);
      }
      for (const line of p.lines) {
        expect(line.x.length).toBe(line.y.length);
        expect(Array.from(line.x).concat(Array.from(line.y)).every(Number.isFinite)).toBe(true);
      }
      for (const axis of [p.x, p.y]) {
        expect(axis.ticks.length).toBeGreaterThan(1);
        expect(axis.ticks.length).toBeLessThan(10);
        expect(axis.label).toMatch(/, /); // quantity and unit in words
      }
    }
  }
});

describe('step', () => {
  const panel = panelOf(figure(/^Step/));

  test('two rings at 10 % and 90 % of 3 N·m, the dimension between them is the rise time', () => {
    expect(panel.rings.map((r) => r.y)).toEqual([expect.closeTo(0.3, 9), expect.closeTo(2.7, 9)]);
    const [one, two] = panel.rings;
    expect(panel.dimensions).toEqual([expect.objectContaining({ from: one?.x, to: two?.x })]);
    expect((two?.x ?? 0) - (one?.x ?? 0)).toBeCloseTo(2.67, 1); // two poles at 200 Hz
  });

  test('the value is read off in bold, what is allowed beside it', () => {
    const strong = panel.notes.filter((n) => n.strong).map((n) => n.text.trim());
    expect(strong).toEqual(['2.710 ± 0.060 ms']);
    expect(panel.notes.map((n) => n.text.trim())).toContain('allowed 2.30 … 3.10');
    expect(panel.notes.map((n) => n.text.trim())).toContain('settled after 6.10 ± 0.20 ms');
  });

  test('the command is held until the next is latched: corners, no slopes', () => {
    const [command] = linesOf(panel, 'commanded');
    if (command === undefined) throw new Error('no command is drawn');
    for (let i = 1; i < command.x.length; i += 1) {
      expect(command.x[i] === command.x[i - 1] || command.y[i] === command.y[i - 1]).toBe(true);
    }
  });

  test('a rise time that was refused is drawn as well', () => {
    const slow = { ...result('steps-0.rise-time') };
    const evidence = result('steps-2.rise-time').outcome;
    const refused = {
      ...slow,
      outcome: evidence,
      verdict: { outcome: 'nonconforming' } as const,
    };
    const shown = figuresOf({ results: [...RESULTS, refused] }).flatMap((f) => f.shows ?? []);
    expect(shown.filter((s) => s === 'steps-0.rise-time')).toHaveLength(1);
  });
});

test('full step: rings at 20 % and 80 % of −12 to 12 N·m', () => {
  const panel = panelOf(figure(/^Full step/));
  expect(panel.rings.map((r) => r.y)).toEqual([expect.closeTo(-7.2, 9), expect.closeTo(7.2, 9)]);
});

describe('frequency response', () => {
  const response = figure(/^Frequency/);

  test('gain: −3 dB construction to the bandwidth, its limits as band, peaking as limit line', () => {
    const panel = panelOf(response);
    expect(panel.x.scale).toBe('logarithmic');
    expect(panel.rings).toEqual([{ x: 126.4, y: -3 }]);
    expect(panel.bands).toEqual([{ x: [108, 146] }]);
    const limits = linesOf(panel, 'limit').map((l) => [l.x[0], l.y[0]]);
    expect(limits.slice(0, 2).map(([x]) => x)).toEqual([108, 146]);
    expect(limits[2]?.[1]).toBe(1);
  });

  test('phase: −90° construction to its frequency', () => {
    const panel = panelOf(response, 1);
    expect(panel.rings).toEqual([{ x: 111.2, y: -90 }]);
    expect(panel.bands).toEqual([{ x: [95, 130] }]);
  });
});

test('lag against grain: discs joined in order, the setting of record filled, its limits boxed', () => {
  const panel = panelOf(figure(/^Lag/));
  expect(panel.discs.map((d) => d.text)).toEqual(['0', '1', '2', '3', '4', '5']);
  expect(panel.discs.filter((d) => d.filled).map((d) => d.text)).toEqual(['2']);
  expect(panel.bands).toEqual([{ x: [1.95, 2.85], y: [35, 62] }]);
  const [curve] = linesOf(panel, 'nominal');
  expect(Array.from(curve?.x ?? [])).toEqual(panel.discs.map((d) => d.x));
});

test('swapped settings 3 and 4 make the curve double back', () => {
  const swapped = RESULTS.map((r): Result => {
    if (r.outcome.kind !== 'measured' || r.outcome.evidence?.kind !== 'smoothing') return r;
    const points = r.outcome.evidence.points.map((p, i, all) => {
      const other = i === 3 ? all[4] : i === 4 ? all[3] : p;
      return { ...(other ?? p), setting: p.setting };
    });
    return { ...r, outcome: { ...r.outcome, evidence: { kind: 'smoothing', points } } };
  });
  const xs = panelOf(figure(/^Lag/, swapped)).discs.map((d) => d.x);
  expect((xs[3] ?? 0) > (xs[4] ?? 0)).toBe(true);
});

test('field pattern: 80 ms where the command changes most', () => {
  const jump: Evidence = {
    kind: 'trace',
    time: Float64Array.from({ length: 2001 }, (_, i) => i / 100),
    command: Float64Array.from({ length: 2001 }, (_, i) => (i < 1234 ? 1 : 5)),
    torque: new Float64Array(2001),
  };
  const results = RESULTS.map((r): Result =>
    r.limit.characteristic === 'lag-updates' && r.outcome.kind === 'measured'
      ? { ...r, outcome: { ...r.outcome, evidence: jump } }
      : r,
  );
  const panel = panelOf(figure(/^Field/, results));
  expect([panel.x.from, panel.x.to]).toEqual([0, expect.closeTo(80, 9)]);
  const [command] = linesOf(panel, 'commanded');
  expect(new Set(Array.from(command?.y ?? []))).toEqual(new Set([1, 5]));
});

describe('what is missing', () => {
  test('no evidence, no figure', () => {
    expect(figuresOf({ results: [] })).toEqual([]);
    const bare = RESULTS.map((r): Result =>
      r.outcome.kind === 'measured'
        ? { ...r, outcome: { kind: 'measured', value: r.outcome.value } }
        : r,
    );
    expect(figuresOf({ results: bare })).toEqual([]);
  });

  test('a score without a limit has its curve but no band, ring or allowance', () => {
    const { outcome } = result('frequency-response.bandwidth');
    const score: Score = { stage: 'x', characteristic: 'bandwidth', side: 'motor', outcome };
    const [only] = figuresOf({ results: [], scores: [score] });
    if (only === undefined) throw new Error('no figure was drawn');
    const panel = panelOf(only);
    expect(linesOf(panel, 'produced')).toHaveLength(1);
    expect([panel.bands, panel.rings, panel.notes]).toEqual([[], [], []]);
  });

  test('a score that has a limit is drawn once', () => {
    const row = result('frequency-response.bandwidth');
    const score: Score = { ...row.limit, side: row.side, outcome: row.outcome };
    expect(figuresOf({ results: RESULTS, scores: [score] })).toHaveLength(5);
  });

  test('no point of a curve, or one, draws nothing and breaks nothing', () => {
    const empty = new Float64Array(0);
    const kinds: readonly Evidence[] = [
      { kind: 'transition', time: empty, command: empty, torque: empty, marks: [] },
      { kind: 'response', frequency: empty, gain: empty, angle: empty, coherence: empty },
      { kind: 'smoothing', points: [] },
      { kind: 'trace', time: empty, command: empty, torque: empty },
    ];
    for (const evidence of kinds) {
      const results = RESULTS.map((r): Result =>
        r.outcome.kind === 'measured' ? { ...r, outcome: { ...r.outcome, evidence } } : r,
      );
      expect(figuresOf({ results })).toEqual([]);
    }
  });
});

describe('axes', () => {
  const steps = [
    [0.9, 1],
    [1, 1],
    [1.01, 2],
    [2.2, 2.5],
    [0.03, 0.05],
    [51, 100],
  ] as const;
  for (const [least, want] of steps) {
    test(`the readable step not below ${least} is ${want}`, () => {
      expect(stepFor(least)).toBe(want);
    });
  }

  test('a linear axis covers its range with ticks at both ends', () => {
    expect(linearAxis('x', 0.2, 75, 4)).toEqual({
      label: 'x',
      from: 0,
      to: 80,
      scale: 'linear',
      ticks: [0, 20, 40, 60, 80],
    });
    expect(linearAxis('x', 3, 3, 4).ticks.length).toBeGreaterThan(1);
  });

  test('an equal-ratio axis has ticks at 1, 2 and 5', () => {
    expect(ratioAxis('x', 0.64, 14.8).ticks).toEqual([0.5, 1, 2, 5, 10, 20]);
  });
});
