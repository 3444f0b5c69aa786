#!/usr/bin/env node
import { readFileSync } from 'node:fs';
import { Command, CommanderError, InvalidArgumentError } from 'commander';
import { exitStatus, EXIT } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import { problemsAsJson, problemsAsText } from '../base/report.js';
import { listFaults } from '../bench/fault.js';
import type { CharacteristicsOptions } from './characteristics.js';
import type { KeyOptions } from './keys.js';
import type { ClockOptions } from './ledger.js';
import type { RunOptions } from './run.js';
import type { StandOptions } from './stand.js';
import type { VerifyOptions } from './verify.js';
import { processTerminal, type Terminal } from './terminal.js';

const terminal = processTerminal();

/** Collects an option that may be given several times. */
const several = (value: string, before: readonly string[]): readonly string[] => [...before, value];

function oneOf(...allowed: readonly string[]): (value: string) => string {
  return (value) => {
    if (allowed.includes(value)) return value;
    throw new InvalidArgumentError(`Give one of: ${allowed.join(', ')}.`);
  };
}

function packageVersion(): string {
  const read: unknown = JSON.parse(
    readFileSync(new URL('../../package.json', import.meta.url), 'utf8'),
  );
  return typeof read === 'object' && read !== null && 'version' in read
    ? String(read.version)
    : 'unknown';
}

const program = new Command('stallmark')
  .version(packageVersion())
  .description(
    'Automated end-of-line acceptance-test runner for torque-feedback units.\n' +
      'Not a safety function: guards, emergency stop and safe torque off are.',
  )
  .configureHelp({ sortSubcommands: false })
  .exitOverride()
  .showHelpAfterError('(stallmark --help lists the commands)');

program
  .command('check')
  .description('validate procedures, limits and benches; no power')
  .argument('[path...]', 'files or folders; the shipped ones by default')
  .option('--json', 'print findings as JSON')
  .action(async (paths: readonly string[], options: { readonly json?: true }) => {
    const { check } = await import('./check.js');
    process.exitCode = check(paths, options.json === true, terminal);
  });

program
  .command('characteristics')
  .description('what can be scored: definition, formula, stimulus, gates, source')
  .argument('[id...]', 'characteristics; all of them by default')
  .option('--json', 'print as JSON')
  .option('--markdown', 'print as the document procedures/characteristics.md')
  .action(async (ids: readonly string[], options: CharacteristicsOptions) => {
    const { listCharacteristics } = await import('./characteristics.js');
    process.exitCode = listCharacteristics(ids, options, terminal);
  });

program
  .command('scan')
  .description('what the label of an item says and which procedure it leads to; no power')
  .argument('[text]', 'as the scanner sends it; a line of standard input by default')
  .option('--json', 'print as JSON')
  .action(async (text: string | undefined, options: { readonly json?: true }) => {
    const { scan } = await import('./scan.js');
    process.exitCode = await scan(text, options, terminal);
  });

/** Options of every command that applies power. */
function energizing(command: Command): Command {
  return command
    .option('--procedure <file>', 'procedure; chosen by the model in the serial by default')
    .option('--bench <file>', 'bench description; the only one by default')
    .requiredOption('--operator <name>', 'who stands at the bench')
    .option(
      '--acknowledge <hazard>',
      'answer a warning here, simulated bench only (repeat)',
      several,
      [],
    )
    .option(
      '--fault <name>',
      'give the simulated item, stand, link or operator a fault, as name or name:severity (repeat)',
      several,
      [],
    )
    .option('--pace <pace>', 'fast or real, simulated bench only', oneOf('fast', 'real'), 'fast')
    .option('--language <tag>', 'language of the warnings', 'en')
    .option('--data <folder>', 'where records and the ledger go', 'reports')
    .option('--keys <folder>', 'where keys lie; the configuration folder of the user by default');
}

energizing(
  program
    .command('run')
    .description('test one item: warnings, progress, result, sealed record')
    .argument('<label>', 'as scanned from the label, or the serial alone'),
)
  .option('--limits <file>', 'limits; those of the procedure by default')
  .option('--plots <folder>', 'write what each value was read from as SVG, one file a reading')
  .option('--json', 'print the decision as JSON')
  .option('--verbose', 'print the structured log as it is written')
  .addHelpText('after', () => `\n${listFaults()}`)
  .action(async (label: string, options: RunOptions) => {
    const { run } = await import('./run.js');
    process.exitCode = await run(label, options, terminal);
  });

energizing(
  program
    .command('stand')
    .description('the stand as an instrument')
    .command('measure')
    .description(
      'measure resonance, damping, compliance and channel delays; store them as the next stand model',
    )
    .argument('<label>', 'item that lies in the stand, as scanned from the label, or its serial'),
)
  .option('--accept-drift <reason>', 'take over a model that moved further than a sound stand does')
  .option('--json', 'print the models as JSON')
  .action(async (label: string, options: StandOptions) => {
    const { standMeasure } = await import('./stand.js');
    process.exitCode = await standMeasure(label, options, terminal);
  });

program
  .command('demo')
  .description('test one good and one faulty item of the invented maker on the simulated bench')
  .option('--data <folder>', 'where records go; a new folder below reports/ by default')
  .option('--keys <folder>', 'where keys lie; the configuration folder of the user by default')
  .action(async (options: { readonly data?: string; readonly keys?: string }) => {
    const { demo } = await import('./demo.js');
    process.exitCode = await demo(options, terminal);
  });

program
  .command('verify')
  .description('check records, folders of records and ledgers, offline')
  .argument('<path...>', 'folder of a record, folder above it, or ledger.db')
  .option('--root <file>', 'root certificate to trust (repeat)', several, [])
  .option('--keys <folder>', 'where the root certificates lie by default')
  .option('--json', 'print the checks as JSON')
  .action(async (paths: readonly string[], options: VerifyOptions) => {
    const { verify } = await import('./verify.js');
    process.exitCode = await verify(paths, options, terminal);
  });

const ledger = program.command('ledger').description('read the append-only record');
for (const [name, description] of [
  ['list', 'every attempt, one line each'],
  ['show', 'every entry of one serial'],
  ['audit', 'check digests, order and completeness'],
] as const) {
  const command = ledger.command(name).description(description);
  if (name === 'show') command.argument('<serial>');
  command
    .option('--data <folder>', 'where records lie', 'reports')
    .option('--json', 'print as JSON')
    .action(async (...given: readonly unknown[]) => {
      const { readLedger } = await import('./ledger.js');
      const serial = name === 'show' ? String(given[0]) : undefined;
      const options = (name === 'show' ? given[1] : given[0]) as { data: string; json?: true };
      process.exitCode = readLedger(name, serial, options, terminal);
    });
}

ledger
  .command('confirm-clock')
  .description('vouch for a clock that is earlier than the last entry, so that work can go on')
  .requiredOption('--by <name>', 'the quality engineer who vouches')
  .requiredOption('--why <text>', 'what had happened to the clock')
  .option('--data <folder>', 'where records lie', 'reports')
  .action(async (options: ClockOptions) => {
    const { confirmLedgerClock } = await import('./ledger.js');
    process.exitCode = confirmLedgerClock(options, terminal);
  });

const keys = program.command('keys').description('plant root, bench seal, simulation seal');
keys
  .command('init')
  .description('make the keys; STALLMARK_PASSPHRASE or a question gives the passphrase')
  .requiredOption('--bench <id>', 'bench the seal is for, e.g. TW-1')
  .requiredOption('--maker <name>', 'organization named in the certificates')
  .option('--keys <folder>', 'where keys go')
  .action(async (options: KeyOptions & { readonly bench: string; readonly maker: string }) => {
    const { keysInit } = await import('./keys.js');
    process.exitCode = await keysInit(options, terminal);
  });
keys
  .command('list')
  .description('purpose, subject and validity of every key')
  .option('--keys <folder>', 'where keys lie')
  .option('--json', 'print as JSON')
  .action(async (options: KeyOptions) => {
    const { keysList } = await import('./keys.js');
    process.exitCode = await keysList(options, terminal);
  });
keys
  .command('retire')
  .description('take a seal out of use; what it sealed still verifies')
  .argument('<name>', 'as listed')
  .requiredOption('--reason <text>', 'why')
  .option('--keys <folder>', 'where keys lie')
  .action(async (name: string, options: KeyOptions & { readonly reason: string }) => {
    const { keysRetire } = await import('./keys.js');
    process.exitCode = await keysRetire(name, options, terminal);
  });

program
  .command('approve')
  .description('write an approval with the digest of the content into a document')
  .argument('<file>', 'procedure or limits')
  .requiredOption('--by <name>', 'who approves; must not be the author')
  .option('--role <role>', 'in which role', 'quality engineer')
  .action(async (file: string, options: { readonly by: string; readonly role: string }) => {
    const { approveFile } = await import('./approve.js');
    process.exitCode = approveFile(file, options, terminal);
  });

/** The outermost catch: every error becomes text for a person and an exit status. */
async function main(argv: readonly string[]): Promise<void> {
  try {
    await program.parseAsync(argv);
  } catch (error) {
    process.exitCode = reportError(error, argv.includes('--json'), terminal);
  }
}

function reportError(error: unknown, json: boolean, to: Terminal): number {
  if (error instanceof StallmarkError) {
    to.err(json ? problemsAsJson(error.problems) : problemsAsText(error.problems));
    return exitStatus(error.problems[0].code);
  }
  if (error instanceof CommanderError) return error.exitCode === 0 ? 0 : EXIT.usage;
  to.err(`This is a defect of Stallmark; please report it with these lines.\n${stackOf(error)}`);
  return EXIT.defect;
}

function stackOf(error: unknown): string {
  return error instanceof Error ? (error.stack ?? error.message) : String(error);
}

await main(process.argv);
