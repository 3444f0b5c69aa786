import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { Problem } from '../../src/base/error.js';
import { isNote } from '../../src/base/report.js';
import { DECISION_RULES } from '../../src/procedure/limits.js';
import { readLimits, readProcedure, readStation } from '../../src/procedure/schema.js';
import { checkPlan, planOf } from '../../src/run/plan.js';
import type { Catalogue, Documents } from '../../src/run/plan.js';
import { CHARACTERISTICS, GATES } from '../../src/scoring/catalogue.js';
import type { Characteristic } from '../../src/scoring/scoring.js';
import { budgetOf } from '../support/budget.js';

const PROCEDURE = `procedure: small
title: Small procedure
issue: 1
date: 2026-01-02
model:
  code: H12
  name: Small
  gtin: '09520123401207'
  revision: A
  serial: '^H12-[0-9]+$'
  torque-constant: 0.6 N·m/A
  resistance: 0.35 Ω
  continuous-loss: 52 W
  slew: 6 N·m/ms
  firmware: ['1']
rated: 6 N·m
ceiling: 12.5 N·m
ambient: { from: 18 °C, to: 28 °C }
supply: { from: 47 V, to: 49 V }
attempts: 1
warnings:
  - hazard: crushing
    signal: WARNING
    sign: W024
    issue: 1
    texts: { en: { heading: a, hazard: b, consequence: c, avoidance: d } }
  - hazard: sudden-torque
    signal: WARNING
    sign: W001
    issue: 1
    texts: { en: { heading: a, hazard: b, consequence: c, avoidance: d } }
stages:
  - id: zero
    title: Zero
    power: none
    pattern: { kind: hold, level: 0 N·m, duration: 2 s }
    gates: { zero-return: }
  - id: steps
    title: Steps
    power: applied
    pattern: { kind: step, levels: [0 N·m, 3 N·m], hold: 60 ms }
    reads:
      rise-time:
      settling-time: { band: 2 % }
  - id: sweep
    title: Sweep
    power: applied
    smoothing: [0, 1, 2]
    pattern: { kind: staircase, rate: 100 Hz, of: { kind: sine, amplitude: 6 N·m, frequency: 1 Hz, duration: 2 s } }
    reads:
      lag: { smoothing: 2 count }
`;

const LIMITS = `limits: SMALL
title: Small limits
issue: 1
date: 2026-01-02
procedure: { id: small, issue: 1 }
rule: guarded
rows:
  steps.rise-time: { label: rise, from: 0.4 ms, to: 0.8 ms }
  steps.settling-time: { label: settling, to: 8 ms, rule: simple }
  sweep.lag: { label: lag, from: 1.95 ms, to: 2.85 ms }
`;

const BENCH = `bench: B-1
kind: simulated
maker: { name: M, address: A }
place: P
nest: 1
range: { torque: 20 N·m, current: 30 A }
sample-rate: 20 kHz
shunt: 5 N·m
instruments:
  - { id: T, what: t, serial: s, quantity: torque, range: r, calibrations: [{ certificate: c, laboratory: l, calibrated: 2026-01-01, due: 2027-01-01, uncertainty: u }] }
stand: [{ version: 1, characterized: 2026-01-01T00:00:00Z, resonance: { value: 361 Hz, U: 4 Hz }, damping: { value: 3 %, U: 0.4 % }, compliance: { value: 149.3 µrad/(N·m), U: 3 µrad/(N·m) }, torque-delay: { value: 0.34 ms, U: 0.05 ms }, current-delay: { value: 0 ms, U: 0.02 ms } }]
uncertainty:
  version: 1
  date: 2026-01-01
  budgets:
    rise-time: [{ what: all, from: judgement, why: w, absolute: 0.06 ms, distribution: normal, k: 2 }]
    lag: [{ what: all, from: judgement, why: w, absolute: 0.06 ms, distribution: normal, k: 2 }]
`;

function entry(id: string, more: Partial<Characteristic>): Characteristic {
  return {
    id,
    name: id,
    definition: id,
    formula: id,
    shifts: 'nothing',
    gates: [],
    dimension: 'time',
    unit: 'ms',
    side: 'motor',
    from: ['step'],
    power: 'on',
    takes: 1,
    options: {},
    source: 'made up for this test',
    check: 'none',
    score: () => ({ kind: 'not-evaluated', reason: 'not scored here' }),
    ...more,
  };
}

const catalogue: Catalogue = {
  characteristics: [
    entry('rise-time', {}),
    entry('settling-time', { options: { band: { dimension: 'ratio', default: 0.02 } } }),
    entry('shaft-overshoot', { dimension: 'ratio', unit: '%' }),
    entry('lag', { from: ['staircase'], takes: 1, options: { smoothing: { dimension: 'count' } } }),
    entry('lag-increase', { from: ['staircase'], takes: 3 }),
    entry('thermal-fade', { from: ['hold'], dimension: 'ratio', unit: '%' }),
  ],
  gates: [
    {
      id: 'zero-return',
      name: 'zero return',
      definition: 'made up for this test',
      blames: 'stand',
      concern: 'stand',
      sense: 'at-most',
      reach: 'run',
      stops: false,
      from: ['hold'],
      power: 'off',
      options: { allowance: { dimension: 'torque', default: 0.015 } },
      source: 'made up for this test',
      judge: () => {
        throw new Error('not judged here');
      },
    },
  ],
};

interface Texts {
  readonly procedure: string;
  readonly limits: string;
  readonly bench: string;
}
const TEXTS: Texts = { procedure: PROCEDURE, limits: LIMITS, bench: BENCH };

function documentsOf({ procedure, limits, bench }: Texts): Documents {
  return {
    procedure: readProcedure(procedure, 'p.yaml', () => undefined),
    limits: readLimits(limits, 'l.yaml'),
    station: readStation(bench, 'b.yaml'),
  };
}

function changed(kind: keyof Texts, old: string, now: string): readonly Problem[] {
  expect(TEXTS[kind]).toContain(old);
  return checkPlan(
    documentsOf({ ...TEXTS, [kind]: TEXTS[kind].replace(old, () => now) }),
    catalogue,
  );
}

test('documents that fit together have no problem', () => {
  expect(checkPlan(documentsOf(TEXTS), catalogue)).toEqual([]);
});

test('the plan names what each stage asks, how long it lasts and which limits wait for it', () => {
  const plan = planOf(documentsOf(TEXTS), catalogue);
  expect(plan.stages.map(({ limits }) => limits.length)).toEqual([0, 2, 1]);
  expect(plan.stages.map(({ bounds }) => bounds.peak)).toEqual([0, 3, expect.closeTo(6, 1)]);
  expect(plan.duration).toBeCloseTo(2 + 0.12 + 3 * 2, 9);
  // Only the sweep heats to speak of: 1.5 · 0.35 Ω · (6 N·m / √2 / 0.6 N·m/A)² for 6 s of 8.12 s.
  expect(plan.meanLoss).toBeCloseTo((1.5 * 0.35 * 50 * 6 + 1.5 * 0.35 * 12.5 * 0.12) / 8.12, 1);
  expect(plan.notes).toEqual([]);
});

const cases: readonly {
  readonly name: string;
  readonly kind: keyof Texts;
  readonly old: string;
  readonly now: string;
  readonly code: string;
  readonly line: number;
  readonly fix?: string;
}[] = [
  {
    name: 'limits of another procedure',
    kind: 'limits',
    old: 'id: small',
    now: 'id: other',
    code: 'document/mismatch',
    line: 1,
  },
  {
    name: 'limits of another issue',
    kind: 'limits',
    old: 'small, issue: 1',
    now: 'small, issue: 2',
    code: 'document/mismatch',
    line: 1,
  },
  {
    name: 'a transducer range of 14 N·m, below 1.2 ceilings',
    kind: 'bench',
    old: 'torque: 20 N·m',
    now: 'torque: 14 N·m',
    code: 'document/mismatch',
    line: 1,
  },
  {
    name: 'a transducer range of 200 N·m, above 10 ceilings',
    kind: 'bench',
    old: 'torque: 20 N·m',
    now: 'torque: 200 N·m',
    code: 'document/mismatch',
    line: 1,
  },
  {
    name: 'a current range below the ceiling',
    kind: 'bench',
    old: 'current: 30 A',
    now: 'current: 20 A',
    code: 'document/mismatch',
    line: 1,
  },
  {
    name: 'an unknown characteristic in a limit',
    kind: 'limits',
    old: 'sweep.lag:',
    now: 'sweep.lagg:',
    code: 'limits/unknown',
    line: 10,
    fix: 'Write "sweep.lag".',
  },
  {
    name: 'a limit of a stage that does not read it',
    kind: 'limits',
    old: '  sweep.lag:',
    now: '  sweep.rise-time: { label: x, to: 1 ms }\n  sweep.lag:',
    code: 'limits/unfed',
    line: 10,
    fix: 'Write "steps.rise-time", or read it there too.',
  },
  {
    name: 'a limit of a stage that does not exist',
    kind: 'limits',
    old: '  sweep.lag:',
    now: '  step.rise-time: { label: x, to: 1 ms }\n  sweep.lag:',
    code: 'limits/unfed',
    line: 10,
  },
  {
    name: 'a limit in the wrong dimension',
    kind: 'limits',
    old: 'to: 8 ms',
    now: 'to: 8 %',
    code: 'procedure/unit-mismatch',
    line: 9,
    fix: 'Write it in ms.',
  },
  {
    name: 'a guarded limit without stated U',
    kind: 'bench',
    old: '    rise-time: [{ what: all, from: judgement, why: w, absolute: 0.06 ms, distribution: normal, k: 2 }]\n',
    now: '',
    code: 'limits/uncertainty',
    line: 8,
  },
  {
    name: 'a U that leaves nothing to accept',
    kind: 'bench',
    old: 'rise-time: [{ what: all, from: judgement, why: w, absolute: 0.06 ms',
    now: 'rise-time: [{ what: all, from: judgement, why: w, absolute: 0.2 ms',
    code: 'limits/rule',
    line: 8,
  },
  {
    name: 'a U of 0.11 ms on 0.4 ms',
    kind: 'bench',
    old: 'rise-time: [{ what: all, from: judgement, why: w, absolute: 0.06 ms',
    now: 'rise-time: [{ what: all, from: judgement, why: w, absolute: 0.11 ms',
    code: 'limits/wide-uncertainty',
    line: 8,
  },
  {
    name: 'an uncertainty of an unknown characteristic',
    kind: 'bench',
    old: '    lag: [',
    now: '    lagg: [{ what: all, from: judgement, why: w, absolute: 1 ms, distribution: normal, k: 2 }]\n    lag: [',
    code: 'limits/unknown',
    line: 17,
  },
  {
    name: 'an uncertainty in the wrong dimension',
    kind: 'bench',
    old: 'lag: [{ what: all, from: judgement, why: w, absolute: 0.06 ms',
    now: 'lag: [{ what: all, from: judgement, why: w, absolute: 0.00006 %',
    code: 'procedure/unit-mismatch',
    line: 17,
  },
  {
    name: 'an unknown characteristic in a stage',
    kind: 'procedure',
    old: '      rise-time:\n',
    now: '      rise-time:\n      rise-tim:\n',
    code: 'procedure/reading',
    line: 44,
    fix: 'Write "rise-time".',
  },
  {
    name: 'an unknown gate',
    kind: 'procedure',
    old: '{ zero-return: }',
    now: '{ zero-retrun: }',
    code: 'procedure/reading',
    line: 37,
    fix: 'Write "zero-return".',
  },
  {
    name: 'a characteristic of another pattern',
    kind: 'procedure',
    old: '      rise-time:\n',
    now: '      rise-time:\n      thermal-fade:\n',
    code: 'procedure/reading',
    line: 44,
  },
  {
    name: 'a gate that needs power off',
    kind: 'procedure',
    old: 'power: none',
    now: 'power: applied',
    code: 'procedure/reading',
    line: 37,
    fix: 'Move it to a stage with power: none.',
  },
  {
    name: 'an unknown option',
    kind: 'procedure',
    old: 'band: 2 %',
    now: 'bond: 2 %',
    code: 'procedure/reading',
    line: 44,
    fix: 'Write "band".',
  },
  {
    name: 'an option in the wrong dimension',
    kind: 'procedure',
    old: 'band: 2 %',
    now: 'band: 2 ms',
    code: 'procedure/unit-mismatch',
    line: 44,
    fix: 'Write it in %.',
  },
  {
    name: 'a missing option',
    kind: 'procedure',
    old: 'lag: { smoothing: 2 count }',
    now: 'lag:',
    code: 'procedure/reading',
    line: 51,
  },
  {
    name: 'a smoothing setting that is not played',
    kind: 'procedure',
    old: 'lag: { smoothing: 2 count }',
    now: 'lag: { smoothing: 4 count }',
    code: 'procedure/reading',
    line: 51,
  },
  {
    name: 'a step to 13 N·m above a ceiling of 12.5 N·m',
    kind: 'procedure',
    old: '[0 N·m, 3 N·m]',
    now: '[0 N·m, -13 N·m]',
    code: 'procedure/ceiling',
    line: 38,
  },
  {
    name: 'an edge steeper than the firmware allows',
    kind: 'procedure',
    old: 'hold: 60 ms }',
    now: 'hold: 60 ms, edge: 0.5 ms }',
    code: 'procedure/slew',
    line: 38,
  },
  {
    name: 'a hold that is no whole number of updates',
    kind: 'procedure',
    old: 'hold: 60 ms }',
    now: 'hold: 60.5 ms }',
    code: 'document/value',
    line: 38,
  },
  {
    name: 'stages that heat the winding too much',
    kind: 'procedure',
    old: 'continuous-loss: 52 W',
    now: 'continuous-loss: 19 W',
    code: 'procedure/energy',
    line: 1,
  },
];
for (const { name, kind, old, now, code, line, fix } of cases) {
  test(`${name} is refused with ${code} at line ${line}`, () => {
    const found = changed(kind, old, now);
    expect(found.map((problem) => problem.code)).toEqual([code]);
    expect(found[0]?.where?.line).toBe(line);
    if (fix !== undefined) expect(found[0]?.fix).toBe(fix);
  });
}

const BANDS: readonly (readonly [rule: string, U: number, codes: readonly string[]])[] = [
  // 0.4 … 0.8 ms: half of it is 0.2 ms, and 1.65 u = 0.825 U leaves something below 0.242 ms.
  ['guarded', 0.2, ['limits/rule']],
  ['guarded', 0.19, ['limits/wide-uncertainty']],
  ['guarded-one-sided', 0.25, ['limits/rule']],
  ['guarded-one-sided', 0.2, ['limits/wide-uncertainty']],
  ['four-way', 0.2, ['limits/rule']],
  ['four-way', 0.19, ['limits/wide-uncertainty']],
  ['guarded-rejection', 0.3, ['limits/wide-uncertainty']],
  ['simple', 0.3, ['limits/wide-uncertainty']],
  ['four-way', 0.1, []],
];

/** Codes about a rise time from 0.4 to 0.8 ms under a rule, with a U of the bench in ms or without any. */
function codesUnder(rule: string, U: number | undefined): readonly string[] {
  const limits = LIMITS.replace('to: 0.8 ms }', `to: 0.8 ms, rule: ${rule} }`);
  const documents = documentsOf({ ...TEXTS, limits });
  const uncertainty = new Map(documents.station.uncertainty);
  if (U === undefined) uncertainty.delete('rise-time');
  else uncertainty.set('rise-time', budgetOf(0, U * 1e-3));
  const station = { ...documents.station, uncertainty };
  return checkPlan({ ...documents, station }, catalogue).map(({ code }) => code);
}

for (const [rule, U, codes] of BANDS) {
  test(`${rule} with U = ${U} ms on 0.4 ms: ${codes.join() || 'in order'}`, () => {
    expect(codesUnder(rule, U)).toEqual(codes);
  });
}

for (const rule of DECISION_RULES) {
  test(`${rule} without a stated U is ${rule === 'simple' ? 'in order' : 'refused'}`, () => {
    expect(codesUnder(rule, undefined)).toEqual(rule === 'simple' ? [] : ['limits/uncertainty']);
  });
}

test('a characteristic of several settings needs them all', () => {
  const procedure = PROCEDURE.replace('smoothing: [0, 1, 2]', 'smoothing: [1, 2]').replace(
    '      lag: {',
    '      lag-increase:\n      lag: {',
  );
  const [problem] = checkPlan(documentsOf({ ...TEXTS, procedure }), catalogue);
  expect(problem?.what).toBe(
    'The characteristic "lag-increase" needs 3 settings, but stage "sweep" has 2.',
  );
});

test('a list is read from its last part', () => {
  const list = PROCEDURE.replace(
    '{ kind: step, levels: [0 N·m, 3 N·m], hold: 60 ms }',
    '[{ kind: hold, level: 0 N·m, duration: 1 s }, { kind: step, levels: [0 N·m, 3 N·m], hold: 60 ms }]',
  );
  expect(checkPlan(documentsOf({ ...TEXTS, procedure: list }), catalogue)).toEqual([]);
});

test('an edge that leaves the stand ringing by more than half the limit is refused', () => {
  const reads = PROCEDURE.replace(
    '      rise-time:\n',
    '      rise-time:\n      shaft-overshoot:\n',
  );
  const limits = `${LIMITS}  steps.shaft-overshoot: { label: x, to: 3 %, rule: simple }\n`;
  const ringing = (edge: string): readonly string[] => {
    const procedure = reads.replace('hold: 60 ms }', `hold: 60 ms, edge: ${edge} }`);
    return checkPlan(documentsOf({ ...TEXTS, procedure, limits }), catalogue).map(
      ({ what }) => what,
    );
  };
  expect(ringing('4.15 ms')).toEqual([]); // leaves 0.3 %
  expect(ringing('4 ms')).toHaveLength(1); // leaves 2.4 %
  expect(ringing('4 ms')[0]).toContain('may leave 1.5 %');
});

test('power after a stage without power is refused: a run is energized once', () => {
  const close = `  - id: pause
    title: Pause
    power: none
    pattern: { kind: hold, level: 0 N·m, duration: 2 s }
    gates: { zero-return: }
  - id: sweep
`;
  expect(changed('procedure', '  - id: sweep\n', close)).toMatchObject([
    {
      code: 'document/value',
      what: 'Stage "sweep" asks for power after "pause" took it away, but a run is energized once.',
    },
  ]);
});

test('a stage without limit and gate is a note, and notes do not refuse', () => {
  const text = LIMITS.replace(/ {2}sweep\.lag.*\n/, '');
  const documents = documentsOf({ ...TEXTS, limits: text });
  const found = checkPlan(documents, catalogue);
  expect(found).toMatchObject([{ code: 'limits/unused-stage', where: { line: 45 } }]);
  expect(found.every(isNote)).toBe(true);
  expect(planOf(documents, catalogue).notes).toEqual(found);
});

test('a plan is refused with all problems at once', () => {
  const limits = LIMITS.replace('id: small', 'id: other').replace('sweep.lag:', 'sweep.lagg:');
  const attempt = (): unknown => planOf(documentsOf({ ...TEXTS, limits }), catalogue);
  expect(attempt).toThrow(/document\/mismatch[\s\S]*limits\/unknown/);
});

test('the shipped documents fit the catalogue; only notes remain', () => {
  const text = (file: string): string =>
    readFileSync(new URL(`../../${file}`, import.meta.url), 'utf8');
  const documents: Documents = {
    procedure: readProcedure(text('procedures/h12-acceptance.yaml'), 'p.yaml', (name) =>
      readFileSync(new URL(`../../procedures/${name}`, import.meta.url)),
    ),
    limits: readLimits(text('limits/as-h12.yaml'), 'l.yaml'),
    station: readStation(text('procedures/benches/tw-1.yaml'), 'b.yaml'),
  };
  const found = checkPlan(documents, { characteristics: CHARACTERISTICS, gates: GATES });
  expect(found.filter((problem) => !isNote(problem))).toEqual([]);
});
