import { EXIT } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import { isNonEmpty, type NonEmpty } from '../base/numbers.js';
import { inUnit, readMeasure, unitOf } from '../base/units.js';
import { conform, type Conformance } from '../link/conformance.js';
import type { CheckFinding, CheckOutcome } from '../link/conformance-check.js';
import type { AdapterHello } from '../link/conformance-hello.js';
import { stoppable } from './stoppable.js';
import type { Terminal } from './terminal.js';

/** Options of `link check`. */
export interface LinkCheckOptions {
  /** Largest torque that the device is limited to, e.g. "1 N·m". */
  readonly ceiling?: string;
  readonly json?: true;
}

const CAUTIONS = [
  'CAUTION: this check applies power and torque. Clear hands and tools from the shaft, close the guard,',
  '  and keep the emergency stop within reach.',
  'CAUTION: neither this program nor an adapter is a safety function. Guards, emergency stop and safe',
  '  torque off are, under the risk assessment of the site.',
] as const;

/**
 * Holds an adapter against the protocol of `procedures/links/README.md`.
 *
 * A device that does not say of itself that it is simulated is energized only after a person at the
 * terminal has typed the name of its adapter; no option answers for the person.
 *
 * @param command - Program and arguments of the adapter.
 * @returns 0 when it conforms, 69 when it does not.
 * @throws usage/argument, bench/outstanding-warnings, run/stopped, link/…
 */
export async function linkCheck(
  command: readonly string[],
  options: LinkCheckOptions,
  to: Terminal,
): Promise<number> {
  const ceiling = options.ceiling === undefined ? undefined : torqueOf(options.ceiling);
  const program = commandOf(command);
  for (const line of CAUTIONS) to.err(line);
  const found = await stoppable(to, (stop) =>
    conform({
      command: program,
      ...(ceiling === undefined ? {} : { ceiling }),
      beforePower: (hello, limit) => confirmed(hello, limit, to),
      tell: (finding) => {
        if (options.json !== true) to.out(told(finding));
      },
      stop,
    }),
  );
  to.out(options.json === true ? JSON.stringify(asJson(found), null, 2) : summary(found));
  return found.conforms ? EXIT.conforming : EXIT.bench;
}

function commandOf(command: readonly string[]): NonEmpty<string> {
  if (isNonEmpty(command)) return command;
  const what = 'No adapter was given.';
  const fix = 'Write its command after two dashes: stallmark link check -- python3 adapter.py';
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

/** N·m of an option. */
function torqueOf(text: string): number {
  const read = readMeasure(text);
  if (!('reason' in read) && read.unit.dimension === 'torque' && read.value > 0) return read.value;
  const what = `--ceiling "${text}" is no torque above 0.`;
  throw new StallmarkError([{ code: 'usage/argument', what, fix: 'Write it as "1 N·m".' }]);
}

/** Lets nothing real be energized until a person has typed the name of its adapter. */
async function confirmed(hello: AdapterHello, ceiling: number, to: Terminal): Promise<void> {
  const { name, simulated } = hello;
  const limit = `at most ${inUnit(ceiling, unitOf('N·m'))} N·m`;
  if (simulated) {
    to.err(`"${name}" says that it is simulated. It is energized now, ${limit}.`);
    return;
  }
  if (!to.isInteractive) {
    const what = `"${name}" does not say that it is simulated, and nobody at a terminal can confirm power.`;
    const fix = 'Run the command in a terminal, with a person at the bench.';
    throw new StallmarkError([{ code: 'bench/outstanding-warnings', what, fix }]);
  }
  const typed = await to.ask(
    `"${name}" drives a real device. It is energized next, ${limit}.\n` +
      `Type "${name}" when hands are clear and the guard is closed: `,
  );
  if (typed.trim() === name) return;
  const what = `The question for the name of the adapter was answered with "${typed.trim()}".`;
  const fix = `Read the cautions, then type ${name}; the device stays off until then.`;
  throw new StallmarkError([{ code: 'bench/outstanding-warnings', what, fix }]);
}

/** Shapes that differ without colour; the word stands beside each. */
const MARKS: Readonly<Record<CheckOutcome, string>> = {
  ok: '✓',
  'not ok': '✗',
  'not applicable': '–',
};

function told({ check, outcome, found, right, fix }: CheckFinding): string {
  const first = `${MARKS[outcome]} ${outcome.padEnd(14)}  ${check.padEnd(23)}  ${found}`;
  if (outcome !== 'not ok') return first;
  return [first, `${' '.repeat(18)}Right: ${right}.`, `${' '.repeat(18)}Fix: ${fix}`].join('\n');
}

function counted(found: Conformance, outcome: CheckOutcome): number {
  return found.findings.filter((finding) => finding.outcome === outcome).length;
}

function summary(found: Conformance): string {
  const { hello, findings, ceiling } = found;
  const ok = counted(found, 'ok');
  const not = counted(found, 'not ok');
  const none = counted(found, 'not applicable');
  const word = found.conforms ? 'CONFORMS' : 'DOES NOT CONFORM';
  return [
    '',
    `${word}: "${hello.name}" to stallmark-link 1; of ${findings.length} checks ${ok} ok, ${not} not ok, ` +
      `${none} not applicable, at most ${ceiling} N·m.`,
    'This says that the adapter keeps the protocol. It does not say that the bench is safe.',
  ].join('\n');
}

function asJson({ hello, ceiling, conforms, findings }: Conformance): unknown {
  const { name, maker, version, simulated, roles } = hello;
  return {
    adapter: { name, maker, version, simulated, roles },
    protocol: 'stallmark-link 1',
    ceiling_Nm: ceiling,
    conforms,
    checks: findings,
  };
}
