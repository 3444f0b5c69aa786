#!/usr/bin/env node
import { readFileSync } from 'node:fs';
import { Command, CommanderError, InvalidArgumentError } from 'commander';
import { exitStatus, EXIT } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import { problemsAsJson, problemsAsText } from '../base/report.js';
import { listFaults } from '../bench/fault.js';
import type { BudgetOptions } from './budget.js';
import type { ApproveOptions } from './approve.js';
import type { CharacteristicsOptions } from './characteristics.js';
import { addItemCommands } from './item-commands.js';
import type { EmulateCommandOptions } from './emulate.js';
import type { FindOptions } from './find.js';
import type { KeyOptions } from './keys.js';
import type { ClockOptions } from './ledger.js';
import type { CompareOptions } from './limits.js';
import type { LinkCheckOptions } from './link-check.js';
import type { DraftOptions } from './limits-draft.js';
import type { NearOptions } from './near.js';
import type { ChangeOptions, NewOptions, TrainOptions } from './people.js';
import type { PlotsOptions } from './plots.js';
import type { ReadyOptions } from './ready.js';
import type { RiskOptions } from './risk.js';
import type { ChartOptions, ReferenceOptions } from './reference.js';
import type { RunOptions } from './run.js';
import type { ReviewOptions, SignOptions } from './sign.js';
import type { SamplingOptions } from './sampling.js';
import type { ServeOptions } from './serve.js';
import type { EndSessionOptions, SessionsOptions } from './sessions.js';
import type { StandOptions } from './stand.js';
import type { PowerOptions } from './power.js';
import type { TraceOptions } from './trace.js';
import type { TrailOptions } from './trail.js';
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
  .command('risk')
  .description('probability of false accept and false reject of each limit; no power')
  .argument('[limits]', 'limits file or folder; the shipped ones by default')
  .option('--bench <file>', 'bench whose uncertainties count; the only one by default')
  .option('--json', 'print as JSON')
  .action(async (limits: string | undefined, options: RiskOptions) => {
    const { risk } = await import('./risk.js');
    process.exitCode = risk(limits, options, terminal);
  });

program
  .command('budget')
  .description('uncertainty budget of a characteristic, or one line for each limit; no power')
  .argument('[characteristic...]', 'characteristics; a line for every limit by default')
  .option('--bench <file>', 'bench whose budgets count; the only one by default')
  .option('--value <quantity>', 'value the budget is for; the middle of the limit by default')
  .option('--json', 'print as JSON')
  .action(async (ids: readonly string[], options: BudgetOptions) => {
    const { printBudgets } = await import('./budget.js');
    process.exitCode = printBudgets(ids, options, terminal);
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

program
  .command('ready')
  .description(
    'may this bench test now: every check, its state, age and who may clear it; no power',
  )
  .option('--procedure <file>', 'procedure; the only one for acceptance by default')
  .option('--bench <file>', 'bench description; the only one by default')
  .option(
    '--fault <name>',
    'give the simulated stand or operator a fault, as name or name:severity (repeat)',
    several,
    [],
  )
  .option('--data <folder>', 'where records and the ledger lie', 'reports')
  .option('--keys <folder>', 'where keys lie; the configuration folder of the user by default')
  .option('--json', 'print as JSON')
  .action(async (options: ReadyOptions) => {
    const { ready } = await import('./ready.js');
    process.exitCode = await ready(options, terminal);
  });

program
  .command('trace')
  .description('every record that stands on an instrument, and what a correction would change')
  .argument('<instrument>', 'as in the register, e.g. TT-204')
  .requiredOption('--from <day>', 'first day, e.g. 2026-09-14')
  .requiredOption('--to <day>', 'last day')
  .option('--correction <factor>', 'what its readings should have been multiplied by, e.g. 1.004')
  .option('--offset <value>', 'what should have been added to its readings, e.g. "5 mN·m"')
  .option('--quantity <name>', 'what it measures, where neither record nor register says so')
  .option(
    '--bench <file>',
    'bench whose register and days count; that with the instrument by default',
  )
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (instrument: string, options: TraceOptions) => {
    const { trace } = await import('./trace.js');
    process.exitCode = trace(instrument, options, terminal);
  });

program
  .command('plots')
  .description('draw every reading of a record again from its stored samples, one SVG a reading')
  .argument('<record>', 'number of the record, or a serial: its last record')
  .requiredOption('--out <folder>', 'where the plots go')
  .option('--procedure <file>', 'procedure of the record; among the shipped ones by default')
  .option('--bench <file>', 'bench description of the record; among the shipped ones by default')
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (record: string, options: PlotsOptions) => {
    const { drawPlots } = await import('./plots.js');
    process.exitCode = await drawPlots(record, options, terminal);
  });

const limits = program.command('limits').description('limits files');
limits
  .command('compare')
  .description('what a limits file changes against the one in force, in words; no power')
  .argument('<file>', 'limits file, e.g. a draft')
  .option('--against <file>', 'compare with this file; with the limits in force by default')
  .option('--last <n>', 'what that would have made of the last n items, from their stored values')
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (file: string, options: CompareOptions) => {
    const { compareLimits } = await import('./limits.js');
    process.exitCode = compareLimits(file, options, terminal);
  });
for (const [name, argument, description] of [
  ['draft', '<file>', 'save a file as the draft of limits, as the page does; it decides nothing'],
  ['withdraw', '<id>', 'take the draft of limits away; the ledger tells it'],
] as const) {
  const command = limits.command(name).description(description).argument(argument);
  if (name === 'draft') {
    command.option('--over <digest>', 'the draft there is already, which is given up');
  }
  answered(command)
    .option('--against <file>', 'the limits in force; those of the same id by default')
    .option('--by <name>', 'the quality engineer, where there is no register of people')
    .option('--role <role>', 'in which role; with --by')
    .option('--as <id>', 'who does it; asks for the secret, or STALLMARK_SECRET gives it')
    .requiredOption('--why <text>', 'reason')
    .action(async (given: string, options: DraftOptions) => {
      const of = await import('./limits-draft.js');
      const act = name === 'draft' ? of.draftLimits : of.withdrawLimits;
      process.exitCode = await act(given, options, terminal);
    });
}

program
  .command('sampling')
  .description('which items are tested as samples, and whether the next one is; no power')
  .option('--bench <file>', 'bench description; the only one by default')
  .option('--data <folder>', 'where records and the ledger lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (options: SamplingOptions) => {
    const { sampling } = await import('./sampling.js');
    process.exitCode = sampling(options, terminal);
  });

/** Options of every command that applies power. */
function energizing(command: Command): Command {
  return command
    .option('--procedure <file>', 'procedure; chosen by the model in the serial by default')
    .option('--bench <file>', 'bench description; the only one by default')
    .option('--operator <name>', 'who stands at the bench, where there is no register of people')
    .option(
      '--as <id>',
      'who stands at the bench; asks for the secret, or STALLMARK_SECRET gives it',
    )
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

energizing(
  program
    .command('stop')
    .description('the stop function of the bench')
    .command('prove')
    .description(
      'press the emergency stop under torque and read how long the torque stays; locks the bench when it is too slow',
    )
    .argument('<label>', 'item that lies in the nest, as scanned from the label, or its serial'),
)
  .option('--json', 'print what was found as JSON')
  .action(async (label: string, options: PowerOptions) => {
    const { stopProve } = await import('./stop.js');
    process.exitCode = await stopProve(label, options, terminal);
  });

const reference = program
  .command('reference')
  .description(
    'prove the bench with reference items: good ones, and known-bad ones it must reject',
  );
energizing(
  reference
    .command('check')
    .description('check the bench with a reference item; locks it when the check does not hold')
    .argument('<serial>', 'as on the label of the reference item'),
)
  .option('--limits <file>', 'limits of the products; those of the model by default')
  .option('--json', 'print what was found as JSON')
  .action(async (serial: string, options: ReferenceOptions) => {
    const { referenceCheck } = await import('./reference.js');
    process.exitCode = await referenceCheck(serial, options, terminal);
  });
reference
  .command('suspects')
  .description('items accepted while nothing proved the bench, not decided on since')
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (options: { readonly data: string; readonly json?: true }) => {
    const { referenceSuspects } = await import('./reference.js');
    process.exitCode = referenceSuspects(options, terminal);
  });
reference
  .command('chart')
  .description('a value of a reference item over all checks, with control limits')
  .argument('<serial>', 'of the reference item')
  .requiredOption('--row <stage.characteristic>', 'which value')
  .option('--bench <file>', 'bench description; the only one by default')
  .option('--svg <file>', 'draw it there too')
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (serial: string, options: ChartOptions) => {
    const { referenceChart } = await import('./reference.js');
    process.exitCode = await referenceChart(serial, options, terminal);
  });

program
  .command('serve')
  .description('serve the page of the bench: operator, quality engineer, auditor; until Ctrl-C')
  .option('--port <port>', 'port to listen at; 0 takes any that is free', '8460')
  .option(
    '--listen <address>',
    'address to listen at; others may look, never energize',
    '127.0.0.1',
  )
  .option(
    '--host-name <name>',
    'further name that people open the page under (repeat)',
    several,
    [],
  )
  .option('--bench <file>', 'bench description; the only one by default')
  .option('--procedure <file>', 'procedure; chosen by the model in the serial by default')
  .option('--limits <file>', 'limits; those of the procedure by default')
  .option('--pace <pace>', 'fast or real, simulated bench only', oneOf('fast', 'real'), 'real')
  .option('--data <folder>', 'where records and the ledger go', 'reports')
  .option('--keys <folder>', 'where keys lie; the configuration folder of the user by default')
  .action(async (options: ServeOptions) => {
    const { servePage } = await import('./serve.js');
    process.exitCode = await servePage(options, terminal);
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

addItemCommands(program, terminal);

program
  .command('link')
  .description('links to real benches')
  .command('check')
  .description(
    'hold an adapter in any language against the protocol of procedures/links/README.md; applies power',
  )
  .argument('<command...>', 'program and arguments of the adapter, after --')
  .option('--ceiling <torque>', 'limit of power; a tenth of what the device can, at most 1 N·m')
  .option('--json', 'print what was found as JSON')
  .action(async (command: readonly string[], options: LinkCheckOptions) => {
    const { linkCheck } = await import('./link-check.js');
    process.exitCode = await linkCheck(command, options, terminal);
  });

program
  .command('emulate')
  .description(
    'serve the far side of every link of a bench over one simulated item, to rehearse real links',
  )
  .argument('<bench>', 'bench description with links')
  .option('--item <serial>', 'item in the nest', 'H12-26-04711')
  .option('--attempt <n>', 'attempt that its samples belong to', '1')
  .option('--fault <name>', 'give it a fault, as name or name:severity (repeat)', several, [])
  .option(
    '--pace <pace>',
    'real: by the clock; patient: as fast as it is read and fed',
    oneOf('real', 'patient'),
    'real',
  )
  .option(
    '--at <link=place>',
    'serve a link at another place, 127.0.0.1:0 say (repeat)',
    several,
    [],
  )
  .option('--stdio <link>', 'serve this link on standard input and output; ends with the input')
  .option('--control <socket>', 'take orders in JSON lines at this Unix domain socket')
  .option('--journal <file>', 'add what happens to this file, in JSON lines')
  .option(
    '--nasty <link:spec>',
    'let a link misbehave: delay=MS, fragment, merge, silence, garbage, close, half-open, stall (repeat)',
    several,
    [],
  )
  .option('--seed <n>', 'of what misbehaves at random', '1')
  .action(async (bench: string, options: EmulateCommandOptions) => {
    const { emulateBench } = await import('./emulate.js');
    await emulateBench(bench, options, terminal);
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
  .command('find')
  .description('attempts and refused starts, newest first; keeps an index beside the ledger')
  .option('--serial <text>', 'part of a serial or of the number of a record')
  .option('--from <day>', 'first day on which they were begun, UTC')
  .option('--to <day>', 'last day')
  .option('--model <code>', 'as serials begin')
  .option('--verdict <word>', 'ACCEPT, REJECT or HOLD')
  .option('--operator <name>', 'whole name')
  .option('--state <state>', 'suspect, superseded, "broken off", refused or "not ended"')
  .option('--page <n>', 'of fifty lines', '1')
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (options: FindOptions) => {
    const { find } = await import('./find.js');
    process.exitCode = await find(options, terminal);
  });

ledger
  .command('near')
  .description('characteristics of the last accepted items that lay near their limits')
  .option('--model <code>', 'items of this model; all by default')
  .option('--last <n>', 'how many accepted items', '100')
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (options: NearOptions) => {
    const { near } = await import('./near.js');
    process.exitCode = near(options, terminal);
  });

ledger
  .command('confirm-clock')
  .description('vouch for a clock that is earlier than the last entry, so that work can go on')
  .option('--by <name>', 'the quality engineer who vouches, where there is no register')
  .option('--as <id>', 'who vouches; asks for the secret, or STALLMARK_SECRET gives it')
  .option('--keys <folder>', 'where the register of people lies')
  .requiredOption('--why <text>', 'what had happened to the clock')
  .option('--data <folder>', 'where records lie', 'reports')
  .action(async (options: ClockOptions) => {
    const { confirmLedgerClock } = await import('./ledger.js');
    process.exitCode = await confirmLedgerClock(options, terminal);
  });

ledger
  .command('trail')
  .description('audit trail: what people changed, moved, signed and were refused, with reasons')
  .option('--from <when>', 'first day, or instant in UTC')
  .option('--to <when>', 'last day, or instant in UTC')
  .option('--person <id>', 'by and about this person, by id or name')
  .option('--serial <text>', 'part of the serial of an item')
  .option('--kind <kind>', 'changed, refused, signed, item-moved, note or attempt-aborted')
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--keys <folder>', 'where root certificates and the register of people lie')
  .option('--json', 'print as JSON')
  .action(async (options: TrailOptions) => {
    const { trail } = await import('./trail.js');
    process.exitCode = await trail(options, terminal);
  });

/** Options of every command that one person answers for with a secret. */
function answered(command: Command): Command {
  return command
    .option('--data <folder>', 'where records and the ledger lie', 'reports')
    .option('--keys <folder>', 'where keys and the register of people lie')
    .option('--json', 'print as JSON');
}

answered(
  ledger
    .command('review')
    .description('sign off that the audit trail was reviewed up to its end')
    .requiredOption('--as <id>', 'who reviews')
    .option('--why <text>', 'reason or finding', 'periodic review'),
).action(async (options: ReviewOptions) => {
  const { review } = await import('./sign.js');
  process.exitCode = await review(options, terminal);
});

answered(
  program
    .command('sign')
    .description(
      'sign a sealed record as a person; STALLMARK_SECRET or a question gives the secret',
    )
    .argument('<record>', 'number of the record, or its folder')
    .requiredOption('--as <id>', 'who signs')
    .requiredOption('--meaning <meaning>', 'tested, reviewed, approved or concession')
    .requiredOption('--why <text>', 'reason'),
).action(async (record: string, options: SignOptions) => {
  const { sign } = await import('./sign.js');
  process.exitCode = await sign(record, options, terminal);
});

const people = program
  .command('people')
  .description('register of people: roles, secrets, training; STALLMARK_SECRET answers for --as');
answered(
  people
    .command('init')
    .description('make the register with its first quality engineer')
    .argument('<id>', 'e.g. QE-1')
    .requiredOption('--name <name>', 'as printed on records')
    .option('--roles <roles>', 'further roles, with commas between')
    .option('--zone <zone>', 'where days begin and end; that of this computer by default')
    .option('--why <text>', 'reason', 'first quality engineer'),
).action(async (id: string, options: NewOptions) => {
  const { peopleInit } = await import('./people.js');
  process.exitCode = await peopleInit(id, options, terminal);
});
answered(people.command('list').description('everybody, retired ones too')).action(
  async (options: ChangeOptions) => {
    const { peopleList } = await import('./people.js');
    process.exitCode = peopleList(options, terminal);
  },
);

/** A command that a quality engineer gives about one person. */
function about(name: string, description: string): Command {
  return answered(
    people.command(name).description(description).argument('<id>', 'whom it is about'),
  )
    .requiredOption('--as <id>', 'who does it')
    .requiredOption('--why <text>', 'reason');
}

about('add', 'add a person; STALLMARK_NEW_SECRET or a question gives the secret')
  .requiredOption('--name <name>', 'as printed on records')
  .requiredOption(
    '--roles <roles>',
    'operator, maintenance, quality engineer, auditor; commas between',
  )
  .option('--from <day>', 'first day; today by default')
  .option('--until <day>', 'last day; open by default')
  .action(async (id: string, options: NewOptions) => {
    const { peopleAdd } = await import('./people.js');
    process.exitCode = await peopleAdd(id, options, terminal);
  });
about('roles', 'give a person other roles')
  .requiredOption('--roles <roles>', 'all roles from now on, with commas between')
  .action(async (id: string, options: ChangeOptions & { readonly roles: string }) => {
    const { peopleRoles } = await import('./people.js');
    process.exitCode = await peopleRoles(id, options, terminal);
  });
about('train', 'enter that a person was trained on a procedure')
  .requiredOption('--procedure <id>', 'id of the procedure')
  .requiredOption('--issue <issue>', 'issue, or 3-5 for a range')
  .option('--on <day>', 'day of the training; today by default')
  .option('--until <day>', 'last day on which it counts; a year later by default')
  .action(async (id: string, options: TrainOptions) => {
    const { peopleTrain } = await import('./people.js');
    process.exitCode = await peopleTrain(id, options, terminal);
  });
for (const [name, description] of [
  ['retire', 'retire a person; the id is never used again'],
  ['unlock', 'let a person try again who is locked after wrong secrets'],
  ['secret', 'give a new secret, with --as of the person or of a quality engineer'],
  ['confirm', 'enter that what the register says of a person was looked at and is right'],
] as const) {
  about(name, description).action(async (id: string, options: ChangeOptions) => {
    const of = await import('./people.js');
    const command = {
      retire: of.peopleRetire,
      unlock: of.peopleUnlock,
      secret: of.peopleSecret,
      confirm: of.peopleConfirm,
    }[name];
    process.exitCode = await command(id, options, terminal);
  });
}
answered(
  people
    .command('key')
    .description('have the plant root issue a key to sign with; the person gives the own secret')
    .argument('<id>', 'whose key')
    .requiredOption('--why <text>', 'reason'),
).action(async (id: string, options: ChangeOptions) => {
  const { peopleKey } = await import('./people.js');
  process.exitCode = await peopleKey(id, options, terminal);
});
people
  .command('sessions')
  .description('who is, and was, logged in to the page')
  .option('--data <folder>', 'where records lie', 'reports')
  .option('--json', 'print as JSON')
  .action(async (options: SessionsOptions) => {
    const { peopleSessions } = await import('./sessions.js');
    process.exitCode = peopleSessions(options, terminal);
  });
answered(
  people
    .command('end-session')
    .description('end a session of the page; its owner or a quality engineer may')
    .argument('<session>', 'number as listed by people sessions')
    .option('--by <name>', 'who ends it, where there is no register; with --role')
    .option('--role <role>', 'in which role; with --by')
    .option('--as <id>', 'who ends it; asks for the secret, or STALLMARK_SECRET gives it')
    .requiredOption('--why <text>', 'reason'),
).action(async (session: string, options: EndSessionOptions) => {
  const { peopleEndSession } = await import('./sessions.js');
  process.exitCode = await peopleEndSession(session, options, terminal);
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
  .option('--by <name>', 'who approves, where there is no register; must not be the author')
  .option('--role <role>', 'in which role; with --by')
  .option('--as <id>', 'who approves; asks for the secret, or STALLMARK_SECRET gives it')
  .option('--why <text>', 'the reason, for the audit trail')
  .option('--data <folder>', 'where the ledger lies that tells it', 'reports')
  .option('--keys <folder>', 'where the register of people lies')
  .action(async (file: string, options: ApproveOptions) => {
    const { approveFile } = await import('./approve.js');
    process.exitCode = await approveFile(file, options, terminal);
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
