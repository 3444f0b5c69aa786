/**
 * How often the truth lies within value ± U:
 * `npm run evidence:coverage -- [COUNT] [--draws N] [--results FILE] [--truths FILE]`.
 *
 * Nothing is run: it reads what the campaign of good items has kept. --results and --truths name work
 * files of another checkout, lines of {job, kept}; without them the files of this one are used and
 * missing truths are reckoned.
 */
import { readFileSync } from 'node:fs';
import { Noise } from '../../src/bench/noise.js';
import { drawParameters } from '../../src/bench/truth.js';
import type { Budget, Component } from '../../src/procedure/budget.js';
import type { Limit } from '../../src/procedure/limits.js';
import { budgetTable, type BudgetLine } from '../../src/scoring/budget.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { gainOf } from './gains.js';
import { jobDocuments, keptRuns, serialOf, truths } from './jobs.js';
import type { Kept } from './kept.js';
import { deviationOf, headOf, meanOf, publish, shown, table } from './report.js';

/** Aim for the share of values within ± U, per cent. */
const AIM = { from: 93, to: 97 };

const words = process.argv.slice(2);
const option = (name: string): string | undefined => {
  const at = words.indexOf(name);
  return at < 0 ? undefined : words[at + 1];
};
const count = Number(
  words.find((word, i) => /^\d+$/u.test(word) && words[i - 1] !== '--draws') ?? 1000,
);
const draws = Number(option('--draws') ?? 20);

type Truths = ReadonlyMap<string, Readonly<Record<string, number>>>;

/** Lines of a work file; one that is being written is left for later. */
function linesOf(file: string): ReadonlyMap<string, unknown> {
  const text = readFileSync(file, 'utf8');
  const lines = text
    .slice(0, text.lastIndexOf('\n') + 1)
    .split('\n')
    .slice(0, -1);
  return new Map(
    lines.map((line) => {
      const { job, kept } = JSON.parse(line) as { readonly job: string; readonly kept: unknown };
      return [job, kept];
    }),
  );
}

const wanted = Array.from({ length: count }, (_, i) => serialOf(i + 1));
const results = option('--results');
const found =
  results === undefined
    ? await keptRuns('good', wanted, true)
    : (linesOf(results) as ReadonlyMap<string, Kept>); // written by engine.ts
const runs = new Map(wanted.flatMap((s) => (found.has(s) ? [[s, found.get(s) as Kept]] : [])));
const truthFile = option('--truths');
const put: Truths =
  truthFile === undefined ? await truths([...runs.keys()]) : (linesOf(truthFile) as Truths);
const serials = [...runs.keys()].filter((serial) => put.has(serial));
if (serials.length === 0) throw new Error('no item was kept; run evidence:yield first');

/**
 * Whether a component is in the simulated items by itself: noise and converter steps come anew in each,
 * and so does what was set to the mean error of reading them. Everything else is one and the same error
 * in all of them, or is not simulated, and is drawn.
 */
function isSimulated({ origin, why = '' }: Component): boolean {
  return origin.kind === 'repeats' || origin.kind === 'resolution' || why.startsWith(MEAN_ERROR);
}
const MEAN_ERROR = 'mean over items';

/** An error of a component, as its distribution has it; unit of the component. */
function drawnOf({ component, size, u }: BudgetLine, noise: Noise): number {
  const { kind } = component.distribution;
  switch (kind) {
    case 'normal':
      return u * noise.normal();
    case 'rectangular':
      return size * (2 * noise.uniform() - 1);
    case 'triangular':
      return size * (noise.uniform() + noise.uniform() - 1);
    case 'arcsine':
      return size * Math.sin(2 * Math.PI * noise.uniform());
    default:
      throw new Error('a distribution of no known kind');
  }
}

type Measured = Extract<Outcome, { readonly kind: 'measured' }>;

/** One row of one item. */
interface Pair {
  readonly serial: string;
  readonly outcome: Measured;
  readonly truth: number;
  /** The value less the gains that station TW-1 was drawn with. */
  readonly own: number;
}

function pairsOf({ stage, characteristic }: Limit): readonly Pair[] {
  return serials.flatMap((serial): readonly Pair[] => {
    const score = runs
      .get(serial)
      ?.scores.find((s) => s.stage === stage && s.characteristic === characteristic);
    const truth = put.get(serial)?.[`${stage}.${characteristic}`];
    if (truth === undefined || score?.outcome.kind !== 'measured') return [];
    const own = score.outcome.value / gainOf(serial, characteristic);
    return [{ serial, outcome: score.outcome, truth, own }];
  });
}

/** Share of the draws of one item in which the truth lies within value ± U. */
function coveredShare(pair: Pair, budget: Budget): number {
  let inside = 0;
  for (let draw = 0; draw < draws; draw++) {
    const { lines } = budgetTable(pair.own, budget, pair.outcome);
    const error = lines
      .filter(({ component }) => !isSimulated(component))
      .reduce((sum, line) => {
        // Named by the component: shared ones err alike in every row of an item.
        const { name, what } = line.component;
        const noise = new Noise(['coverage', pair.serial, draw, name, what].join('/'));
        return sum + line.c * drawnOf(line, noise);
      }, 0);
    const value = pair.own + error;
    const { expanded } = budgetTable(value, budget, pair.outcome);
    if (Math.abs(value - pair.truth) <= expanded) inside += 1;
  }
  return inside / draws;
}

/** What one row comes to. */
interface Covered {
  readonly limit: Limit;
  readonly n: number;
  /** Per cent: within ± U with the errors drawn, its standard error, and as the items were simulated. */
  readonly share: number;
  readonly error: number;
  /** The same over the items that no component was sized from. */
  readonly fresh: number;
  readonly asSimulated: number;
  readonly expanded: number;
  /** Mean and standard deviation of value less truth, without the gains of the station; base unit. */
  readonly bias: number;
  readonly deviation: number;
  /** Share of the variance of the budget that is in the simulated items by itself, per cent. */
  readonly simulated: number;
}

function coveredOf(limit: Limit): Covered | undefined {
  const budget = jobDocuments.station.uncertainty.get(limit.characteristic);
  const pairs = pairsOf(limit);
  if (budget === undefined || pairs.length < 2) return undefined;
  const shares = pairs.map((pair) => coveredShare(pair, budget));
  const tables = pairs.map(({ outcome }) => budgetTable(outcome.value, budget, outcome));
  const within = pairs.filter(
    ({ outcome, truth }, i) => Math.abs(outcome.value - truth) <= (tables[i]?.expanded ?? NaN),
  );
  const errors = pairs.map(({ own, truth }) => own - truth);
  const own = tables.map(({ lines }) =>
    lines.reduce((sum, line) => sum + (isSimulated(line.component) ? line.share : 0), 0),
  );
  return {
    limit,
    n: pairs.length,
    share: 100 * meanOf(shares),
    error: (100 * deviationOf(shares)) / Math.sqrt(pairs.length),
    fresh: 100 * meanOf(shares.filter((_, i) => isFresh(pairs[i]?.serial ?? ''))),
    asSimulated: (100 * within.length) / pairs.length,
    expanded: meanOf(tables.map((one) => one.expanded)),
    bias: meanOf(errors),
    deviation: deviationOf(errors),
    simulated: 100 * meanOf(own),
  };
}

/** Scatter and mean errors of reading were sized from the first so many serials. */
const SIZED = 200;
const isFresh = (serial: string): boolean => Number(serial.slice(-5)) > SIZED;

/** Per cent of a budget, below which the simulated items hold next to nothing of it to account. */
const THIN = 5;

const nameOf = ({ stage, characteristic }: Limit): string => `${stage}.${characteristic}`;
const isWithin = (share: number): boolean => share >= AIM.from && share <= AIM.to;
const isMet = ({ share }: Covered): boolean => isWithin(share);

function lineOf(row: Covered): readonly string[] {
  const { limit, n, share, error, fresh, asSimulated, expanded, bias, deviation, simulated } = row;
  const scale = 10 ** -limit.unit.exponent;
  return [
    nameOf(limit),
    limit.unit.symbol,
    String(n),
    shown(expanded * scale),
    share.toFixed(1),
    error.toFixed(1),
    isMet(row) ? 'met' : `missed: ${share.toFixed(1)} %`,
    Number.isNaN(fresh) ? '–' : fresh.toFixed(1),
    asSimulated.toFixed(1),
    shown(bias * scale),
    shown(deviation * scale),
    `${shown(simulated, 2)} %`,
  ];
}

const { rows } = jobDocuments.limits;
const covered = rows.flatMap((limit) => coveredOf(limit) ?? []);
const missed = covered.filter((row) => !isMet(row));
const freshMissed = covered.filter(({ fresh }) => !isWithin(fresh));
const unstated = rows.filter(
  ({ characteristic }) => !jobDocuments.station.uncertainty.has(characteristic),
);
const without = rows.filter(
  (limit) => !unstated.includes(limit) && !covered.some((row) => row.limit === limit),
);
const { stand } = drawParameters({
  station: jobDocuments.station,
  serial: serialOf(1),
  attempt: 1,
  faults: [],
});
const [budget] = jobDocuments.station.uncertainty.values();

publish(
  'coverage',
  `${headOf(
    {
      title: 'How often the truth lies within value ± U',
      command: 'npm run evidence:coverage',
      runs: [
        `${serials.length} good items of the campaign, serials ${serials[0] ?? 'none'} to ${serials.at(-1) ?? 'none'}, attempt 1; the serial is the seed${results === undefined ? '' : `; results kept by another checkout, ${results.replace(/^.*\//u, '')}`}`,
        `${draws} draws of the errors of the bench for each item, seeded by serial, draw and component`,
        `uncertainty budgets version ${budget?.version ?? 'none'}, ${budget?.date ?? ''}`,
      ],
    },
    jobDocuments,
  )}
## Conclusions

- Aim: ${AIM.from} … ${AIM.to} % of values within ± U in every row (95.45 % is what k = 2 stands for). ${
    missed.length === 0
      ? `Met in all ${covered.length} rows that have a known truth and a U.`
      : `Missed in ${missed.length} of ${covered.length} rows: ${missed.map((row) => `${nameOf(row.limit)} (${row.share.toFixed(1)} %)`).join(', ')}.`
  }
- Scatter and mean errors of reading were sized from serials 1 to ${SIZED}. Over the ${serials.filter(isFresh).length} other items alone: ${
    freshMissed.length === 0
      ? 'met in all rows'
      : `missed in ${freshMissed.map((row) => `${nameOf(row.limit)} (${row.fresh.toFixed(1)} %)`).join(', ')}`
  }.
- With the values as simulated, no error of the bench drawn anew, ${covered.filter(({ asSimulated }) => isWithin(asSimulated)).length} of ${covered.length} rows lie within the aim; the others cover at least ${Math.min(...covered.filter(({ asSimulated }) => !isWithin(asSimulated)).map(({ asSimulated }) => asSimulated)).toFixed(1)} %, as most of what their budgets allow for is not in the simulation.
- In ${covered.filter(({ simulated }) => simulated < THIN).length} rows less than ${THIN} % of the variance of the budget is in the simulated items: there the drawn errors decide, and the coverage shows little more than that the sums are right and that the score itself adds nothing.
- ${without.length === 0 ? 'Every row with a U has a known truth.' : `No truth is reckoned for: ${without.map(nameOf).join(', ')}.`}
- ${unstated.length === 0 ? 'Every row has a U.' : `No U is stated for: ${unstated.map(nameOf).join(', ')}.`}

## What this shows, and what it does not

The simulated bench has one draw of its gains and no draw of its alignment, mounting, hysteresis and the like,
so with its values as they are nearly every truth lies within ± U; the column *as simulated* says how many. To see
what a budget is worth, the gains that TW-1 was drawn with (torque ${shown(100 * stand.torqueGain, 2)} % on the first clamping, current ${shown(100 * stand.currentGain, 2)} %)
are taken out of each value, and each component that the items do not contain by themselves is drawn anew for
each item from the distribution that its budget states: shares multiply the value, absolute ones are added with
their sensitivity. Repeats, converter steps and mean errors of reading are left as the simulation has them.

So this confirms the arithmetic of the budgets, that no score errs by more than its budget allows for – in bias and
in scatter –, and that components add up to a coverage near 95 %. It cannot confirm the size of what it draws itself: the
last column tells which share of each budget the simulated items hold to account. For the others that size rests on
the certificates and judgements that the budget names.

${table(
  [
    'row',
    'unit',
    'n',
    'U',
    'within ± U, %',
    'standard error, %',
    `${AIM.from} … ${AIM.to} %`,
    `from serial ${SIZED + 1} on, %`,
    'as simulated, %',
    'bias',
    'sd',
    'of the budget simulated',
  ],
  covered.map(lineOf),
)}
`,
);
