/**
 * Good items through the shipped procedure and limits: `npm run evidence:yield -- [COUNT] [--report]`.
 *
 * Runs COUNT (1,000) serials, or what is missing of them, and keeps every value: other limits need no
 * new runs. With --report nothing is run; what is there is reported.
 */
import { RULES } from '../../src/decision/rules.js';
import type { Decision, Result } from '../../src/decision/decision.js';
import type { Limit, Tolerance } from '../../src/procedure/limits.js';
import { jobDocuments, keptRuns, serialOf, truths } from './jobs.js';
import { decided, type Kept } from './kept.js';
import { explains, isPhysical, propose, type Spread, spreadOf } from './proposal.js';
import { deviationOf, headOf, meanOf, publish, quantileOf, shown, table } from './report.js';

const nameOf = (limit: Limit): string => `${limit.stage}.${limit.characteristic}`;

interface Item {
  readonly serial: string;
  readonly kept: Kept;
  readonly decision: Decision;
}

const SHARES = [0.001, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 0.999];

function spreadLine({ limit, sorted, mean, deviation, expanded }: Spread): readonly string[] {
  const scale = 10 ** -limit.unit.exponent;
  return [
    nameOf(limit),
    limit.unit.symbol,
    String(sorted.length),
    shown(mean * scale, 4),
    shown(deviation * scale),
    ...SHARES.map((share) => shown(quantileOf(sorted, share) * scale, 4)),
    shown(expanded === undefined ? undefined : expanded * scale),
  ];
}

function endsOf(tolerance: Tolerance): { readonly lower?: number; readonly upper?: number } {
  return {
    ...(tolerance.kind === 'at-most' ? {} : { lower: tolerance.lower }),
    ...(tolerance.kind === 'at-least' ? {} : { upper: tolerance.upper }),
  };
}

/** Limits now and as proposed, with the distance of the acceptance limit from the mean in deviations. */
function limitLine(spread: Spread, proposed: Limit, items: readonly Item[]): readonly string[] {
  const { limit, mean, deviation, expanded } = spread;
  const scale = 10 ** -limit.unit.exponent;
  const guard = RULES[limit.rule].accept * (expanded ?? 0);
  const [now, then] = [endsOf(limit.tolerance), endsOf(proposed.tolerance)];
  const shownEnd = (end: number | undefined): string =>
    end === undefined ? '' : shown(end * scale, 6);
  const away = (distance: number): string =>
    Number.isNaN(distance) ? '' : deviation > 0 ? (distance / deviation).toFixed(1) : '∞';
  const missed = items.filter(({ decision }) =>
    decision.results.some((r) => r.limit === limit && r.verdict.outcome !== 'conforming'),
  );
  return [
    nameOf(limit),
    limit.unit.symbol,
    limit.rule,
    shownEnd(now.lower),
    away(mean - (now.lower ?? NaN) - guard),
    shownEnd(now.upper),
    away((now.upper ?? NaN) - mean - guard),
    String(missed.length),
    isPhysical(spread) ? 'yes' : 'no',
    isPhysical(spread) ? shownEnd(then.lower) : '',
    isPhysical(spread) ? shownEnd(then.upper) : '',
  ];
}

/** One row of one item that kept it from being accepted, and whether its truth says why. */
interface Refused {
  readonly serial: string;
  readonly result: Result;
  readonly truth: number | undefined;
  readonly isExplained: boolean;
}

async function refusals(items: readonly Item[]): Promise<readonly Refused[]> {
  const bad = items.filter(({ decision }) => decision.verdict.word !== 'ACCEPT');
  const put = await truths(bad.map(({ serial }) => serial));
  return bad.flatMap(({ serial, decision }) =>
    decision.results
      .filter(({ verdict }) => verdict.outcome !== 'conforming')
      .map((result) => {
        const truth = put.get(serial)?.[nameOf(result.limit)];
        const isExplained =
          truth !== undefined && explains(truth, result.limit, result.expanded ?? 0);
        return { serial, result, truth, isExplained };
      }),
  );
}

function refusedLine({ serial, result, truth, isExplained }: Refused): readonly string[] {
  const { limit, outcome, expanded, verdict } = result;
  const scale = 10 ** -limit.unit.exponent;
  return [
    serial,
    nameOf(limit),
    limit.unit.symbol,
    outcome.kind === 'measured' ? shown(outcome.value * scale, 5) : outcome.reason,
    shown(expanded === undefined ? undefined : expanded * scale),
    shown(truth === undefined ? undefined : truth * scale, 5),
    verdict.outcome,
    isExplained ? 'yes' : 'NO',
  ];
}

function gateLines(items: readonly Item[]): readonly (readonly string[])[] {
  const names = [...new Set(items.flatMap(({ kept }) => kept.gates.map((gate) => gate.name)))];
  return names.map((name) => {
    const all = items.flatMap(({ kept }) => kept.gates.filter((gate) => gate.name === name));
    const observed = all.map((gate) => gate.observed);
    const [first] = all;
    const sorted = [...observed].sort((a, b) => a - b);
    return [
      name,
      first?.unit ?? '',
      shown(meanOf(observed)),
      shown(deviationOf(observed)),
      shown(quantileOf(sorted, 0.001)),
      shown(quantileOf(sorted, 0.999)),
      shown(first?.allowed),
      shown(Math.min(...all.map((gate) => gate.margin)), 2),
      String(
        items.filter(({ kept }) => kept.gates.some((g) => g.name === name && !g.holds)).length,
      ),
    ];
  });
}

const count = Number(process.argv.slice(2).find((word) => /^\d+$/u.test(word)) ?? 1000);
const isReport = process.argv.includes('--report');
const serials = Array.from({ length: count }, (_, i) => serialOf(i + 1));
const runs = await keptRuns('good', serials, isReport);
const items = [...runs].map(([serial, kept]): Item => ({
  serial,
  kept,
  decision: decided(kept, jobDocuments),
}));
const words = (word: string): number =>
  items.filter(({ decision }) => decision.verdict.word === word).length;
const refused = await refusals(items);
const unexplained = refused.filter(({ isExplained }) => !isExplained);
const kepts = items.map(({ kept }) => kept);
const spreads = jobDocuments.limits.rows.map((limit) => spreadOf(limit, kepts, jobDocuments));
const proposal = propose(spreads, kepts, jobDocuments);
const share = (100 * words('ACCEPT')) / items.length;
const [low, high] = [96, 98];

publish(
  'yield',
  `${headOf(
    {
      title: 'First-pass yield of good simulated items',
      command: 'npm run evidence:yield',
      runs: [
        `${items.length} of ${count} serials, ${serialOf(1)} to ${serialOf(count)}, attempt 1, no fault; the serial is the seed`,
      ],
    },
    jobDocuments,
  )}
## Conclusions

- **${words('ACCEPT')} of ${items.length} accepted: ${share.toFixed(1)} %**; ${words('REJECT')} rejected, ${words('HOLD')} held. Aim ${low} … ${high} %: ${
    share >= low && share <= high
      ? 'met'
      : `missed by ${(share < low ? low - share : share - high).toFixed(1)} points`
  }.
- Aim: every item that is not accepted is explained by its truth, beyond a limit or nearer to it than U. ${
    refused.length === 0
      ? 'Nothing to explain.'
      : unexplained.length === 0
        ? `Met for all ${refused.length} rows that did not conform.`
        : `Missed for ${unexplained.length} of ${refused.length} rows.`
  }
- Under the limits proposed below ${(100 * proposal.share).toFixed(1)} % of the same items would be accepted.

## Items that were not accepted

${
  items
    .filter(({ decision }) => decision.verdict.word !== 'ACCEPT')
    .map(({ serial, decision }) => `- ${serial} ${decision.verdict.word}: ${decision.reason}`)
    .join('\n') || '- None.'
}

${table(['serial', 'row', 'unit', 'value', 'U', 'truth', 'verdict', 'explained by its truth'], refused.map(refusedLine))}

## Distributions

${table(['row', 'unit', 'n', 'mean', 'sd', ...SHARES.map((s) => `${shown(100 * s)} %`), 'U'], spreads.map(spreadLine))}

## Limits

Distances are from the mean to the acceptance limit (the limit moved by the guard band of its rule), in
standard deviations over the items. A row scatters when items differ by more than a fifth of its U; only for such
rows limits are proposed, each with ${shown(100 * proposal.tail, 2)} % beyond each of its acceptance limits before rounding.

${table(
  [
    'row',
    'unit',
    'rule',
    'from',
    'sd away',
    'to',
    'sd away',
    'not conforming',
    'scatters',
    'proposed from',
    'proposed to',
  ],
  spreads.map((spread, i) => limitLine(spread, proposal.rows[i] ?? spread.limit, items)),
)}

## Gates

Of each item the stage nearest to its limit.

${table(['gate', 'unit', 'mean', 'sd', '0.1 %', '99.9 %', 'allowed', 'least margin', 'items held'], gateLines(items))}
`,
);
