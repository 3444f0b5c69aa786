/**
 * Scores of good items beside what was put in: `npm run evidence:truth -- [COUNT] [--report]`.
 *
 * Uses the first COUNT (200) runs of the good items; runs what is missing of them. A second table
 * repeats some serials with nothing but noise and clamping changed, beside the least error possible.
 */
import type { Limit } from '../../src/procedure/limits.js';
import { expandedFor } from '../../src/scoring/budget.js';
import { type Bound, boundsFor } from './bounds.js';
import { gainOf } from './gains.js';
import { jobDocuments, keptRuns, serialOf, truths } from './jobs.js';
import { type Kept, valueOf } from './kept.js';
import { deviationOf, headOf, meanOf, publish, shown, table } from './report.js';
import { boundedTruthOf } from './truth-rows.js';

/** Aims: share of U that a bias may have, and how far above the least error a score may scatter. */
const BIAS = 0.2;
const EFFICIENCY = 1.5;

/** Serials and attempts of each that are repeated. */
const REPEATED = { serials: 10, attempts: 20 };

/** One row over many items, base units. */
interface Compared {
  readonly limit: Limit;
  readonly n: number;
  readonly truth: number;
  readonly bias: number;
  /** The bias when the gains with which this stand was drawn are taken out. */
  readonly ownBias: number;
  readonly deviation: number;
  readonly expanded: number | undefined;
}

type Truths = Awaited<ReturnType<typeof truths>>;

function compare(limit: Limit, runs: ReadonlyMap<string, Kept>, put: Truths): Compared | undefined {
  const { stage, characteristic } = limit;
  const pairs = [...runs].flatMap(([serial, kept]) => {
    const truth = put.get(serial)?.[`${stage}.${characteristic}`];
    const value = valueOf(kept, stage, characteristic);
    if (truth === undefined || value === undefined) return [];
    return [{ value, truth, gain: gainOf(serial, characteristic) }];
  });
  if (pairs.length < 2) return undefined;
  const errors = pairs.map(({ value, truth }) => value - truth);
  const stated = jobDocuments.station.uncertainty.get(characteristic);
  return {
    limit,
    n: pairs.length,
    truth: meanOf(pairs.map(({ truth }) => truth)),
    bias: meanOf(errors),
    ownBias: meanOf(pairs.map(({ value, truth, gain }) => value / gain - truth)),
    deviation: deviationOf(errors),
    expanded:
      stated === undefined
        ? undefined
        : meanOf(pairs.map(({ value }) => expandedFor(value, stated))),
  };
}

/** Share of U; 0 where there is neither bias nor U. */
function shareOf({ bias, expanded }: Compared): number {
  if (expanded === undefined) return bias === 0 ? 0 : NaN;
  return Math.abs(bias) / expanded;
}

function comparedLine(row: Compared): readonly string[] {
  const { limit, n, truth, bias, ownBias, deviation, expanded } = row;
  const scale = 10 ** -limit.unit.exponent;
  const share = shareOf(row);
  const covered = expanded === undefined ? NaN : (Math.abs(bias) + 2 * deviation) / expanded;
  return [
    `${limit.stage}.${limit.characteristic}`,
    limit.unit.symbol,
    String(n),
    shown(truth * scale, 4),
    shown(bias * scale),
    shown(ownBias * scale),
    shown(deviation * scale),
    shown(expanded === undefined ? undefined : expanded * scale),
    shown(share, 2),
    shown(covered, 2),
    Number.isNaN(share) ? 'no U stated' : share <= BIAS ? 'met' : `missed: ${shown(share, 2)}`,
  ];
}

/** Scatter of one row over repeats of the same serials, base unit. */
interface Repeated {
  readonly row: string;
  readonly n: number;
  readonly deviation: number;
  readonly bound: Bound;
}

/** Errors less the mean error of their serial; a degree of freedom is lost with each serial. */
function pooled(groups: readonly (readonly number[])[]): {
  readonly n: number;
  readonly deviation: number;
} {
  const used = groups.filter((group) => group.length > 1);
  const squares = used.reduce((sum, g) => sum + deviationOf(g) ** 2 * (g.length - 1), 0);
  const n = used.reduce((sum, g) => sum + g.length, 0);
  return { n, deviation: Math.sqrt(squares / (n - used.length)) };
}

function repeatedRows(runs: ReadonlyMap<string, Kept>): readonly Repeated[] {
  const put = new Map(
    [...runs.keys()].map((job) => {
      const [serial = '', attempt = ''] = job.split('/');
      return [job, boundedTruthOf(jobDocuments, serial, Number(attempt))];
    }),
  );
  const serials = [...new Set([...runs.keys()].map((job) => job.split('/')[0] ?? ''))];
  return [...boundsFor(jobDocuments, serialOf(1))].map(([row, bound]) => {
    const [stage = '', id = ''] = row.split('.');
    const groups = serials.map((serial) =>
      [...runs].flatMap(([job, kept]) => {
        const [value, truth] = [valueOf(kept, stage, id), put.get(job)?.get(row)];
        const isOf = job.startsWith(`${serial}/`);
        return isOf && value !== undefined && truth !== undefined ? [value - truth] : [];
      }),
    );
    return { row, bound, ...pooled(groups) };
  });
}

function repeatedLine({ row, n, deviation, bound }: Repeated): readonly string[] {
  const limit = jobDocuments.limits.rows.find((r) => `${r.stage}.${r.characteristic}` === row);
  const scale = 10 ** -(limit?.unit.exponent ?? 0);
  const known = bound.withBearing ?? bound.channels;
  const ratio = deviation / known;
  return [
    row,
    limit?.unit.symbol ?? '',
    String(n),
    shown(deviation * scale),
    shown(bound.channels * scale),
    shown(deviation / bound.channels),
    shown(bound.withBearing === undefined ? undefined : bound.withBearing * scale),
    shown(ratio),
    ratio <= EFFICIENCY ? 'met' : `missed: ${shown(ratio)}`,
  ];
}

const count = Number(process.argv.slice(2).find((word) => /^\d+$/u.test(word)) ?? 200);
const isReport = process.argv.includes('--report');
const serials = Array.from({ length: count }, (_, i) => serialOf(i + 1));
const runs = await keptRuns('good', serials, isReport);
const put = await truths([...runs.keys()]);
const repeatJobs = Array.from({ length: REPEATED.serials }, (_, i) => serialOf(i + 1)).flatMap(
  (serial) => Array.from({ length: REPEATED.attempts }, (_, k) => `${serial}/${k + 1}`),
);
const repeats = await keptRuns('repeats', repeatJobs.slice(0, Math.max(20, count)), isReport);

const { rows } = jobDocuments.limits;
const compared = rows.flatMap((limit) => compare(limit, runs, put) ?? []);
const without = rows.filter((limit) => !compared.some((row) => row.limit === limit));
const biased = compared.filter((row) => shareOf(row) > BIAS);
const repeated = repeatedRows(repeats);
const loose = repeated.filter(
  ({ deviation, bound }) => !(deviation <= EFFICIENCY * (bound.withBearing ?? bound.channels)),
);
const nameOf = ({ limit }: Pick<Compared, 'limit'>): string =>
  `${limit.stage}.${limit.characteristic}`;

publish(
  'truth',
  `${headOf(
    {
      title: 'Scores beside what was put in',
      command: 'npm run evidence:truth',
      runs: [
        `${runs.size} good items, serials ${serialOf(1)} to ${serialOf(runs.size)}, attempt 1, noise on; the serial is the seed`,
        `${repeats.size} repeats: ${REPEATED.serials} of these serials, attempts 1 to ${REPEATED.attempts}, other noise and clamping each`,
      ],
    },
    jobDocuments,
  )}
## Conclusions

- Aim: bias no more than a fifth of U in every row. ${
    biased.length === 0
      ? `Met in all ${compared.length} rows that have a known truth and a U.`
      : `Missed in ${biased.length} of ${compared.length} rows: ${biased.map((row) => `${nameOf(row)} (${shown(shareOf(row), 2)} of U; ${shown(Math.abs(row.ownBias) / (row.expanded ?? NaN), 2)} without the gains of the stand)`).join(', ')}.`
  }
- Aim: scatter of delay, lag, gain and torque constant within ${EFFICIENCY} times the least error possible. ${
    loose.length === 0
      ? `Met in all ${repeated.length} rows.`
      : `Missed in ${loose.length} of ${repeated.length} rows: ${loose.map(({ row, deviation, bound }) => `${row} (${shown(deviation / (bound.withBearing ?? bound.channels))} times)`).join(', ')}.`
  }
- ${without.length === 0 ? 'Every row of the limits has a known truth.' : `No truth is reckoned for: ${without.map((limit) => `${limit.stage}.${limit.characteristic}`).join(', ')}.`}

## Errors over items

The truth is what an ideal bench would read off the item as drawn, by closed forms or by a second
simulation that shares nothing with the plant but the numbers drawn (\`tests/evidence/truth-rows.ts\`). It knows
nothing of the errors of the stand, so they are in the bias and the scatter, as they are in U. The stand keeps its
errors over all items: the bias holds the gains that station TW-1 was drawn with; beside it stands what is left when
they are taken out. The last figure before the aim,
(abs(bias) + 2 sd)/U, should not exceed 1.

${table(
  [
    'row',
    'unit',
    'n',
    'mean truth',
    'bias',
    'sd',
    'U (k = 2)',
    'bias/U',
    '(bias + 2 sd)/U',
    `bias ≤ ${BIAS} U`,
  ],
  compared.map(comparedLine),
)}

## Scatter beside the least error possible

Standard deviation of score less truth over repeats of the same serial, pooled; what was drawn for each clamping
is in the truth here. Bounds after Cramér and Rao, derived in \`tests/evidence/bounds.ts\`: from the white noise of
both current sensors and of the torque converter alone, and, for what is read from the shaft, with the chance by
which the bearing comes to rest; that chance includes where the ripple stands when a hold begins, which does not
vary in these runs, so a figure below 1 is no contradiction. An edge also waits up to 50 µs for the next period of the loop and is latched
with the jitter of the link: chance that dead time has to average out and that its bound does not contain. The aim is held against the second where there is one.

${table(
  [
    'row',
    'unit',
    'n',
    'sd',
    'bound, channels',
    'sd/bound',
    'bound, with bearing',
    'sd/bound',
    `≤ ${EFFICIENCY}`,
  ],
  repeated.map(repeatedLine),
)}
`,
);
