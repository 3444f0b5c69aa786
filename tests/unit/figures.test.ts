import { describe, expect, test } from 'vitest';
import { angleAxis, linearAxis, ratioAxis, stepFor, tickText } from '../../src/certificate/axis.js';
import type { Figure, Panel, Pen } from '../../src/certificate/figure.js';
import type { Of } from '../../src/certificate/figure-sources.js';
import { figuresOf, plotsOf } from '../../src/certificate/figures.js';
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
    'Lag against grain, setting by setting',
    'Field pattern',
  ]);
  for (const { alternative } of figures) expect(alternative.length).toBeGreaterThan(60);
});

test('every point, marker and band is a number on an axis that covers the markers', () => {
  for (const { panels } of figuresOf({ results: RESULTS })) {
    for (const p of panels) {
      for (const { x, y } of p.markers) {
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

/** Every line of words on a panel; strong ones alone if asked. */
const wordsOn = (panel: Panel, strong?: true): readonly string[] =>
  panel.labels
    .flatMap((l) => l.lines)
    .filter((l) => strong === undefined || l.strong)
    .map((l) => l.text);

function plot(key: string, results: readonly Result[] = RESULTS): Figure {
  const found = plotsOf({ results }).find((p) => `${p.stage}.${p.characteristic}` === key);
  if (found === undefined) throw new Error(`no plot ${key}`);
  return found.figure;
}

describe('step', () => {
  const panel = panelOf(plot('steps-2.rise-time'));

  test('rings at 10 %, 50 % and 90 % of 3 N·m, the dimension between the outer ones is the rise time', () => {
    expect(panel.markers.map((r) => r.y)).toEqual(
      [0.3, 1.5, 2.7].map((y) => expect.closeTo(y, 9) as number),
    );
    const [one, , two] = panel.markers;
    const [dimension] = panel.dimensions;
    expect([dimension?.from.x, dimension?.to.x]).toEqual([one?.x, two?.x]);
    expect((two?.x ?? 0) - (one?.x ?? 0)).toBeCloseTo(2.67, 1); // two poles at 200 Hz
  });

  test('a level line runs from the axis to each ring', () => {
    const levels = linesOf(panel, 'construction').filter((l) => l.y[0] === l.y[1]);
    for (const { x, y } of panel.markers) {
      expect(levels.some((l) => l.x[0] === panel.x.from && l.x[1] === x && l.y[1] === y)).toBe(
        true,
      );
    }
  });

  test('value, levels and times are written with their units, the value in bold', () => {
    expect(wordsOn(panel, true)).toEqual(['2.710 ± 0.060 ms']);
    expect(wordsOn(panel)).toContain('allowed 2.30 … 3.10 ms');
    expect(wordsOn(panel)).toContain('90 %: 2.70 N·m at 3.71 ms');
    expect(wordsOn(panel)).toContain('100 %: 3.00 N·m');
  });

  test('settling: the band with its levels, a close-up, the limit as a band in time', () => {
    const { panels } = plot('steps-2.settling-time');
    expect(panels).toHaveLength(2);
    for (const p of panels) {
      expect(p.bands).toContainEqual({ y: [2.94, 3.06], edge: 'construction' });
      expect(p.bands).toContainEqual({ x: [undefined, 8], edge: 'limit' });
      expect(p.dimensions[0]?.to.x).toBeCloseTo(6.1, 9);
      expect(wordsOn(p, true)).toEqual(['settled after 6.10 ± 0.20 ms']);
    }
    expect(wordsOn(panelOf({ ...plot('steps-2.settling-time') }))).toContain(
      '±2 % band: 2.94 … 3.06 N·m',
    );
  });

  test('the page shows rise and settling in one figure', () => {
    const both = figure(/^Step/);
    expect(both.shows).toEqual(['steps-2.rise-time', 'steps-2.settling-time']);
    expect(wordsOn(panelOf(both), true)).toEqual([
      '2.710 ± 0.060 ms',
      'settled after 6.10 ± 0.20 ms',
    ]);
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

test('full step: rings at 20 % and 80 % of −12 to 12 N·m, and the chord through them', () => {
  const panel = panelOf(figure(/^Full step/));
  expect(panel.markers.map((r) => r.y)).toEqual([expect.closeTo(-7.2, 9), expect.closeTo(7.2, 9)]);
  const [one, two] = panel.markers;
  const slope = ((two?.y ?? 0) - (one?.y ?? 0)) / ((two?.x ?? 0) - (one?.x ?? 0));
  const chord = linesOf(panel, 'construction').find((l) => l.x[0] !== l.x[1] && l.y[0] !== l.y[1]);
  const ends = [chord?.x[0] ?? 0, chord?.x[1] ?? 0, chord?.y[0] ?? 0, chord?.y[1] ?? 0] as const;
  expect((ends[3] - ends[2]) / (ends[1] - ends[0])).toBeCloseTo(slope, 9);
});

describe('frequency response', () => {
  const response = figure(/^Frequency/);

  test('gain: −3 dB construction to the bandwidth, its limits and that of peaking as bands', () => {
    const panel = panelOf(response);
    expect(panel.x.scale).toBe('logarithmic');
    expect(panel.markers[0]).toEqual({ shape: 'ring', x: 126.4, y: -3 });
    expect(panel.bands).toEqual([
      { x: [108, 146], edge: 'limit' },
      { y: [undefined, 1], edge: 'limit' },
    ]);
    const lines = linesOf(panel, 'construction').map(({ x, y }) => [x[0], y[0], x[1], y[1]]);
    expect(lines).toEqual([
      [panel.x.from, -3, 126.4, -3],
      [126.4, -3, 126.4, panel.y.from],
    ]);
    expect(wordsOn(panel)).toEqual(expect.arrayContaining(['−3 dB', '108 Hz', '146 Hz']));
  });

  test('phase: −90° construction to its frequency', () => {
    const panel = panelOf(response, 1);
    expect(panel.markers).toEqual([{ shape: 'ring', x: 111.2, y: -90 }]);
    expect(panel.bands).toEqual([{ x: [95, 130], edge: 'limit' }]);
    expect(wordsOn(panel)).toContain('−90°');
  });

  test('coherence: with the limit of its gate, without one when the gate was not asked for', () => {
    expect(panelOf(response, 2).bands).toEqual([]);
    const gate = sampleCertificate().decision.gates[0];
    if (gate === undefined) throw new Error('the sample has gates');
    const gates = [{ ...gate, id: 'coherence', scope: 'frequency-response', allowed: 0.9 }];
    const [drawn] = figuresOf({ results: RESULTS, gates }).filter((f) => /^Freq/.test(f.title));
    if (drawn === undefined) throw new Error('no response');
    expect(panelOf(drawn, 2).bands).toEqual([{ y: [0.9, undefined], edge: 'limit' }]);
    expect(wordsOn(panelOf(drawn, 2))).toEqual(['limit ≥ 0.9']);
  });
});

describe('lag against grain', () => {
  const sweep = (points: Of<'smoothing'>['points'], curve?: Of<'smoothing'>['curve']): Panel => {
    const evidence = {
      kind: 'smoothing',
      points,
      ...(curve === undefined ? {} : { curve }),
    } as const;
    const results = RESULTS.map((r): Result =>
      r.outcome.kind === 'measured' && r.outcome.evidence?.kind === 'smoothing'
        ? { ...r, outcome: { ...r.outcome, evidence } }
        : r,
    );
    return panelOf(figure(/^Lag/, results));
  };
  const settingsOn = (panel: Panel): readonly string[] =>
    wordsOn(panel, true).filter((text) => /^[\d, ]+$/.test(text));

  test('points joined in order, numbers beside them, the setting of record filled, its limits boxed', () => {
    const panel = panelOf(figure(/^Lag/));
    expect(settingsOn(panel)).toEqual(['0', '1', '2', '3', '4', '5']);
    expect(panel.markers.map((m) => m.shape)).toEqual(['dot', 'dot', 'disc', 'dot', 'dot', 'dot']);
    expect(panel.bands).toEqual([{ x: [1.95, 2.85], y: [35, 62], edge: 'limit' }]);
    const [curve] = linesOf(panel, 'joined');
    expect(Array.from(curve?.x ?? [])).toEqual(panel.markers.map((m) => m.x));
    expect(linesOf(panel, 'nominal')).toEqual([]);
  });

  test('the order is scored in the figure: the closest pairs in lag and in grain, with their limits', () => {
    const panel = panelOf(figure(/^Lag/));
    expect(wordsOn(panel).filter((text) => / to /.test(text))).toEqual([
      'lag 0 to 1: 0.790 ± 0.060 ms (≥ 0.40 ms)',
      'grain 0 to 1: 0.860 ± 0.020 (≤ 0.93)',
    ]);
    expect(panel.dimensions.map((d) => [d.from.x, d.to.x])).toEqual([
      [0.8, 1.59],
      [0.8, 0.8],
    ]);
  });

  test('points out of order are joined by setting', () => {
    const points = [2, 0, 1].map((s) => ({
      setting: s,
      lag: 0.001 * (s + 1),
      grain: 0.05 - s / 100,
    }));
    const [curve] = linesOf(sweep(points), 'joined');
    expect(Array.from(curve?.x ?? [])).toEqual([1, 2, 3]);
  });

  test('swapped settings make the curve double back', () => {
    const lags = [0.8, 1.6, 2.4, 7.2, 4, 13.5];
    const panel = sweep(lags.map((lag, setting) => ({ setting, lag: lag / 1000, grain: 0.05 })));
    const xs = panel.markers.map((m) => m.x);
    expect((xs[3] ?? 0) > (xs[4] ?? 0)).toBe(true);
  });

  test('the curve of the model is dotted beside the points when it is known', () => {
    const curve = [
      { lag: 0.0008, grain: 0.072 },
      { lag: 0.0135, grain: 0.0035 },
    ];
    const [drawn] = linesOf(sweep([{ setting: 2, lag: 0.0024, grain: 0.05 }], curve), 'nominal');
    expect([Array.from(drawn?.x ?? []), Array.from(drawn?.y ?? [])]).toEqual([
      [0.8, 13.5],
      [72, 3.5],
    ]);
  });

  test('settings that came out alike share one label', () => {
    const points = [0, 1, 2].map((setting) => ({ setting, lag: 0.0024, grain: 0.05 }));
    expect(settingsOn(sweep(points))).toEqual(['0, 1, 2']);
  });

  test('a lag below zero, which has no place on equal ratios, makes the axis linear', () => {
    const panel = sweep([
      { setting: 0, lag: -0.0004, grain: 0.07 },
      { setting: 1, lag: 0.0015, grain: 0.05 },
    ]);
    expect(panel.x.scale).toBe('linear');
    expect(panel.x.from).toBeLessThanOrEqual(-0.4);
  });
});

describe('other kinds of evidence', () => {
  const drawn = (evidence: Evidence, characteristic = 'bandwidth', value = 1): Figure => {
    const row = result('frequency-response.bandwidth');
    const limit = { ...row.limit, stage: 'other', characteristic };
    const outcome = { kind: 'measured', value, evidence } as const;
    return plot(`other.${characteristic}`, [{ ...row, name: 'some property', limit, outcome }]);
  };

  test('sound spectrum: unit on the axis, marked lines with level and frequency', () => {
    const panel = panelOf(
      drawn({
        kind: 'spectrum',
        frequency: Float64Array.of(10, 100, 1000),
        level: Float64Array.of(20, 40, 30),
        unit: 'dB(A)',
        marks: [{ frequency: 100, level: 40, label: 'tone' }],
      }),
    );
    expect([panel.x.label, panel.y.label]).toEqual(['frequency, Hz', 'level, dB(A)']);
    expect(wordsOn(panel)).toContain('tone: 40 dB(A) at 100 Hz');
  });

  test('ladder: a line of its own pen for each bound on stiffness, none where a bound is missing', () => {
    const points = [20, 60].map((stiffness) => ({
      stiffness,
      damping: 3 / stiffness,
      amplitude: 1,
    }));
    const ladder = { kind: 'ladder', points, margin: 75, rule: 102, passive: NaN } as const;
    const panel = panelOf(drawn(ladder));
    expect(linesOf(panel, 'measured').map((l) => l.x[0])).toEqual([75]);
    expect(linesOf(panel, 'construction').map((l) => l.x[0])).toEqual([102]);
    expect(linesOf(panel, 'nominal')).toEqual([]);
    expect(wordsOn(panel)).toContain('linear rule 102 N·m/rad');
  });

  test('angles: radians become degrees, points joined by angle', () => {
    const points = [Math.PI, 0].map((angle) => ({ angle, value: angle }));
    const panel = panelOf(drawn({ kind: 'angles', points, unit: 'mN·m' }));
    expect(panel.markers.map((m) => m.x)).toEqual([0, 180]);
    expect(panel.x.label).toBe('locked angle, °');
  });

  test('loop: opened up, the two branches are their width apart', () => {
    const n = 400;
    const turn = (i: number): number => (2 * Math.PI * i) / n;
    const command = Float64Array.from({ length: n + 1 }, (_, i) => 6 * Math.sin(turn(i)));
    const torque = command.map((c, i) => c - 0.025 * Math.sign(Math.cos(turn(i))));
    const panel = panelOf(drawn({ kind: 'loop', command, torque, width: 0.05, at: 1 }), 1);
    const [low, high] = panel.markers.map((m) => m.y);
    expect((high ?? 0) - (low ?? 0)).toBeCloseTo(50, 6);
    expect(wordsOn(panel)).toContain('width 50.0 mN·m at 1 N·m');
  });

  test('overshoot: peak and final level, upwards and downwards', () => {
    for (const way of [1, -1]) {
      const time = Float64Array.from({ length: 100 }, (_, i) => i * 1e-4);
      const torque = time.map((_, i) => way * (i < 10 ? 0 : i === 30 ? 3.3 : 3));
      const command = time.map(() => way * 3).fill(0, 0, 5);
      const step = { kind: 'transition', time, command, torque, marks: [] } as const;
      const words = wordsOn(panelOf(drawn(step, 'overshoot', 0.1)));
      const sign = way < 0 ? '−' : '';
      expect(words).toContain(`peak: ${sign}3.30 N·m`);
      expect(words).toContain(`final level: ${sign}3.00 N·m`);
    }
  });
});

test('each reading with evidence has a plot of its own, in words as well', () => {
  const plots = plotsOf({ results: RESULTS });
  const withEvidence = RESULTS.filter(
    (r) => r.outcome.kind === 'measured' && r.outcome.evidence !== undefined,
  );
  expect(plots).toHaveLength(withEvidence.length);
  expect(plots.find((p) => p.characteristic === 'rise-time')?.words).toBe(
    `${result('steps-2.rise-time').name}: 2.710 ± 0.060 ms, allowed 2.30 … 3.10 ms; inside`,
  );
});

test('a value that does not count says so where its limits would stand', () => {
  const row = result('steps-2.rise-time');
  const verdict = { outcome: 'invalid', reasons: ['gate "x"'] } as const;
  const panel = panelOf(plot('steps-2.rise-time', [{ ...row, verdict }]));
  expect(wordsOn(panel)).toContain('does not count: see the gates');
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

  test('a score without a limit has its curve and its value but no band and no allowance', () => {
    const { outcome } = result('frequency-response.bandwidth');
    const score: Score = { stage: 'x', characteristic: 'bandwidth', side: 'motor', outcome };
    const [only] = figuresOf({ results: [], scores: [score] });
    if (only === undefined) throw new Error('no figure was drawn');
    const panel = panelOf(only);
    expect(linesOf(panel, 'produced')).toHaveLength(1);
    expect(panel.bands).toEqual([]);
    expect(wordsOn(panel)).toEqual(['−3 dB', '−3 dB at 126.4 Hz']);
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
      { kind: 'loop', command: empty, torque: empty, width: 0, at: 0 },
      { kind: 'spectrum', frequency: empty, level: empty, unit: 'dB' },
      { kind: 'ladder', points: [], margin: 1, rule: 1, passive: 1 },
      { kind: 'angles', points: [], unit: 'N·m' },
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

  test('an equal-ratio axis over many powers of ten keeps few ticks', () => {
    const { ticks } = ratioAxis('x', 1e-6, 1e6);
    expect(ticks.length).toBeLessThan(10);
    expect(ticks.every((t) => Number.isInteger(Math.round(Math.log10(t) * 1e9) / 1e9))).toBe(true);
  });

  test('an axis of degrees has ticks at parts of a turn', () => {
    expect(angleAxis('x', -180, 165).ticks).toEqual([-180, -135, -90, -45, 0, 45, 90, 135, 180]);
  });

  const texts = [
    [0, '0'],
    [-0.25, '−0.25'],
    [20000, '20000'],
    [1e6, '10⁶'],
    [-2.5e-7, '−2.5·10⁻⁷'],
  ] as const;
  for (const [value, want] of texts) {
    test(`the tick ${value} reads ${want}`, () => {
      expect(tickText(value)).toBe(want);
    });
  }
});
