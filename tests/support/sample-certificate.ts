import { isNonEmpty } from '../../src/base/numbers.js';
import {
  celsius,
  second,
  torquePerAmpere,
  torquePerSecond,
  unitOf,
  volt,
} from '../../src/base/units.js';
import type { Acknowledgement } from '../../src/bench/permit.js';
import type { Gate } from '../../src/capture/gate.js';
import type { Certificate, DocumentReference } from '../../src/certificate/certificate.js';
import { figuresOf } from '../../src/certificate/figures.js';
import type { Decision, Result } from '../../src/decision/decision.js';
import { decide } from '../../src/decision/rule.js';
import type { DecisionRule, Tolerance } from '../../src/procedure/limits.js';
import type { Warning, WarningText } from '../../src/procedure/procedure.js';
import type { Evidence, Outcome, Side } from '../../src/scoring/scoring.js';
import { gateAs, standModel } from './stand.js';

/** Which ending of a run to make a certificate of. */
export type SampleKind =
  | 'accept'
  /** Slew rate far below its limits. */
  | 'reject'
  /** One guarded value nearer to its limit than U. */
  | 'hold'
  /** The stand resonance gate is closed. */
  | 'gate';

/** Deterministic digest-like text: 64 hexadecimal digits that differ by `seed`. */
export function sampleDigest(seed: number): string {
  let state = (seed * 2654435761 + 40503) >>> 0;
  let text = '';
  while (text.length < 64) {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    text += (state >>> 8).toString(16).padStart(6, '0');
  }
  return text.slice(0, 64);
}

/** Noise in −1 … 1 from a fixed generator, so that traces look measured and never change. */
function noise(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return state / 2 ** 31 - 1;
  };
}

const sample = (n: number, of: (i: number) => number): Float64Array =>
  Float64Array.from({ length: n }, (_, i) => of(i));

/** Response of two equal poles to a step of 1, `t` s after it passed the dead time. */
const twoPoles = (t: number, corner: number): number => {
  const w = 2 * Math.PI * corner * Math.max(0, t);
  return 1 - (1 + w) * Math.exp(-w);
};

function stepEvidence(): Extract<Evidence, { kind: 'transition' }> {
  const jitter = noise(7);
  const time = sample(600, (i) => -0.002 + i * 5e-5);
  const torque = time.map((t) => 3 * twoPoles(t - 0.00061, 200) + 0.004 * jitter());
  const at = (share: number): number => {
    let t = 0;
    while (twoPoles(t, 200) < share) t += 1e-6;
    return t + 0.00061;
  };
  return {
    kind: 'transition',
    time,
    command: time.map((t) => (t < 0 ? 0 : 3)),
    torque,
    marks: [0.1, 0.9].map((share) => ({ time: at(share), torque: 3 * share, share })),
    band: { lower: 2.94, upper: 3.06, settled: 0.0061 },
  };
}

/** @param slew - N·m/s */
function slewEvidence(slew: number): Extract<Evidence, { kind: 'transition' }> {
  const jitter = noise(11);
  const time = sample(500, (i) => -0.001 + i * 4e-5);
  const ramp = (t: number): number => Math.max(0, Math.min(24, slew * (t - 0.00061)));
  return {
    kind: 'transition',
    time,
    command: time.map((t) => (t < 0 ? -12 : 12)),
    torque: time.map((t) => -12 + ramp(t) + 0.02 * jitter()),
    marks: [0.2, 0.8].map((share) => ({
      time: 0.00061 + (24 * share) / slew,
      torque: -12 + 24 * share,
      share,
    })),
  };
}

function responseEvidence(): Evidence {
  const jitter = noise(3);
  const frequency = sample(75, (i) => Math.round(200 ** (i / 74) * 100) / 100);
  const angleOf = (f: number): number =>
    (-2 * Math.atan(f / 200) * 180) / Math.PI - 360 * f * 0.00076;
  return {
    kind: 'response',
    frequency,
    gain: frequency.map((f) => -20 * Math.log10(1 + (f / 196) ** 2) + 0.03 * jitter()),
    angle: frequency.map((f) => angleOf(f) + 0.2 * jitter()),
    coherence: frequency.map(() => 0.998),
  };
}

const SMOOTHING = [
  { setting: 0, lag: 0.0008, grain: 0.0715 },
  { setting: 1, lag: 0.00159, grain: 0.0616 },
  { setting: 2, lag: 0.00239, grain: 0.0498 },
  { setting: 3, lag: 0.00398, grain: 0.0301 },
  { setting: 4, lag: 0.00716, grain: 0.0122 },
  { setting: 5, lag: 0.0135, grain: 0.0035 },
];

function traceEvidence(): Evidence {
  const jitter = noise(5);
  const time = sample(20000, (i) => i * 0.001);
  const source = (t: number): number =>
    3.2 + 2.1 * Math.sin(2 * Math.PI * 1.3 * t) * Math.cos(t / 3);
  const held = (t: number): number => source(Math.floor(t / 0.01 + 1e-9) * 0.01);
  return {
    kind: 'trace',
    time,
    command: time.map(held),
    torque: time.map((t) => held(Math.max(0, t - 0.0024)) + 0.02 * jitter()),
  };
}

type Line = readonly [
  stage: string,
  characteristic: string,
  label: string,
  side: Side,
  /** In `unit`. */
  value: number,
  expanded: number | undefined,
  unit: string,
  low: number | undefined,
  high: number | undefined,
  rule: DecisionRule,
];

const G = 'guarded';
const S = 'simple';
const _ = undefined;

const LINES: readonly Line[] = [
  ['wake', 'zero-offset', 'zero offset, enabled', 'shaft', -12.4, 8, 'mN·m', -60, 60, G],
  ['wake', 'preload', 'preload', 'shaft', 38, 8, 'mN·m', -150, 150, S],
  ['wake', 'noise', 'noise 0.5–500 Hz, rms', 'shaft', 3.1, 0.4, 'mN·m', _, 8, S],
  ['static-stair', 'static-gain', 'static gain', 'shaft', 99.93, 0.3, '%', 98, 102, G],
  ['static-stair', 'linearity', 'linearity ±6 N·m', 'shaft', 0.31, 0.12, '%', _, 1, G],
  ['static-stair', 'symmetry', 'symmetry', 'shaft', -0.14, 0.2, '%', -1, 1, G],
  [
    'static-stair',
    'torque-constant',
    'torque constant, 10–60 %',
    'shaft',
    0.6012,
    0.0036,
    'N·m/A',
    0.58,
    0.62,
    G,
  ],
  ['slow-triangle', 'hysteresis', 'hysteresis', 'shaft', 0.42, 0.15, '%', _, 1, G],
  [
    'slow-triangle',
    'static-friction',
    'static friction, half-width',
    'shaft',
    24.8,
    3,
    'mN·m',
    _,
    45,
    S,
  ],
  ['slow-triangle', 'deadband', 'deadband', 'shaft', 6.5, 2, 'mN·m', _, 20, S],
  ['steps-0', 'dead-time', 'dead time', 'motor', 0.61, 0.06, 'ms', 0.35, 1, G],
  ['steps-0', 'rise-time', 'rise time 3 N·m, smoothing 0', 'motor', 0.57, 0.06, 'ms', 0.4, 0.8, G],
  ['steps-0', 'overshoot', 'overshoot, motor side', 'motor', 0.4, 1, '%', _, 8, G],
  ['steps-2', 'rise-time', 'rise time 3 N·m, smoothing 2', 'motor', 2.71, 0.06, 'ms', 2.3, 3.1, G],
  ['steps-2', 'settling-time', 'settling 2 %, smoothing 2', 'motor', 6.1, 0.2, 'ms', _, 8, S],
  ['full-step', 'slew-rate', 'slew rate −12 → +12 N·m', 'motor', 5.98, 0.15, 'N·m/ms', 5.2, 6.6, G],
  ['full-step', 'supply-minimum', 'supply, minimum', 'electrical', 46.2, 0.1, 'V', 45, _, S],
  ['shaped-step', 'overshoot', 'overshoot, shaft side, shaped', 'shaft', 2.6, 2, '%', _, 6, G],
  [
    'frequency-response',
    'bandwidth',
    '−3 dB bandwidth, smoothing 2',
    'motor',
    126.4,
    3.8,
    'Hz',
    108,
    146,
    G,
  ],
  [
    'frequency-response',
    'phase-bandwidth',
    '−90° frequency, smoothing 2',
    'motor',
    111.2,
    3.3,
    'Hz',
    95,
    130,
    G,
  ],
  ['frequency-response', 'gain-peaking', 'gain peaking 5–150 Hz', 'motor', 0.1, 0.2, 'dB', _, 1, S],
  [
    'smoothing-sweep',
    'lag',
    'lag against latched command',
    'motor',
    2.39,
    0.06,
    'ms',
    1.95,
    2.85,
    G,
  ],
  ['smoothing-sweep', 'grain', 'grain, smoothing 2, rms', 'motor', 49.8, 4, 'mN·m', 35, 62, G],
  [
    'smoothing-sweep',
    'grain-ratio',
    'order: grain ratio, each setting',
    'motor',
    0.86,
    0.02,
    '1',
    _,
    0.93,
    S,
  ],
  [
    'smoothing-sweep',
    'lag-increase',
    'order: lag rise, each setting',
    'motor',
    0.79,
    0.06,
    'ms',
    0.4,
    _,
    S,
  ],
  [
    'field-pattern',
    'lag-updates',
    'lag against source',
    'motor',
    0.73,
    0.01,
    'updates',
    _,
    0.85,
    G,
  ],
  ['field-pattern', 'tracking-error', 'tracking after lag, rms', 'motor', 1.4, 0.3, '%', _, 3, S],
  ['field-pattern', 'missing-updates', 'missing updates', 'link', 0, _, 'count', _, 0, S],
  ['purity', 'distortion', 'distortion, 5 Hz', 'motor', 0.6, 0.1, '%', _, 1.5, S],
  ['purity', 'ripple', 'ripple at 6 N·m, rms', 'shaft', 0.31, 0.1, '%', _, 1, G],
  ['peak', 'peak-torque', 'peak torque, 5 s minimum', 'shaft', 11.82, 0.04, 'N·m', 11.2, _, G],
  [
    'peak',
    'torque-constant-droop',
    'torque constant, droop at peak',
    'shaft',
    3.7,
    0.6,
    '%',
    _,
    6,
    S,
  ],
  ['thermal', 'thermal-fade', 'thermal fade, 30 s', 'shaft', 0.61, 0.2, '%', _, 1.5, G],
  ['thermal', 'winding-rise', 'winding rise, 30 s', 'thermal', 14.2, 1.5, 'K', _, 34, S],
  [
    'stability',
    'stability-margin',
    'stability margin, smoothing 2',
    'shaft',
    76.1,
    4.6,
    'N·m/rad',
    62,
    _,
    G,
  ],
  ['stability', 'limit-cycle', 'limit cycle at 30 N·m/rad', 'shaft', 18, 4, 'mN·m', _, 50, S],
  ['link-loss', 'loss-reaction', 'reaction to command loss', 'link', 104, 1, 'ms', _, 130, S],
];

function evidenceOf(stage: string, characteristic: string, value: number): Evidence | undefined {
  switch (`${stage}.${characteristic}`) {
    case 'steps-2.rise-time':
    case 'steps-2.settling-time':
      return stepEvidence();
    case 'full-step.slew-rate':
      return slewEvidence(value * 1000);
    case 'frequency-response.bandwidth':
      return responseEvidence();
    case 'smoothing-sweep.grain-ratio':
      return { kind: 'smoothing', points: SMOOTHING };
    case 'field-pattern.lag-updates':
      return traceEvidence();
    default:
      return undefined;
  }
}

function toleranceOf(low: number | undefined, high: number | undefined): Tolerance {
  if (low !== undefined && high !== undefined) return { kind: 'between', lower: low, upper: high };
  if (low !== undefined) return { kind: 'at-least', lower: low };
  if (high !== undefined) return { kind: 'at-most', upper: high };
  throw new Error('a limit needs an end');
}

function resultOf(line: Line, at: number, kind: SampleKind): Result {
  const [stage, characteristic, label, side, plain, stated, symbol, low, high, rule] = line;
  const unit = unitOf(symbol);
  const base = (x: number): number => Number(`${x}e${unit.exponent}`);
  const isSlew = characteristic === 'slew-rate';
  const isLag = stage === 'smoothing-sweep' && characteristic === 'lag';
  const changed =
    kind === 'reject' && isSlew
      ? [3.02, 0.08]
      : kind === 'hold' && isLag
        ? [2.81, 0.06]
        : undefined;
  const [value = plain, u = stated] = changed ?? [];
  const tolerance = toleranceOf(
    low === undefined ? low : base(low),
    high === undefined ? high : base(high),
  );
  const limit = {
    stage,
    characteristic,
    tolerance,
    unit,
    rule,
    label,
    where: { file: 'limits/as-h12.yaml', line: 12 + at * 6, column: 3 },
  };
  const expanded = u === undefined ? undefined : base(u);
  if (kind === 'gate' && (side === 'shaft' || side === 'thermal')) {
    const reason = 'gate "stand resonance" of the run did not hold';
    const outcome: Outcome = { kind: 'not-evaluated', reason };
    return {
      limit,
      name: label,
      side,
      outcome,
      expanded: undefined,
      verdict: { outcome: 'invalid', reasons: [reason] },
    };
  }
  const evidence = evidenceOf(stage, characteristic, value);
  const repeats = stage.startsWith('steps')
    ? { repeats: 10, spread: base(value) / 200 }
    : isSlew
      ? { repeats: 3, spread: base(0.02) }
      : {};
  const outcome: Outcome = {
    kind: 'measured',
    value: base(value),
    ...repeats,
    ...(evidence === undefined ? {} : { evidence }),
  };
  const verdict = decide(base(value), expanded, tolerance, rule);
  return { limit, name: label, side, outcome, expanded, verdict };
}

const STAGES = [...new Set(LINES.map(([stage]) => stage))];

function gatesOf(kind: SampleKind): readonly Gate[] {
  const draw = noise(21);
  const each = STAGES.flatMap((scope): readonly Gate[] => [
    gateAs({
      name: 'converter clip',
      scope,
      holds: true,
      observed: 0,
      allowed: 0,
      unit: 'count',
      blames: 'stand',
      evidence: 'No sample at the end of the range.',
    }),
    gateAs({
      name: 'samples lost',
      scope,
      holds: true,
      observed: 0,
      allowed: 0,
      unit: 'count',
      blames: 'link',
      evidence: 'All samples arrived.',
    }),
    gateAs({
      name: 'clock skew',
      scope,
      holds: true,
      observed: Math.round(38 + 6 * draw()),
      allowed: 200,
      unit: 'ppm',
      blames: 'link',
      evidence: 'Device and digitizer run alike.',
    }),
    gateAs({
      name: 'stimulus delivered',
      scope,
      holds: true,
      observed: Number((0.2 + 0.05 * draw()).toFixed(2)),
      allowed: 1,
      unit: '%',
      blames: 'link',
      evidence: 'The command as latched is the command as sent.',
    }),
  ]);
  const isLoose = kind === 'gate';
  return [
    gateAs({
      name: 'zero return',
      scope: 'run',
      holds: true,
      observed: 3.1,
      allowed: 15,
      unit: 'mN·m',
      blames: 'stand',
      evidence: 'The transducer came back to zero.',
    }),
    gateAs({
      name: 'shunt check',
      scope: 'run',
      holds: true,
      observed: 0.04,
      allowed: 0.15,
      unit: '%',
      blames: 'stand',
      evidence: 'The bridge answers as calibrated.',
    }),
    gateAs({
      name: 'stand resonance',
      scope: 'run',
      holds: !isLoose,
      observed: isLoose ? 47.4 : 0.3,
      allowed: 5,
      unit: '%',
      blames: 'stand',
      evidence: isLoose
        ? 'The stand resonates at 190 Hz instead of 361 Hz ± 5 %: tighten the coupling.'
        : 'The stand resonates at 362 Hz, within 5 % of its model.',
    }),
    gateAs({
      name: 'coherence 5–150 Hz',
      sense: 'at-least',
      scope: 'frequency-response',
      holds: true,
      observed: 0.991,
      allowed: 0.95,
      unit: '1',
      blames: 'stand',
      evidence: 'The response is not noise.',
    }),
    gateAs({
      name: 'hum',
      scope: 'wake',
      holds: true,
      observed: 0.6,
      allowed: 3,
      unit: 'mN·m',
      blames: 'stand',
      evidence: 'Mains hum is small.',
    }),
    ...each,
  ];
}

const GERMAN: Readonly<Record<Warning['hazard'], WarningText>> = {
  crushing: {
    heading: 'Quetschgefahr für die Hände',
    hazard: 'Das Rad kann sich plötzlich mit bis zu 12 N·m drehen.',
    consequence: 'Finger zwischen Rad, Klemme und Schutzhaube können gequetscht werden.',
    avoidance: 'Hände fernhalten. Schutzhaube vor dem Start schließen.',
  },
  'sudden-torque': {
    heading: 'Plötzliches Drehmoment',
    hazard: 'Während der Prüfung liegt ohne weitere Ankündigung Drehmoment an.',
    consequence: 'Es kann sich in 4 ms umkehren.',
    avoidance: 'Rad und Kupplung nicht berühren, bis der Prüfstand spannungsfrei ist.',
  },
};

const ENGLISH: Readonly<Record<Warning['hazard'], WarningText>> = {
  crushing: {
    heading: 'Crushing of hands',
    hazard: 'The wheel can turn suddenly with up to 12 N·m.',
    consequence: 'Fingers between wheel, clamp and guard can be crushed.',
    avoidance: 'Keep hands clear. Close the guard before starting.',
  },
  'sudden-torque': {
    heading: 'Sudden torque',
    hazard: 'Torque is applied without further notice during the test.',
    consequence: 'It may reverse in 4 ms.',
    avoidance: 'Do not touch wheel or coupling until the stand shows De-energized.',
  },
};

function acknowledgement(
  hazard: Warning['hazard'],
  at: string,
  simulated: boolean,
): Acknowledgement & { readonly warning: Warning } {
  return {
    hazard,
    by: 'operator 17',
    at: Date.parse(at),
    serial: 'H12-26-04711',
    attempt: 1,
    language: hazard === 'crushing' ? 'en' : 'de',
    textIssue: 3,
    means: simulated ? 'command-line option, simulated bench' : 'held button',
    warning: {
      hazard,
      signal: 'WARNING',
      sign: hazard === 'crushing' ? 'W024' : 'W001',
      issue: 3,
      texts: new Map([
        ['en', ENGLISH[hazard]],
        ['de', GERMAN[hazard]],
      ]),
    },
  };
}

function reference(id: string, title: string, issue: number, date: string): DocumentReference {
  const digest = sampleDigest(issue + 100);
  const approval = { by: 'R. Dunmallard', role: 'quality engineer', on: date, digest };
  return { id, title, issue, date, digest, approval };
}

const REASONS: Readonly<Record<SampleKind, string>> = {
  accept: 'All 37 characteristics conform to AS-H12 issue 7.',
  reject:
    '1 characteristic does not conform to AS-H12 issue 7: slew rate −12 → +12 N·m 3.020 ± 0.080 N·m/ms, allowed 5.20 to 6.60 N·m/ms.',
  hold: '1 characteristic is nearer to a limit of AS-H12 issue 7 than U: lag against latched command 2.810 ± 0.060 ms, allowed 1.95 to 2.85 ms.',
  gate: 'Nothing can be concluded: gate "stand resonance" does not hold and points at the stand (the stand resonates at 190 Hz instead of 361 Hz ± 5 %).',
};

const VERDICTS: Readonly<Record<SampleKind, Decision['verdict']>> = {
  accept: { outcome: 'conforming', word: 'ACCEPT' },
  reject: { outcome: 'nonconforming', word: 'REJECT' },
  hold: { outcome: 'inconclusive', word: 'HOLD' },
  gate: { outcome: 'invalid', word: 'HOLD' },
};

/**
 * Makes a complete, believable certificate of an H12 console helm: 37 results with evidence, gates
 * of every stage, acknowledgements in two languages, figures. Equal arguments give equal values.
 */
export function sampleCertificate(kind: SampleKind = 'accept', simulated = false): Certificate {
  const results = LINES.map((line, at) => resultOf(line, at, kind));
  if (!isNonEmpty(results)) throw new Error('the sample has results');
  return {
    number: 'TW1-2026-004711',
    revision: 0,
    simulated,
    maker: { name: 'Skarrowmere Helmworks', address: '3 Capstan Yard, Tarnwick' },
    bench: 'TW-1',
    place: 'final test line, Tarnwick',
    nest: 2,
    serial: 'H12-26-04711',
    model: {
      code: 'H12',
      name: 'H12 console helm',
      gtin: '09520123401207',
      revision: 'C3',
      serial: '^H12-[0-9]{2}-[0-9]{5}$',
      torqueConstant: torquePerAmpere(0.6),
      resistance: 0.35 as Certificate['model']['resistance'],
      continuousLoss: 52,
      slew: torquePerSecond(6000),
      firmware: ['4.2.0'],
    },
    item: {
      model: 'H12',
      serial: 'H12-26-04711',
      firmware: '4.2.0',
      firmwareDigest: sampleDigest(1),
    },
    attempt: 1,
    attemptsAllowed: 3,
    procedure: reference('h12-acceptance', 'H12 acceptance', 3, '2026-09-14'),
    limits: reference('AS-H12', 'Acceptance specification H12', 7, '2026-11-02'),
    benchDigest: sampleDigest(2),
    started: Date.parse('2026-11-25T14:05:18Z'),
    ended: Date.parse('2026-11-25T14:09:07Z'),
    issued: Date.parse('2026-11-25T14:09:31Z'),
    environment: { ambient: celsius(22.8), humidity: 0.41, supply: volt(48.1) },
    decision: { verdict: VERDICTS[kind], reason: REASONS[kind], results, gates: gatesOf(kind) },
    acknowledgements: [
      acknowledgement('crushing', '2026-11-25T14:05:12Z', simulated),
      acknowledgement('sudden-torque', '2026-11-25T14:05:15Z', simulated),
    ],
    operator: 'operator 17',
    operatorIdentity: 'identity stated, not checked',
    equipment: [
      instrument('TT-204', 'torque transducer', '±20 N·m', 'SL-26-0417', '2026-06-25', '0.15 %'),
      instrument('CS-11', 'current sensor', '±30 A', 'SL-26-0391', '2026-05-30', '0.5 %'),
      instrument('DG-3', 'digitizer', '±10 V, 20 kS/s', 'SL-26-0402', '2026-06-02', '0.05 %'),
    ],
    stand: standModel({ version: 12, torqueDelay: second(0.00114), currentDelay: second(0.0008) }),
    timing: { method: 'command', uncertainty: second(0.00002) },
    torqueConstant: { value: 0.6012, origin: 'measured' },
    deviations:
      kind === 'reject' ? ['Stage thermal was rested 12 s instead of 10 s before its start.'] : [],
    figures: figuresOf({ results }),
    captureDigest: sampleDigest(3),
    software: { version: '1.0.0', scoring: '12' },
    anchor: { entry: 48213, digest: sampleDigest(4) },
  };
}

function instrument(
  id: string,
  what: string,
  range: string,
  certificate: string,
  calibrated: string,
  uncertainty: string,
): Certificate['equipment'][number] {
  return {
    id,
    what,
    serial: `S-${id}`,
    quantity: id.startsWith('TT') ? 'torque' : id.startsWith('CS') ? 'current' : 'voltage',
    range,
    certificate,
    laboratory: 'Saltmere Torque Laboratory (invented)',
    calibrated,
    due: calibrated.replace('2026', '2027'),
    uncertainty,
    correction: 'none',
  };
}
