/**
 * Measures what benches of links promise, with the emulator behind them: torque gone in time whatever
 * goes wrong, and streams without a gap. Writes reports/evidence/bench.md; long, and for a quiet machine.
 *
 * Usage: bench.ts [RUNS [KIND…]]
 */
import { writeFileSync } from 'node:fs';
import { deenergize, early, runsOf, WRONGS, type Outcome } from './deenergized.js';
import { emulated } from '../support/emulated.js';
import { shippedDocuments } from '../support/simulated-run.js';
import { headOf, publish, table } from './report.js';

const [, , count = '200', ...kinds] = process.argv;
const runs = Number(count);
/** What goes wrong in this run: all of it unless some is named. */
const wrongs = WRONGS.filter((wrong) => kinds.length === 0 || kinds.includes(wrong));

const ms = (value: number): string => (Number.isNaN(value) ? 'stayed' : `${value.toFixed(1)} ms`);
const longest = (values: readonly number[]): number =>
  values.some(Number.isNaN) ? Number.NaN : Math.max(...values);
const median = (values: readonly number[]): number =>
  values.toSorted((a, b) => a - b)[Math.floor(values.length / 2)] ?? Number.NaN;

async function main(): Promise<void> {
  const head = headOf(
    {
      title: 'Torque gone in time',
      command: 'npm run evidence:bench',
      runs: [
        `${runs} runs of each fault, at seeded random moments 20 … 420 ms after 8 N·m were there, over every make-up of links`,
        "The time runs from the fault to the emulator's own record: current of the motor below 5 % of the ceiling or 0.1 N·m, and torque of the shaft likewise",
        'The emulator, the runner and the measurement share two cores',
      ],
    },
    shippedDocuments(),
  );
  const rows: string[][] = [];
  const told = (): string =>
    `${head}\n${table(['what goes wrong', 'links', 'runs', 'motor: median', 'motor: longest', 'shaft: median', 'shaft: longest'], rows)}\n`;
  for (const wrong of wrongs) {
    const outcomes = await runsOf(wrong, runs, tell);
    for (const makeUp of new Set(outcomes.map((one) => one.makeUp))) {
      const of = outcomes.filter((one) => one.makeUp === makeUp);
      const motor = of.map((one) => one.motor);
      const shaft = of.map((one) => one.shaft);
      const times = [median(motor), longest(motor), median(shaft), longest(shaft)].map(ms);
      rows.push([wrong, makeUp, String(of.length), ...times]);
    }
    writeFileSync('reports/evidence/bench.md', told()); // what there is, should it be broken off
  }
  publish('bench', `${told()}\n${(await naive()).join('\n')}\n\n${earlyWords()}\n`);
}

function earlyWords(): string {
  const first = early[0] === undefined ? '' : ` The first: ${early[0]}.`;
  return `${early.length} runs ended by themselves before their fault, in zero torque, and were begun anew.${first}`;
}

function tell({ wrong, makeUp, motor, shaft }: Outcome): void {
  process.stdout.write(`${wrong} over ${makeUp}: ${ms(motor)}, shaft ${ms(shaft)}\n`);
}

/** A heartbeat from a timer while the control loop waits for ever: the torque stays. */
async function naive(): Promise<readonly string[]> {
  const far = await emulated('wire-tcp', { pace: 'real' });
  const found: string[] = [];
  for (const isNaive of [true, false]) {
    const { motor } = await deenergize('main-loop stall', 'wire-tcp', far, {
      after: 200,
      naive: isNaive,
    });
    found.push(ms(motor));
  }
  await far.end();
  return [
    '## A naive heartbeat fails',
    '',
    `Fed by a timer every 20 ms while the control loop waits for ever: torque ${found[0] ?? ''} (looked at for 3 s). Fed by the loop itself, which stands still: gone after ${found[1] ?? ''}.`,
  ];
}

await main();
