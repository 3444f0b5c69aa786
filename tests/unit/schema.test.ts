import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { DECISION_RULES } from '../../src/procedure/limits.js';
import type { Stage } from '../../src/procedure/procedure.js';
import { StallmarkError } from '../../src/base/error.js';
import type { Problem } from '../../src/base/error.js';
import { readDialect } from '../../src/procedure/dialect.js';
import { approve, checkApproval } from '../../src/procedure/approval.js';
import {
  compiledSchemas,
  schemaCompiler,
  VALIDATORS,
} from '../../src/procedure/compile-schemas.js';
import { checkDigit } from '../../src/procedure/meaning.js';
import { readRecording } from '../../src/procedure/recording.js';
import { readReferences } from '../../src/procedure/reference-items.js';
import { readRoutes } from '../../src/procedure/routes.js';
import {
  documentKindOf,
  readLimits,
  readProcedure,
  readStation,
} from '../../src/procedure/schema.js';
import type { DocumentKind } from '../../src/procedure/schema.js';
import { readYaml } from '../../src/procedure/yaml.js';

const root = new URL('../../', import.meta.url);

test('the compiled schemas are those of the schema files (npm run build makes them)', () => {
  expect(readFileSync(VALIDATORS, 'utf8')).toBe(compiledSchemas());
});

const PROCEDURE = 'procedures/h12-acceptance.yaml';
const LIMITS = 'limits/as-h12.yaml';
const BENCH = 'procedures/benches/tw-1.yaml';
const REFERENCES = 'procedures/benches/reference-items.yaml';
const ROUTES = 'procedures/routes.yaml';
const shipped = (file: string): string => readFileSync(new URL(file, root), 'utf8');
const recordings = (name: string): Uint8Array | undefined =>
  name === 'harbour-entry-01.csv'
    ? readFileSync(new URL('procedures/harbour-entry-01.csv', root))
    : undefined;

const DIALECT = 'procedures/links/digitizer.yaml';

const READ = {
  procedure: (text: string) => readProcedure(text, PROCEDURE, recordings),
  limits: (text: string) => readLimits(text, LIMITS),
  bench: (text: string) => readStation(text, BENCH),
  references: (text: string) => readReferences(text, REFERENCES),
  routes: (text: string) => readRoutes(text, ROUTES),
  dialect: (text: string) => readDialect(text, DIALECT),
} as const;
const FILES = {
  procedure: PROCEDURE,
  limits: LIMITS,
  bench: BENCH,
  references: REFERENCES,
  routes: ROUTES,
  dialect: DIALECT,
} as const;

function problemsOf(kind: DocumentKind, text: string): readonly Problem[] {
  try {
    READ[kind](text);
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}

/** A change of a shipped document, and where the reader must see it: the text itself, found again. */
interface Change {
  readonly name: string;
  readonly kind: DocumentKind;
  readonly old: string;
  readonly now: string;
  /** Text at which the problem must begin; its first place after the change. */
  readonly at: string;
  readonly code: string;
  readonly what?: string;
  readonly fix?: string;
}

const IDLE = 'smoothing: 2\n    pattern: { kind: hold, level: 0 N·m, duration: 4 s }';
const SPRING =
  '{ kind: virtual-spring, stiffness: { from: 20 N·m/rad, to: 80 N·m/rad, factor: 115 % }, damping: 0.3 N·m·s/rad, wheel: { inertia: 0.03 kg·m², drag: 0.03 N·m·s/rad }, kick: 0.5 N·m, dwell: 1 s, limit: 4 N·m }';

const changes: readonly Change[] = [
  {
    name: 'takes that differ in two settings',
    kind: 'procedure',
    old: IDLE,
    now: IDLE.replace('smoothing: 2', 'smoothing: [1, 2]\n    angle: [0 °, 3 °]'),
    at: '[1, 2]',
    code: 'document/value',
    what: 'Stage "idle" lists smoothing and angle, but takes differ in one setting only.',
    fix: 'List one of them.',
  },
  {
    name: 'a rule for retests that says nothing',
    kind: 'procedure',
    old: 'attempts: 2\n',
    now: 'attempts: 2\nretest: {}\n',
    at: '{}',
    code: 'document/value',
    what: 'The retest has 0 members, but must have at least 1.',
  },
  {
    name: 'a cool-down in seconds',
    kind: 'procedure',
    old: 'attempts: 2\n',
    now: 'attempts: 2\nretest: { cool-down: 600 s }\n',
    at: '600 s',
    code: 'document/value',
    what: 'The cool down of the retest is "600 s", but must be whole minutes such as 10 min.',
  },
  {
    name: 'a retest at a bench that is neither',
    kind: 'procedure',
    old: 'attempts: 2\n',
    now: 'attempts: 2\nretest: { bench: another }\n',
    at: 'another',
    code: 'document/value',
    fix: 'Write "other".',
  },
  {
    name: 'an angle in the wrong dimension',
    kind: 'procedure',
    old: IDLE,
    now: IDLE.replace('smoothing: 2', 'angle: [0 °, 3 s]'),
    at: '3 s',
    code: 'procedure/unit-mismatch',
  },
  {
    name: 'power with the timing fixture',
    kind: 'procedure',
    old: IDLE,
    now: IDLE.replace('smoothing: 2', 'fixture: timing'),
    at: 'timing\n    pattern: { kind: hold, level: 0 N·m, duration: 4 s }',
    code: 'document/value',
    fix: 'Write coupled, or power: none.',
  },
  {
    name: 'a slew setting without power',
    kind: 'procedure',
    old: 'fixture: coupled\n    pattern: { kind: hold, level: 0 N·m, duration: 3 s }',
    now: 'slew: 3 N·m/ms\n    pattern: { kind: hold, level: 0 N·m, duration: 3 s }',
    at: '3 N·m/ms',
    code: 'document/value',
    fix: 'Delete it, or write power: applied.',
  },
  {
    name: 'a silence in a list',
    kind: 'procedure',
    old: IDLE,
    now: IDLE.replace(
      /pattern: .*/u,
      'pattern: [{ kind: silence, level: 3 N·m, before: 200 ms, silent: 300 ms, after: 500 ms }, { kind: hold, level: 0 N·m, duration: 4 s }]',
    ),
    at: 'silence, level',
    code: 'document/value',
    fix: 'Give it a stage of its own.',
  },
  {
    name: 'a ladder that never climbs',
    kind: 'procedure',
    old: IDLE,
    now: IDLE.replace(/pattern: .*/u, `pattern: ${SPRING.replace('115 %', '100 %')}`),
    at: '100 % }',
    code: 'document/value',
    what: 'The ladder of stiffness climbs by a factor of 1, but needs a factor above 100 % that ends in at most 50 rungs.',
  },
  {
    name: 'a wheel without inertia',
    kind: 'procedure',
    old: IDLE,
    now: IDLE.replace(/pattern: .*/u, `pattern: ${SPRING.replace('inertia: 0.03 kg·m², ', '')}`),
    at: 'wheel: { drag',
    code: 'document/key',
  },
  {
    name: 'a stand model that goes back',
    kind: 'bench',
    old: '  - version: 12\n',
    now: '  - version: 12\n    characterized: 2026-10-04T08:30:00Z\n    resonance: { value: 361 Hz, U: 4 Hz }\n    damping: { value: 3 %, U: 0.4 % }\n    compliance: { value: 149.3 µrad/(N·m), U: 3 µrad/(N·m) }\n    torque-delay: { value: 0.34 ms, U: 0.05 ms }\n    current-delay: { value: 0 ms, U: 0.02 ms }\n  - version: 11\n',
    at: '11\n',
    code: 'document/value',
    what: 'Version 11 of the stand model follows version 12, but versions must rise.',
  },
  {
    name: 'a bare number',
    kind: 'procedure',
    old: 'rated: 6 N·m',
    now: 'rated: 6',
    at: '6\nceiling',
    code: 'procedure/bare-number',
    fix: 'Write 6 N·m.',
  },
  {
    name: 'a wrong dimension',
    kind: 'procedure',
    old: 'ceiling: 12.5 N·m',
    now: 'ceiling: 12.5 V',
    at: '12.5 V',
    code: 'procedure/unit-mismatch',
    what: 'The ceiling is 12.5 V, a voltage, but must be a torque in N·m above 0.',
  },
  {
    name: 'a misspelt unit',
    kind: 'procedure',
    old: 'amplitude: 0.3 N·m, frequency: 0.1 Hz',
    now: 'amplitude: 0.3 N·m, frequency: 0.1 hz',
    at: '0.1 hz',
    code: 'quantity/unreadable',
    fix: 'Write the unit as "Hz", "kHz" or "mHz".',
  },
  {
    name: 'a unit with a suffix',
    kind: 'limits',
    old: 'to: 8 mN·m',
    now: 'to: 8 mN·m rms',
    at: '8 mN·m rms',
    code: 'quantity/unreadable',
  },
  {
    name: 'a negative duration',
    kind: 'procedure',
    old: 'duration: 4 s',
    now: 'duration: -4 s',
    at: '-4 s',
    code: 'document/value',
    what: 'The duration of the pattern of stage "idle" is -4 s, but must be above 0 s.',
  },
  {
    name: 'not a number',
    kind: 'procedure',
    old: 'rated: 6 N·m',
    now: 'rated: NaN N·m',
    at: 'NaN N·m',
    code: 'quantity/unreadable',
  },
  {
    name: 'a misspelt key',
    kind: 'procedure',
    old: 'smoothing: 2\n    pattern: { kind: hold, level: 0',
    now: 'smothing: 2\n    pattern: { kind: hold, level: 0',
    at: 'smothing',
    code: 'document/key',
    fix: 'Write "smoothing".',
  },
  {
    name: 'a missing key',
    kind: 'procedure',
    old: 'attempts: 2\n',
    now: '',
    at: 'procedure: h12',
    code: 'document/key',
    what: 'The document has no "attempts".',
  },
  {
    name: 'a missing member of a pattern',
    kind: 'procedure',
    old: 'frequency: 5 Hz, ',
    now: '',
    at: 'pattern: { kind: sine, amplitude: 3',
    code: 'document/key',
    what: 'The pattern of stage "purity" has no "frequency".',
  },
  {
    name: 'a misspelt pattern',
    kind: 'procedure',
    old: 'kind: triangle, amplitude: 6',
    now: 'kind: trangle, amplitude: 6',
    at: 'trangle',
    code: 'document/value',
    fix: 'Write "triangle".',
  },
  {
    name: 'a member of another pattern',
    kind: 'procedure',
    old: 'amplitude: 3 N·m, frequency: 5 Hz',
    now: 'amplitude: 3 N·m, level: 3 N·m, frequency: 5 Hz',
    at: 'level: 3 N·m, f',
    code: 'document/key',
  },
  {
    name: 'power on, read as a boolean elsewhere',
    kind: 'procedure',
    old: 'power: none',
    now: 'power: off',
    at: 'off',
    code: 'yaml/old-reading',
  },
  {
    name: 'a setting that does not exist',
    kind: 'procedure',
    old: '[0, 1, 2, 3, 4, 5]',
    now: '[0, 1, 2, 3, 4, 6]',
    at: '6]',
    code: 'document/value',
    what: 'Item 6 of the smoothing of stage "smoothing" is the number 6, but must be at most 5.',
  },
  {
    name: 'a version that YAML reads as a number',
    kind: 'procedure',
    old: "firmware: ['2.4.1']",
    now: 'firmware: [2.4]',
    at: '2.4]',
    code: 'document/value',
    fix: 'Put the value in quotes.',
  },
  {
    name: 'a GTIN without its leading zero',
    kind: 'procedure',
    old: "'09520123401207'",
    now: '09520123401207',
    at: '09520123401207',
    code: 'yaml/old-reading',
  },
  {
    name: 'a GTIN with a wrong check digit',
    kind: 'procedure',
    old: "'09520123401207'",
    now: "'09520123401208'",
    at: "'09520123401208'",
    code: 'document/value',
    what: 'The GTIN 09520123401208 ends with 8, but its check digit is 7.',
  },
  {
    name: 'a serial grammar without anchors',
    kind: 'procedure',
    old: "'^H12-[0-9]{2}-[0-9]{5}$'",
    now: "'H12-[0-9]{2}-[0-9]{5}'",
    at: "'H12-[",
    code: 'document/value',
  },
  {
    name: 'a serial grammar with alternatives',
    kind: 'procedure',
    old: "'^H12-[0-9]{2}-[0-9]{5}$'",
    now: "'^H12-1|2$'",
    at: "'^H12-1|",
    code: 'document/value',
  },
  {
    name: 'a serial grammar that does not compile',
    kind: 'procedure',
    old: "'^H12-[0-9]{2}-[0-9]{5}$'",
    now: "'^H12-(2$'",
    at: "'^H12-(2$'",
    code: 'document/value',
  },
  {
    name: 'a serial grammar of another model',
    kind: 'procedure',
    old: "'^H12-[0-9]{2}-[0-9]{5}$'",
    now: "'^H25-[0-9]{5}$'",
    at: "'^H25",
    code: 'document/value',
  },
  {
    name: 'a day that does not exist',
    kind: 'procedure',
    old: 'date: 2026-11-28\napproved',
    now: 'date: 2026-02-30\napproved',
    at: '2026-02-30',
    code: 'document/value',
  },
  {
    name: 'rated torque above the ceiling',
    kind: 'procedure',
    old: 'rated: 6 N·m',
    now: 'rated: 16 N·m',
    at: '16 N·m',
    code: 'document/value',
  },
  {
    name: 'ambient the wrong way round',
    kind: 'procedure',
    old: '{ from: 18 °C, to: 28 °C }',
    now: '{ from: 28 °C, to: 18 °C }',
    at: '28 °C, to',
    code: 'document/value',
  },
  {
    name: 'no signal word',
    kind: 'procedure',
    old: '  - hazard: crushing\n    signal: WARNING\n',
    now: '  - hazard: crushing\n',
    at: 'hazard: crushing',
    code: 'document/key',
    what: 'Warning "crushing" has no "signal".',
  },
  {
    name: 'a signal word for property',
    kind: 'procedure',
    old: 'hazard: crushing\n    signal: WARNING',
    now: 'hazard: crushing\n    signal: NOTICE',
    at: 'NOTICE',
    code: 'document/value',
  },
  {
    name: 'the sign of the other hazard',
    kind: 'procedure',
    old: 'W024',
    now: 'W001',
    at: 'W001',
    code: 'procedure/warning',
    fix: 'Write W024.',
  },
  {
    name: 'an empty text part',
    kind: 'procedure',
    old: 'heading: Crushing of hands',
    now: "heading: ' '",
    at: "' '",
    code: 'document/value',
  },
  {
    name: 'a stage id used twice',
    kind: 'procedure',
    old: 'id: small-triangle',
    now: 'id: triangle',
    at: 'triangle\n    title: Slow triangle about',
    code: 'procedure/duplicate',
  },
  {
    name: 'torque without power',
    kind: 'procedure',
    old: 'level: 0 N·m, duration: 3 s',
    now: 'level: 1 N·m, duration: 3 s',
    at: '1 N·m, duration: 3 s',
    code: 'document/value',
  },
  {
    name: 'power without coupling',
    kind: 'procedure',
    old: 'title: Peak torque\n    power: applied\n',
    now: 'title: Peak torque\n    power: applied\n    fixture: uncoupled\n',
    at: 'uncoupled\n    smoothing',
    code: 'document/value',
  },
  {
    name: 'a recording that is not there',
    kind: 'procedure',
    old: 'harbour-entry-01.csv',
    now: 'harbour-entry-02.csv',
    at: 'harbour-entry-02.csv',
    code: 'procedure/recording',
  },
  {
    name: 'a recording outside the folder',
    kind: 'procedure',
    old: 'file: harbour-entry-01.csv',
    now: 'file: ../harbour-entry-01.csv',
    at: '../harbour',
    code: 'document/value',
  },
  {
    name: 'a recording with another digest',
    kind: 'procedure',
    old: 'digest: ae58',
    now: 'digest: ae59',
    at: 'ae59',
    code: 'procedure/recording',
  },
  {
    name: 'a limit without ends',
    kind: 'limits',
    old: 'label: deadband, to: 20 mN·m',
    now: 'label: deadband',
    at: 'small-triangle.deadband',
    code: 'limits/empty',
  },
  {
    name: 'a limit the wrong way round',
    kind: 'limits',
    old: 'from: -60 mN·m, to: 60 mN·m',
    now: 'from: 60 mN·m, to: -60 mN·m',
    at: '60 mN·m, to',
    code: 'limits/order',
  },
  {
    name: 'a limit with equal ends',
    kind: 'limits',
    old: 'from: -60 mN·m, to: 60 mN·m',
    now: 'from: 60 mN·m, to: 60 mN·m',
    at: '60 mN·m, to',
    code: 'limits/order',
  },
  {
    name: 'a limit in two units',
    kind: 'limits',
    old: 'from: -60 mN·m, to: 60 mN·m',
    now: 'from: -60 mN·m, to: 0.06 N·m',
    at: '0.06 N·m',
    code: 'procedure/unit-mismatch',
  },
  {
    name: 'a limit in two dimensions',
    kind: 'limits',
    old: 'from: -60 mN·m, to: 60 mN·m',
    now: 'from: -60 mN·m, to: 60 ms',
    at: '60 ms',
    code: 'procedure/unit-mismatch',
  },
  {
    name: 'an infinite limit',
    kind: 'limits',
    old: 'to: 20 mN·m',
    now: 'to: .inf',
    at: '.inf',
    code: 'yaml/old-reading',
  },
  {
    name: 'an unknown rule',
    kind: 'limits',
    old: 'rule: guarded',
    now: 'rule: guard',
    at: 'guard\n',
    code: 'document/value',
    fix: 'Write one of them.',
  },
  {
    name: 'a process in another dimension',
    kind: 'limits',
    old: 'mean: 2.393 ms',
    now: 'mean: 2.393 mN·m',
    at: '2.393 mN·m',
    code: 'procedure/unit-mismatch',
    fix: 'Write it in ms.',
  },
  {
    name: 'a process without spread',
    kind: 'limits',
    old: 'sd: 0.0308 ms',
    now: 'sd: 0 ms',
    at: '0 ms',
    code: 'document/value',
    what: 'The sd of the process of "smoothing.lag" is 0 ms, but must be above 0.',
  },
  {
    name: 'a process with half of what it needs',
    kind: 'limits',
    old: 'mean: 2.393 ms, ',
    now: '',
    at: 'process: { sd: 0.0308',
    code: 'document/key',
  },
  {
    name: 'a limit twice',
    kind: 'limits',
    old: '  static.linearity:',
    now: '  static.static-gain:',
    at: "static.static-gain: { label: 'lin",
    code: 'yaml/duplicate-key',
  },
  {
    name: 'a limit with no stage',
    kind: 'limits',
    old: '  static.linearity:',
    now: '  linearity:',
    at: 'linearity:',
    code: 'document/key',
  },
  {
    name: 'an instrument due before it was calibrated',
    kind: 'bench',
    old: 'due: 2036-05-18',
    now: 'due: 2026-05-18',
    at: '2026-05-18\n        in-service',
    code: 'equipment/order',
  },
  {
    name: 'an instrument without a serial',
    kind: 'bench',
    old: '    serial: 20-88317\n',
    now: '',
    at: 'id: TT-204',
    code: 'document/key',
  },
  {
    name: 'an adapter that is asked for in capital letters',
    kind: 'procedure',
    old: '\nattempts:',
    now: '\nadapter: H12-SHAFT\nattempts:',
    at: 'H12-SHAFT',
    code: 'document/value',
  },
  {
    name: 'an adapter without a serial',
    kind: 'bench',
    old: '{ id: AD-12, kind: h12-shaft, serial: HA-1204 }',
    now: '{ id: AD-12, kind: h12-shaft }',
    at: '{ id: AD-12',
    code: 'document/key',
  },
  {
    name: 'an adapter of a kind in capital letters',
    kind: 'bench',
    old: '{ id: AD-12, kind: h12-shaft,',
    now: '{ id: AD-12, kind: H12,',
    at: 'H12, serial',
    code: 'document/value',
  },
  {
    name: 'two adapters of one number',
    kind: 'bench',
    old: 'id: AD-14',
    now: 'id: AD-12',
    at: 'AD-12, kind: h12-shaft, serial: HA-1209',
    code: 'procedure/duplicate',
    what: 'A second adapter is called "AD-12", but names stand once.',
  },
  {
    name: 'a check that counts although none is asked for',
    kind: 'bench',
    old: '    intermediate-check: 90 days\n    checked-by: shunt',
    now: '    checked-by: shunt',
    at: 'shunt\n    calibrations',
    code: 'document/value',
  },
  {
    name: 'an intermediate check by something nobody knows',
    kind: 'bench',
    old: 'checked-by: shunt',
    now: 'checked-by: weight',
    at: 'weight',
    code: 'document/value',
  },
  {
    name: 'a policy on intermediate checks that does not say whether they are required',
    kind: 'bench',
    old: '  intermediate: { required: false }',
    now: '  intermediate: {}',
    at: 'intermediate: {}',
    code: 'document/key',
  },
  {
    name: 'a bench of a kind that does not exist',
    kind: 'bench',
    old: 'kind: simulated',
    now: 'kind: borrowed',
    at: 'borrowed',
    code: 'document/value',
  },
];

function placeOf(text: string, offset: number): { readonly line: number; readonly column: number } {
  const before = text.slice(0, offset).split('\n');
  return { line: before.length, column: (before.at(-1) ?? '').length + 1 };
}

for (const { name, kind, old, now, at, code, what, fix } of changes) {
  test(`${name} is refused with ${code} where it stands`, () => {
    const text = shipped(FILES[kind]);
    expect(text.split(old).length).toBeGreaterThan(1);
    const changed = text.replace(old, () => now);
    const near = changed.indexOf(at, Math.max(0, text.indexOf(old) - 400));
    const from = near < 0 ? changed.indexOf(at) : near;
    expect(from).toBeGreaterThanOrEqual(0);
    const found = problemsOf(kind, changed);
    expect(found.map((p) => p.code)).toEqual([code]);
    expect(found[0]?.where).toMatchObject({ file: FILES[kind], ...placeOf(changed, from) });
    if (what !== undefined) expect(found[0]?.what).toBe(what);
    if (fix !== undefined) expect(found[0]?.fix).toBe(fix);
  });
}

test('the shipped documents are accepted by the reader and by the schema files', () => {
  const ajv = schemaCompiler();
  for (const kind of ['procedure', 'limits', 'bench'] as const) {
    const text = shipped(FILES[kind]);
    expect(problemsOf(kind, text)).toEqual([]);
    expect(ajv.validate(kind, readYaml(text, FILES[kind]).located?.value)).toBe(true);
    expect(text).toMatch(/^# yaml-language-server: \$schema=\.\/[a-z]+\.schema\.json\n/);
  }
});

test('the procedure is read as written', () => {
  const procedure = READ.procedure(shipped(PROCEDURE));
  expect(procedure).toMatchObject({
    id: 'h12-acceptance',
    issue: 5,
    date: '2026-11-28',
    purpose: 'acceptance',
    attempts: 2,
  });
  expect(procedure.model).toMatchObject({
    torqueConstant: 0.6,
    resistance: 0.35,
    continuousLoss: 52,
    slew: 6000,
  });
  expect(procedure.stages).toHaveLength(25);
  const stage = (wanted: string): Stage | undefined =>
    procedure.stages.find(({ id }) => id === wanted);
  const [zero] = procedure.stages;
  const triangle = stage('triangle');
  expect(stage('cogging')?.takes.map(({ angle }) => angle)).toHaveLength(13);
  expect(stage('cogging')?.takes[1]?.angle).toBeCloseTo((2.769 * Math.PI) / 180, 12);
  expect(stage('sound')?.takes.map(({ slew }) => slew)).toEqual([2000, 4000, 6000]);
  expect(stage('stability')?.pattern).toMatchObject({
    kind: 'virtual-spring',
    stiffness: { from: 20, to: 110, factor: 1.15 },
    wheel: { inertia: 0.03, drag: 0.03 },
  });
  expect(zero).toMatchObject({ power: 'off', updates: 1000 });
  expect(zero.takes.map(({ fixture }) => fixture)).toEqual(['uncoupled', 'shunt', 'coupled']);
  expect(triangle?.reads[0]).toMatchObject({
    characteristic: 'hysteresis',
    options: { conditioning: 1 },
    dimensions: { conditioning: 'count' },
  });
  const field = procedure.stages.find(({ id }) => id === 'field')?.pattern;
  expect(field).toMatchObject({ kind: 'recorded', rate: 100, scale: 1 });
  expect(field?.kind === 'recorded' ? field.samples.length : 0).toBe(2000);
  expect(procedure.stages.find(({ id }) => id === 'thermal')?.pattern).toMatchObject({
    kind: 'list',
  });
  expect([...procedure.warnings[0].texts.keys()]).toEqual(['en', 'de', 'es', 'pl', 'zh']);
});

test('a limit without a rule takes the one of the file', () => {
  const rows = READ.limits(shipped(LIMITS)).rows;
  expect(rows).toHaveLength(43);
  expect(rows[0]).toMatchObject({
    stage: 'idle',
    characteristic: 'zero-offset',
    rule: 'guarded',
    tolerance: { kind: 'between', lower: -0.06, upper: 0.06 },
  });
  expect(rows[1]?.rule).toBe('simple');
  expect(rows.find(({ characteristic }) => characteristic === 'lag')?.process).toEqual({
    mean: 0.002393,
    deviation: 0.0000308,
  });
  expect(rows.find(({ characteristic }) => characteristic === 'grain')?.process).toBeUndefined();
  expect(rows.find(({ characteristic }) => characteristic === 'lag-increase')?.tolerance).toEqual({
    kind: 'at-least',
    lower: 0.0004,
  });
});

test('every decision rule can be chosen for a row and for the file', () => {
  for (const rule of DECISION_RULES) {
    const text = shipped(LIMITS)
      .replace('rule: guarded\n', `rule: ${rule}\n`)
      .replace('to: 8 mN·m, rule: simple', `to: 8 mN·m, rule: ${rule}`);
    const { rows } = READ.limits(text);
    expect(rows.slice(0, 3).map((row) => row.rule)).toEqual([rule, 'simple', rule]);
  }
});

test('without a rule of the file every limit without its own is named', () => {
  const text = shipped(LIMITS).replace('rule: guarded\n', '');
  const found = problemsOf('limits', text);
  expect(new Set(found.map(({ code }) => code))).toEqual(new Set(['limits/rule']));
  expect(found).toHaveLength(
    shipped(LIMITS)
      .split('\n')
      .filter((l) => /^ {2}\S.*\{/.test(l) && !l.includes('rule:')).length,
  );
});

test('a missing hazard, a missing translation and missing English are each named', () => {
  const text = shipped(PROCEDURE);
  const single = text.replace(/ {2}- hazard: sudden-torque[\s\S]*?\n\nstages/, '\nstages');
  expect(problemsOf('procedure', single)).toMatchObject([
    {
      code: 'procedure/warning',
      what: 'The warning "sudden-torque" is missing, but both hazards are mandatory.',
    },
  ]);
  const untranslated = text.replace(/ {6}de:\n(?: {8}.*\n){4}/, '');
  expect(problemsOf('procedure', untranslated)).toMatchObject([
    {
      code: 'procedure/warning',
      what: 'The warning "crushing" has no text in "de", but another warning has it.',
    },
  ]);
  const foreign = text.replaceAll(/ {6}en:\n(?: {8}.*\n){4}/g, '');
  expect(problemsOf('procedure', foreign).map(({ what }) => what)).toEqual([
    'The warning "crushing" has no text in "en", but English is mandatory.',
    'The warning "sudden-torque" has no text in "en", but English is mandatory.',
  ]);
});

test('a hazard warned of twice leaves the other one out, and both are named', () => {
  const text = shipped(PROCEDURE).replace('- hazard: sudden-torque', '- hazard: crushing');
  const whats = problemsOf('procedure', text).map(({ what }) => what);
  expect(whats).toEqual([
    'The warning "sudden-torque" is missing, but both hazards are mandatory.',
    'A second warning is called "crushing", but names stand once.',
    'The warning "crushing" carries the sign W001, but its sign is W024.',
  ]);
});

test('faults of YAML, schema and meaning are all reported at once, in the order of the file', () => {
  const text = shipped(PROCEDURE)
    .replace("'09520123401207'", "'09520123401200'")
    .replace('rated: 6 N·m', 'rated: 6 V')
    .replace('attempts: 2', 'attempts: yes')
    .replace('id: steps-2', 'id: steps-0');
  expect(problemsOf('procedure', text).map(({ code }) => code)).toEqual([
    'document/value',
    'procedure/unit-mismatch',
    'yaml/old-reading',
    'procedure/duplicate',
  ]);
});

const recordingFaults = [
  { name: 'no header', bytes: '1\n2\n', what: /begins with "1"/ },
  { name: 'no values', bytes: 'torque [N·m]\n', what: /has 0 values/ },
  { name: 'a comma', bytes: 'torque [N·m]\n1\n2,5\n', what: /"2,5" in line 3/ },
  { name: 'NaN', bytes: 'torque [N·m]\nNaN\n', what: /"NaN" in line 2/ },
  { name: 'an overflow', bytes: 'torque [N·m]\n1e999\n', what: /"1e999" in line 2/ },
  { name: 'an empty line', bytes: 'torque [N·m]\n1\n\n2\n', what: /"" in line 3/ },
];
for (const { name, bytes, what } of recordingFaults) {
  test(`a recording with ${name} is refused`, () => {
    expect(readRecording(new TextEncoder().encode(bytes), 'r.csv')).toMatchObject({
      code: 'procedure/recording',
      what: expect.stringMatching(what) as string,
    });
  });
}

const gtins = ['09520123400682', '09520123401207', '09520123402594'];
for (const gtin of gtins) {
  test(`${gtin} carries its check digit`, () => {
    expect(checkDigit(gtin.slice(0, -1))).toBe(gtin.slice(-1));
  });
}

test('every kind of pattern can be written and is read', () => {
  const patterns = [
    '{ kind: ramp, from: 0 N·m, to: 1 N·m, duration: 1 s }',
    '{ kind: burst, amplitude: 1 N·m, frequency: 10 Hz, cycles: 3, window: hann }',
    '{ kind: chirp, amplitude: 1 N·m, from: 1 Hz, to: 50 Hz, duration: 2 s, sweep: linear }',
    '{ kind: pseudo-random, amplitude: 1 N·m, rate: 100 Hz, order: 7, periods: 2 }',
    '[{ kind: hold, level: 0 N·m, duration: 1 s }, { kind: ramp, from: 0 N·m, to: 1 N·m, duration: 1 s }]',
    '{ kind: silence, level: 1 N·m, before: 1 s, silent: 300 ms, after: 1 s }',
    SPRING,
  ];
  const kinds = patterns.map((pattern) => {
    const text = shipped(PROCEDURE).replace('{ kind: hold, level: 0 N·m, duration: 4 s }', pattern);
    return READ.procedure(text).stages.find(({ id }) => id === 'idle')?.pattern.kind;
  });
  expect(kinds).toEqual([
    'ramp',
    'burst',
    'chirp',
    'pseudo-random',
    'list',
    'silence',
    'virtual-spring',
  ]);
});

test('the kind of a document follows from its identity', () => {
  for (const kind of ['procedure', 'limits', 'bench'] as const) {
    expect(documentKindOf(shipped(FILES[kind]), FILES[kind])).toBe(kind);
  }
  expect(() => documentKindOf('a: 1\n', 'x.yaml')).toThrow('document/key');
});

const by = { by: 'A. Nother', role: 'quality engineer', on: '2026-11-25' };

test('the shipped documents are approved and unchanged', () => {
  expect(checkApproval(READ.procedure(shipped(PROCEDURE)))).toEqual([]);
  expect(checkApproval(READ.limits(shipped(LIMITS)))).toEqual([]);
});

test('a changed value voids the approval and names both digests; comments and layout do not', () => {
  const text = shipped(LIMITS);
  const before = READ.limits(text);
  const commented = READ.limits(`${text.replace('issue: 7', 'issue:   7   # seven')}# end\n`);
  expect(checkApproval(commented)).toEqual([]);
  const changed = READ.limits(text.replace('to: 8 %', 'to: 9 %'));
  const [problem] = checkApproval(changed);
  expect(problem?.code).toBe('document/changed');
  expect(problem?.what).toContain(changed.digest);
  expect(problem?.what).toContain(before.digest);
});

test('a document without approval says so', () => {
  const text = shipped(LIMITS).replace(/approved:\n(?: {2}.*\n){4}/, '');
  expect(checkApproval(READ.limits(text))).toMatchObject([{ code: 'document/not-approved' }]);
});

test('approving changes the lines of the approval and nothing else', () => {
  for (const kind of ['procedure', 'limits'] as const) {
    const text = shipped(FILES[kind]);
    const bare = text.replace(/approved:\n(?: {2}.*\n){4}/, '');
    const block = /approved:\n(?: {2}.*\n){4}/;
    for (const before of [text, bare]) {
      const after = approve(before, FILES[kind], by);
      expect(after.replace(block, '')).toBe(bare);
      const document = READ[kind](after);
      expect(document.approval).toEqual({ ...by, digest: document.digest });
      expect(checkApproval(document)).toEqual([]);
    }
  }
});

test('approving keeps Windows line ends and a comment after the old approval', () => {
  const text = 'limits: A\r\napproved:\r\n  by: X\r\n# rows\r\nrows: 1\r\n';
  const after = approve(text, 'f', by);
  expect(after).toMatch(/^limits: A\r\napproved:\r\n(?: {2}.*\r\n){4}# rows\r\nrows: 1\r\n$/);
});

const retestRules: readonly (readonly [written: string, coolDown: number, bench: string])[] = [
  ['{ cool-down: 10 min, bench: other }', 600, 'other'],
  ['{ cool-down: 1 min }', 60, 'any'],
  ['{ bench: same }', 0, 'same'],
];

for (const [written, coolDown, bench] of retestRules) {
  test(`retest: ${written} is read as ${String(coolDown)} s and bench ${bench}`, () => {
    const text = shipped(PROCEDURE).replace('attempts: 2\n', `attempts: 2\nretest: ${written}\n`);
    expect(readProcedure(text, PROCEDURE, recordings).retest).toEqual({ coolDown, bench });
  });
}

test('a procedure that does not speak of retests has no rule for them', () => {
  const text = shipped(PROCEDURE).replace(/^retest: .*\n/mu, '');
  expect(readProcedure(text, PROCEDURE, recordings).retest).toBeUndefined();
});
