/**
 * Every fault at every severity on several serials: `npm run evidence:faults -- [SERIALS] [--report]`
 * `[--severity NAME] [--fault NAME] [--whole]`.
 *
 * Item faults are played on the stages that matter to them, all others on the whole procedure; with
 * --whole everything is. What is found is decided from what is kept, under the limits of today.
 */
import { type Fault, FAULTS, type Severity, SEVERITIES } from '../../src/bench/fault.js';
import type { Decision } from '../../src/decision/decision.js';
import { withStages } from '../support/simulated-run.js';
import { stagesFor } from './fault-list.js';
import { jobDocuments, keptRuns, serialOf } from './jobs.js';
import { decided, type Kept } from './kept.js';
import { headOf, publish, table } from './report.js';

/** What came of one run. */
interface Tried {
  readonly serial: string;
  readonly word: string;
  /** Rows and gates that were not as they should be, or the code that broke the run off. */
  readonly finders: readonly string[];
  readonly isExpected: boolean;
  /** Whom the finding points at; nobody when the item was accepted. */
  readonly blamed: string;
  readonly isRight: boolean;
}

/** All runs of one fault at one severity. */
interface Case {
  readonly fault: Fault;
  readonly severity: Severity;
  readonly tried: readonly Tried[];
}

function judge(fault: Fault, serial: string, kept: Kept, isWhole: boolean): Tried {
  if (kept.aborted !== undefined) {
    const { code } = kept.aborted;
    const isExpected = fault.expect.includes(code);
    // A code says what happened, and the cause is known by that: there is no gate that points.
    return {
      serial,
      word: 'HOLD',
      finders: [code],
      isExpected,
      blamed: 'by code',
      isRight: isExpected,
    };
  }
  const stages = isWhole
    ? jobDocuments.procedure.stages.map(({ id }) => id)
    : stagesFor(jobDocuments, fault.name);
  const decision = decided(kept, withStages(jobDocuments, stages));
  const gates = decision.gates.filter((gate) => !gate.holds);
  const rows = rowsAgainst(decision);
  const word = decision.verdict.word;
  const blamed =
    word === 'ACCEPT' ? 'nobody' : (gates[0]?.blames ?? (rows.length > 0 ? 'item' : 'nobody'));
  if (kept.itemFault !== undefined) {
    const isExpected = fault.expect.includes('bench/device-fault');
    const finders = ['bench/device-fault'];
    return { serial, word, finders, isExpected, blamed: 'item', isRight: fault.blames === 'item' };
  }
  const ids = [...gates.map((gate) => gate.id), ...rows.map((row) => row.split('.')[1] ?? '')];
  return {
    serial,
    word,
    finders: [...new Set([...gates.map((gate) => `gate ${gate.id}`), ...rows])],
    isExpected: ids.some((id) => fault.expect.includes(id)),
    blamed,
    isRight: blamed === fault.blames && (fault.blames === 'item' || word === 'HOLD'),
  };
}

function rowsAgainst({ results }: Decision): readonly string[] {
  return results
    .filter(
      ({ verdict }) => verdict.outcome === 'nonconforming' || verdict.outcome === 'inconclusive',
    )
    .map(({ limit }) => `${limit.stage}.${limit.characteristic}`);
}

const isCaught = ({ word }: Tried): boolean => word !== 'ACCEPT';
const countOf = (tried: readonly Tried[], is: (one: Tried) => boolean): string =>
  `${tried.filter(is).length}/${tried.length}`;

/** Words with how often each came, the most frequent first. */
function tally(words: readonly string[], most = 5): string {
  const counts = new Map<string, number>();
  for (const word of words) counts.set(word, (counts.get(word) ?? 0) + 1);
  const sorted = [...counts].sort((a, b) => b[1] - a[1]);
  const named = sorted.slice(0, most).map(([word, n]) => `${word} ${n}`);
  return [...named, ...(sorted.length > most ? [`${sorted.length - most} others`] : [])].join(', ');
}

function caseLine({ fault, severity, tried }: Case): readonly string[] {
  return [
    fault.name,
    severity,
    fault.blames,
    tally(tried.map(({ word }) => word)),
    countOf(tried, isCaught),
    countOf(tried, ({ isExpected }) => isExpected),
    countOf(tried, ({ isRight }) => isRight),
    tally(tried.map(({ blamed }) => blamed)),
    tally(tried.flatMap(({ finders }) => finders)) || '–',
    fault.severities[severity].what,
  ];
}

function optionOf(name: string): string | undefined {
  const at = process.argv.indexOf(`--${name}`);
  return at < 0 ? undefined : process.argv[at + 1];
}

const count = Number(process.argv.slice(2).find((word) => /^\d+$/u.test(word)) ?? 20);
const isReport = process.argv.includes('--report');
const isWhole = process.argv.includes('--whole');
const only = { severity: optionOf('severity'), fault: optionOf('fault') };
// A slow stop shows in a proof of it alone: tests/truth/stop-proof.test.ts.
const places = FAULTS.filter(({ name }) => name !== 'slow-stop')
  .flatMap((fault: Fault) => SEVERITIES.map((severity) => ({ fault, severity })))
  .filter(
    ({ fault, severity }) =>
      (only.fault ?? fault.name) === fault.name && (only.severity ?? severity) === severity,
  );
const serials = Array.from({ length: count }, (_, i) => serialOf(i + 1));
// One serial through all faults before the next: a campaign that is cut short knows a little of everything.
const jobs = serials.flatMap((serial) =>
  places.map(({ fault, severity }) => `${fault.name}/${severity}/${serial}`),
);
const runs = await keptRuns(isWhole ? 'faults-whole' : 'faults', jobs, isReport);
const cases = places
  .map(({ fault, severity }): Case => {
    const tried = serials.flatMap((serial) => {
      const kept = runs.get(`${fault.name}/${severity}/${serial}`);
      return kept === undefined ? [] : [judge(fault, serial, kept, isWhole)];
    });
    return { fault, severity, tried };
  })
  .filter(({ tried }) => tried.length > 0);

const middle = cases.filter(({ severity }) => severity === 'middle');
const missed = middle.filter(({ tried }) => !tried.every((one) => isCaught(one) && one.isRight));
const wronged = cases.filter(
  ({ fault, tried }) => fault.blames !== 'item' && tried.some(({ word }) => word === 'REJECT'),
);
const swapped = middle.find(({ fault }) => fault.name === 'swapped-smoothing')?.tried ?? [];
const ORDER = ['smoothing.grain-ratio', 'smoothing.lag-increase'];
const byOrder = swapped.filter(
  ({ word, finders }) => word === 'REJECT' && finders.every((finder) => ORDER.includes(finder)),
);
const nameOf = ({ fault, severity, tried }: Case): string =>
  `${fault.name}:${severity} (caught ${countOf(tried, isCaught)}, rightly blamed ${countOf(tried, ({ isRight }) => isRight)})`;

publish(
  'faults',
  `${headOf(
    {
      title: 'Faults: found, and blamed on whom',
      command: `npm run evidence:faults${isWhole ? ' -- --whole' : ''}`,
      runs: [
        `${new Set(places.map(({ fault }) => fault.name)).size} faults, ${places.length} with their severities; ${runs.size} of ${jobs.length} runs, serials ${serialOf(1)} to ${serialOf(count)}, attempt 1`,
        isWhole
          ? 'Every fault on the whole procedure'
          : 'Faults of the item on the stages that matter to them, with zeros, direction and torque constant; all others and swapped smoothing on the whole procedure',
      ],
    },
    jobDocuments,
  )}
## Conclusions

- Aim: every fault at middle severity is caught and rightly blamed on every serial. ${
    missed.length === 0
      ? `Met for all ${middle.length} faults.`
      : `Missed for ${missed.length} of ${middle.length}: ${missed.map(nameOf).join('; ')}.`
  }
- Aim: what is the fault of stand, link or operator never rejects an item. ${
    wronged.length === 0
      ? `Met at every severity in all ${cases.filter(({ fault }) => fault.blames !== 'item').reduce((n, { tried }) => n + tried.length, 0)} runs.`
      : `Missed: ${wronged.map((one) => `${one.fault.name}:${one.severity} rejected ${countOf(one.tried, ({ word }) => word === 'REJECT')}`).join('; ')}.`
  }
- Aim: two exchanged smoothing settings are found by their order alone. ${
    swapped.length === 0
      ? 'Not run.'
      : byOrder.length === swapped.length
        ? `Met in ${byOrder.length} of ${swapped.length}: every row at setting 2 conforms.`
        : `Missed in ${swapped.length - byOrder.length} of ${swapped.length}.`
  }

Caught: the item was not accepted. As expected: one of the characteristics, gates or codes that the list of
faults names for it was among the findings. Rightly blamed: the first gate that did not hold, in the order in which
gates explain each other, points at whose fault it is; without a gate, a row that does not conform blames the item.
What breaks a run off is blamed by its code.

${table(
  [
    'fault',
    'severity',
    'whose',
    'verdict',
    'caught',
    'as expected',
    'rightly blamed',
    'blamed on',
    'found by',
    'what is wrong',
  ],
  cases.map(caseLine),
)}
`,
);
