/**
 * What is easily got wrong, as it is written first, as this program reads it, and as it is:
 * `npm run evidence:traps`. The naive readings are in naive.ts; every figure is from one serial.
 */
import { hertz, newtonMetre } from '../../src/base/units.js';
import { drawParameters } from '../../src/bench/truth.js';
import { decide } from '../../src/decision/rule.js';
import { underlyingShape } from '../../src/pattern/shapes.js';
import type { Limit } from '../../src/procedure/limits.js';
import type { Stage } from '../../src/procedure/procedure.js';
import { expandedFor } from '../../src/scoring/budget.js';
import { standardDeviation } from '../../src/scoring/line.js';
import { idealGrain } from '../support/reference.js';
import type { RunDocuments } from '../support/simulated-run.js';
import { faultAt } from './fault-list.js';
import { RATE } from './ideal-chain.js';
import { jobDocuments, serialOf } from './jobs.js';
import { decided, type Kept, valueOf } from './kept.js';
import {
  coggingAtOneAngle,
  grainOfTransducer,
  halfWidthAtZero,
  isNotTooSlow,
  isWithin,
  lagAfterAligning,
  noiseByMaximum,
  overshootOfTrace,
  shiftOf,
  slewBySamples,
} from './naive.js';
import { headOf, publish, shown, table } from './report.js';
import { bearingOf, truthOf } from './truth-rows.js';
import { onlyWith, type Watched, watchItem } from './watched-run.js';

const SERIAL = serialOf(1);
const LATE = 16; // samples by which the digitizer is late
const truth = truthOf(jobDocuments, SERIAL);
const { item, stand } = drawParameters({
  station: jobDocuments.station,
  serial: SERIAL,
  attempt: 1,
  faults: [],
});
const kt = item.torqueConstant;
const limitOf = (row: string): Limit => {
  const found = jobDocuments.limits.rows.find((r) => `${r.stage}.${r.characteristic}` === row);
  if (found === undefined) throw new Error(`no limit ${row}`);
  return found;
};
const asIs = (stage: Stage): Stage => stage;

/** One line of the report. */
interface Trap {
  readonly trap: string;
  readonly where: string;
  readonly unit: string;
  readonly naive: string;
  readonly ours: string;
  readonly truth: string;
}

const watch = (documents: RunDocuments): Promise<Watched> =>
  watchItem(documents, { serial: SERIAL });

function ours(kept: Kept, row: string, scale: number): string {
  const [stage = '', id = ''] = row.split('.');
  const value = valueOf(kept, stage, id);
  if (value !== undefined) return shown(value * scale);
  const outcome = kept.scores.find((s) => s.stage === stage && s.characteristic === id)?.outcome;
  return outcome?.kind === 'not-evaluated' ? `refused: ${outcome.reason}` : '–';
}

const put = (row: string, scale: number): string => shown((truth.get(row) ?? NaN) * scale);

/** Overshoot read from the transducer grades the coupling. */
async function overshoots(): Promise<readonly Trap[]> {
  const lines: Trap[] = [];
  for (const size of [3, 6, 12]) {
    const documents = onlyWith(jobDocuments, {
      zero: asIs,
      static: asIs,
      'steps-0': (s) => sized(s, size),
    });
    const { kept, traces } = await watch(documents);
    lines.push(
      overshootLine(
        `${size} N·m, smoothing 0`,
        kept,
        traces('steps-0').torque,
        'steps-0.overshoot',
      ),
    );
  }
  const { kept, traces } = await watch(
    onlyWith(jobDocuments, {
      zero: asIs,
      static: asIs,
      'steps-0': asIs,
      'steps-2': readingOvershoot,
    }),
  );
  const line = overshootLine(
    '3 N·m, smoothing 2',
    kept,
    traces('steps-2').torque,
    'steps-2.overshoot',
  );
  return [...lines, line];
}

/** Asks a stage for the overshoot as well. */
function readingOvershoot(stage: Stage): Stage {
  const [{ where }] = stage.reads as [Stage['reads'][number], ...Stage['reads']]; // it reads its rise time
  return { ...stage, reads: [...stage.reads, { characteristic: 'overshoot', options: {}, where }] };
}

function overshootLine(where: string, kept: Kept, torque: Float32Array, row: string): Trap {
  const hold = 0.06 * RATE;
  const naive = overshootOfTrace(torque, hold + LATE, 2 * hold);
  const trap = 'overshoot read off the transducer';
  return {
    trap,
    where,
    unit: '%',
    naive: shown(100 * naive),
    ours: ours(kept, row, 100),
    truth: '0',
  };
}

function sized(stage: Stage, size: number): Stage {
  const { pattern } = stage;
  if (pattern.kind !== 'step') throw new Error('no steps');
  const [first, second, ...others] = pattern.levels;
  const scaled = (level: number): typeof first => newtonMetre((level * size) / 3);
  return {
    ...stage,
    pattern: { ...pattern, levels: [scaled(first), scaled(second), ...others.map(scaled)] },
  };
}

/** Harmonics of a staircase near the resonance of the stand inflate its grain. */
async function grains(): Promise<readonly Trap[]> {
  const lines: Trap[] = [];
  for (const source of [100, 333]) {
    const held = (stage: Stage): Stage => {
      if (stage.pattern.kind !== 'staircase') throw new Error('no staircase');
      const pattern = { ...stage.pattern, rate: hertz(source) };
      return { ...stage, updates: source === 100 ? stage.updates : hertz(source), pattern };
    };
    const { kept, traces } = await watch(
      onlyWith(jobDocuments, { zero: asIs, static: asIs, smoothing: held }),
    );
    const update = Math.round(RATE / source);
    const naive = grainOfTransducer(traces('smoothing').torque, 0.2 * RATE, update);
    const points = kept.scores.flatMap(({ outcome }) =>
      outcome.kind === 'measured' && outcome.evidence?.kind === 'smoothing'
        ? outcome.evidence.points
        : [],
    );
    const found = points.find(({ setting }) => setting === 0)?.grain;
    const ideal = {
      deadTime: item.deadTime,
      smoothing: 0,
      slew: item.slew,
      loop: 1 / (2 * Math.PI * item.loop.frequency),
    };
    lines.push({
      trap: 'grain off the transducer, beside its resonance',
      where: `6 N·m, 1 Hz held at ${source} Hz, smoothing 0`,
      unit: 'mN·m rms',
      naive: shown(1000 * naive),
      ours: shown(found === undefined ? undefined : 1000 * found),
      truth: shown(1000 * idealGrain(ideal, 6, 1, source) * (kt / item.assumedConstant)),
    });
  }
  return lines;
}

/** Lag against what, and aligning with the same data. */
async function lags(): Promise<readonly Trap[]> {
  const { kept, traces } = await watch(
    onlyWith(jobDocuments, { zero: asIs, static: asIs, smoothing: asIs }),
  );
  const stage = jobDocuments.procedure.stages.find(({ id }) => id === 'smoothing');
  if (stage?.pattern.kind !== 'staircase') throw new Error('no staircase');
  const { command, torque } = traces('smoothing', 2);
  const shape = underlyingShape(stage.pattern);
  const source = Array.from(command, (_, i) => shape(Math.max(0, (i - LATE) / RATE)));
  const toSource = shiftOf(source, torque, 400) / RATE;
  const aligned = lagAfterAligning(command, torque, 400) / RATE;
  const where = '6 N·m, 1 Hz held at 100 Hz, smoothing 2';
  const right = {
    where,
    unit: 'ms',
    ours: ours(kept, 'smoothing.lag', 1000),
    truth: put('smoothing.lag', 1000),
  };
  return [
    {
      trap: 'lag, without saying against what: here the source, off the transducer',
      naive: shown(1000 * toSource),
      ...right,
    },
    {
      trap: 'lag after aligning the channels with the same traces',
      naive: shown(1000 * aligned),
      ...right,
    },
  ];
}

/** Lag looks like hysteresis. */
async function loops(): Promise<readonly Trap[]> {
  const lines: Trap[] = [];
  for (const frequency of [0.1, 1]) {
    const faster = (stage: Stage): Stage => {
      if (stage.pattern.kind !== 'triangle') throw new Error('no triangle');
      return { ...stage, pattern: { ...stage.pattern, frequency: hertz(frequency), cycles: 3 } };
    };
    const { kept, traces } = await watch(
      onlyWith(jobDocuments, { zero: asIs, static: asIs, triangle: faster }),
    );
    const stages = jobDocuments.procedure.stages.map((s) => (s.id === 'triangle' ? faster(s) : s));
    const [first, ...others] = stages as [Stage, ...Stage[]]; // as many as before
    const procedure = { ...jobDocuments.procedure, stages: [first, ...others] as const };
    const every = { ...jobDocuments, procedure };
    const { command, torque } = traces('triangle');
    lines.push({
      trap: 'lag taken for hysteresis: half width of the loop at zero',
      where: `triangle of ±6 N·m, ${frequency} Hz`,
      unit: 'mN·m',
      naive: shown(1000 * halfWidthAtZero(command, torque, RATE / frequency)),
      ours: ours(kept, 'triangle.static-friction', 1000),
      truth: shown(1000 * (bearingOf(every, SERIAL).get('triangle.static-friction') ?? NaN)),
    });
  }
  return lines;
}

/** Maxima, single samples, one angle. */
async function noises(): Promise<readonly Trap[]> {
  const { kept, traces } = await watch(
    onlyWith(jobDocuments, { zero: asIs, idle: asIs, static: asIs, 'full-step': asIs }),
  );
  const idle = traces('idle');
  const peaks = [200, 20_000].map((count): Trap => {
    const part = idle.current.subarray(RATE, RATE + count);
    const sigma = standardDeviation(idle.current.subarray(RATE));
    return {
      trap: 'noise by its greatest excursion',
      where: `current at zero, ${count} samples`,
      unit: 'mA',
      naive: shown(1000 * noiseByMaximum(part)),
      ours: `${shown(1000 * standardDeviation(part))} rms`,
      truth: `${shown(1000 * sigma)} rms over 3 s`,
    };
  });
  const slew = slewBySamples(
    traces('full-step').current.map((ampere) => kt * ampere),
    RATE,
  );
  return [
    ...peaks,
    {
      trap: 'slew rate by the greatest difference of two samples',
      where: 'steps of 24 N·m',
      unit: 'N·m/ms',
      naive: shown(slew / 1000),
      ours: ours(kept, 'full-step.slew-rate', 1e-3),
      truth: put('full-step.slew-rate', 1e-3),
    },
    await coggingLine(idle.torque),
  ];
}

async function coggingLine(torque: Float32Array): Promise<Trap> {
  const stage = jobDocuments.procedure.stages.find(({ reads }) =>
    reads.some((r) => r.characteristic === 'cogging'),
  );
  const found =
    stage === undefined
      ? 'not read by this procedure'
      : ours(
          (await watch(onlyWith(jobDocuments, { zero: asIs, static: asIs, [stage.id]: asIs })))
            .kept,
          `${stage.id}.cogging`,
          1000,
        );
  return {
    trap: 'cogging at one locked angle',
    where: 'hold at zero, means of 0.1 s, peak to peak',
    unit: 'mN·m',
    naive: shown(1000 * coggingAtOneAngle(torque.subarray(RATE), 0.1 * RATE)),
    ours: found,
    truth: shown(1000 * item.cogging),
  };
}

const verdictOn = (value: number, limit: Limit): string => {
  const stated = jobDocuments.station.uncertainty.get(limit.characteristic);
  const expanded =
    stated === undefined ? undefined : expandedFor(Number.isFinite(value) ? value : 0, stated);
  return decide(value, expanded, limit.tolerance, limit.rule).outcome;
};

/** Too fast, exchanged, not a number, invalid. */
async function decisions(): Promise<readonly Trap[]> {
  const limit = limitOf('smoothing.lag');
  const fast = truth.get('lag at setting 1') ?? NaN;
  const [low, high] =
    limit.tolerance.kind === 'between'
      ? [limit.tolerance.lower, limit.tolerance.upper]
      : [NaN, NaN];
  const swapped = await watchItem(jobDocuments, {
    serial: SERIAL,
    faults: [faultAt('swapped-smoothing', 'middle')],
  });
  const atTwo = swapped.kept.scores.filter(
    (s) => !['grain-ratio', 'lag-increase'].includes(s.characteristic),
  );
  const spotted = { ...jobDocuments, limits: withoutOrder(jobDocuments) };
  const drifting = await watchItem(jobDocuments, {
    serial: SERIAL,
    faults: [faultAt('zero-drift', 'middle')],
  });
  const ungated = decided({ ...drifting.kept, gates: [] }, jobDocuments);
  return [
    {
      trap: 'too fast is good: upper limits only',
      where: `item with smoothing 1 loaded for 2, lag ${shown(1000 * fast)} ms`,
      unit: 'verdict',
      naive: isNotTooSlow(fast, high) ? 'conforming' : 'nonconforming',
      ours: verdictOn(fast, limit),
      truth: 'wrong setting',
    },
    {
      trap: 'a spot check at one setting',
      where: 'settings 3 and 4 exchanged',
      unit: 'verdict',
      naive: decided({ ...swapped.kept, scores: atTwo }, spotted).verdict.word,
      ours: decided(swapped.kept, jobDocuments).verdict.word,
      truth: 'fault of the item',
    },
    {
      trap: 'what is not outside is inside',
      where: 'a lag of NaN',
      unit: 'verdict',
      naive: isWithin(NaN, low, high) ? 'conforming' : 'nonconforming',
      ours: verdictOn(NaN, limit),
      truth: 'nothing measured',
    },
    {
      trap: 'rows without their gates',
      where: 'zero of the transducer drifts by 40 mN·m a minute',
      unit: 'verdict',
      naive: ungated.verdict.word,
      ours: decided(drifting.kept, jobDocuments).verdict.word,
      truth: 'fault of the stand',
    },
  ];
}

function withoutOrder({ limits }: RunDocuments): RunDocuments['limits'] {
  const rows = limits.rows.filter(
    (row) => !['grain-ratio', 'lag-increase'].includes(row.characteristic),
  );
  const [first, ...others] = rows;
  if (first === undefined) throw new Error('no rows are left');
  return { ...limits, rows: [first, ...others] };
}

const lines: Trap[] = [];
for (const part of [overshoots, grains, lags, loops, noises, decisions]) {
  lines.push(...(await part()));
  process.stderr.write(`traps: ${lines.length} lines\n`);
}

publish(
  'traps',
  `${headOf(
    {
      title: 'What is easily got wrong',
      command: 'npm run evidence:traps',
      runs: [
        `Serial ${SERIAL}, attempt 1, noise on, stand at ${shown(Math.sqrt(stand.stiffness / item.inertia) / 2 / Math.PI)} Hz with a damping of ${shown(100 * stand.damping)} %`,
      ],
    },
    jobDocuments,
  )}
The naive readings are written down in \`tests/evidence/naive.ts\`. Truth is reckoned apart from the plant, as in truth.md.

${table(
  ['trap', 'where', 'unit', 'naive', 'this program', 'truth'],
  lines.map((line) => [line.trap, line.where, line.unit, line.naive, line.ours, line.truth]),
)}
`,
);
