import type { Command } from 'commander';
import type { BenchCheckOptions } from './bench-check.js';
import type { ItemOptions, MoveOptions } from './item.js';
import type { QuarantineOptions } from './quarantine.js';
import type { Terminal } from './terminal.js';
import type { ActorOptions } from './who.js';

type Reasoned = ItemOptions & ActorOptions & { readonly why: string };

const reading = (command: Command): Command =>
  command
    .option('--data <folder>', 'where records lie', 'reports')
    .option('--json', 'print as JSON');

/** Options of every command that enters what a person did. */
const entering = (command: Command): Command =>
  reading(command)
    .option('--by <name>', 'who does it, where there is no register of people')
    .option('--role <role>', 'operator, maintenance, quality engineer or auditor; with --by')
    .option('--as <id>', 'who does it; asks for the secret, or STALLMARK_SECRET gives it')
    .option('--keys <folder>', 'where the register of people lies');

const reasoned = (command: Command): Command =>
  entering(command).requiredOption('--why <text>', 'the reason');

/** Adds the commands about single items and about benches that were locked out. */
export function addItemCommands(program: Command, to: Terminal): void {
  const item = program.command('item').description('where an item is and where it goes');
  reading(
    item
      .command('state')
      .description('state, attempts, and what may be done next by whom')
      .argument('<serial>'),
  ).action(async (serial: string, options: ItemOptions) => {
    const { itemState } = await import('./item.js');
    process.exitCode = itemState(serial, options, to);
  });
  reading(
    item
      .command('component')
      .description('which items told a component of this serial, and whether it is still there')
      .argument('<serial>', 'of the component'),
  ).action(async (serial: string, options: ItemOptions) => {
    const { itemComponent } = await import('./component.js');
    process.exitCode = itemComponent(serial, options, to);
  });
  addMove(item, to);
  addQuarantine(item, to);
  entering(
    item
      .command('reconcile')
      .description('find serials that were tested under this ledger and another one; flag them')
      .argument('<folder>', 'folder of the other ledger, which is only read'),
  ).action(async (folder: string, options: ItemOptions & ActorOptions) => {
    const { itemReconcile } = await import('./item.js');
    process.exitCode = await itemReconcile(folder, options, to);
  });
  addBench(program.command('bench').description('the bench as a whole'), to);
}

function addBench(bench: Command, to: Terminal): void {
  reasoned(
    bench
      .command('check')
      .description('enter that an instrument was checked between two calibrations')
      .argument('<instrument>', 'number in the register of the bench, e.g. TT-204'),
  )
    .option('--off', 'it was found to be off: no item is tested until it holds or is calibrated')
    .option('--bench <file>', 'bench description; the only one by default')
    .action(async (instrument: string, options: BenchCheckOptions) => {
      const { benchCheck } = await import('./bench-check.js');
      process.exitCode = await benchCheck(instrument, options, to);
    });
  reasoned(
    bench
      .command('clear')
      .description('let a bench test again that invalid measurements have locked out')
      .argument('<bench>', 'e.g. TW-1'),
  ).action(async (bench: string, options: Reasoned) => {
    const { benchClear } = await import('./item.js');
    process.exitCode = await benchClear(bench, options, to);
  });
}

function addMove(item: Command, to: Terminal): void {
  reasoned(
    item
      .command('move')
      .description(
        'rework, reworked, release, audit (a sample from stock), quarantine, scrap or concede',
      )
      .argument('<serial>')
      .argument('<event>'),
  )
    .option('--replaced <components>', 'of rework: what was replaced, comma-separated')
    .option('--replaced-by <name>', 'of rework: who replaced it; who does it by default')
    .option(
      '--stages <ids>',
      'of reworked: stages to test again, comma-separated; else all of them',
    )
    .option('--procedure <file>', 'with --stages: as run will be given it')
    .option('--limits <file>', 'with --stages: as run will be given it')
    .option('--bench <file>', 'with --stages: as run will be given it')
    .option('--signature <entry>', 'of a concession: entry of the personal signature')
    .action(async (serial: string, event: string, options: MoveOptions) => {
      const { itemMove } = await import('./item.js');
      process.exitCode = await itemMove(serial, event, options, to);
    });
}

function addQuarantine(item: Command, to: Terminal): void {
  reasoned(
    item.command('quarantine').description('hold back items by serial, lot, component or bench'),
  )
    .option('--serials <from..to>', 'serials of one model, both ends included')
    .option('--lot <lot>', 'lot as on the label, with --model')
    .option('--component <name=serial>', 'a component that is built in, with --model')
    .option('--tested-at <bench>', 'what a bench tested, with --from and --to')
    .option('--model <code>', 'model of the lot or component')
    .option('--from <instant>', 'ISO 8601 with its offset')
    .option('--to <instant>', 'ISO 8601 with its offset')
    .option('--contact <text>', 'whom to ask; who does it by default')
    .action(async (options: QuarantineOptions) => {
      const { itemQuarantine } = await import('./quarantine.js');
      process.exitCode = await itemQuarantine(options, to);
    });
  reading(item.command('quarantines').description('every quarantine in force')).action(
    async (options: ItemOptions) => {
      const { itemQuarantines } = await import('./quarantine.js');
      process.exitCode = itemQuarantines(options, to);
    },
  );
  reasoned(
    item
      .command('lift')
      .description('lift a quarantine')
      .argument('<number>', 'as listed by item quarantines'),
  ).action(async (number: string, options: Reasoned) => {
    const { itemLift } = await import('./quarantine.js');
    process.exitCode = await itemLift(number, options, to);
  });
}
