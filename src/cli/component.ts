import { EXIT } from '../base/codes.js';
import { openLedger, type LedgerFile } from '../ledger/sqlite.js';
import { holdersOf, type Holder } from '../readiness/built-in.js';
import { statusOf } from '../readiness/retest.js';
import { ledgerFile } from '../run/places.js';
import { columns } from './columns.js';
import type { ItemOptions } from './item.js';
import type { Terminal } from './terminal.js';

/** Lists the items that told a component of this serial, by their records. Reads only. */
export function itemComponent(component: string, options: ItemOptions, to: Terminal): number {
  const ledger = openLedger(ledgerFile(options.data), { readOnly: true });
  try {
    const holders = holdersOf(component, ledger.entries()).map((holder) => ({
      ...holder,
      state: stateOf(holder, ledger),
    }));
    if (options.json === true) to.out(JSON.stringify({ component, items: holders }, null, 2));
    else if (holders.length === 0) to.out(`No record tells of a component ${component}.`);
    else for (const line of table(holders)) to.out(line);
    return EXIT.conforming;
  } finally {
    ledger.close();
  }
}

/** Entries tell the attempts that were allowed; one is what a history without any may have. */
const stateOf = ({ serial }: Holder, ledger: LedgerFile): string =>
  statusOf(ledger.of(serial), 1).state;

function table(holders: readonly (Holder & { readonly state: string })[]): readonly string[] {
  const heading = ['item', 'component', 'is it there', 'record', 'attempt', 'at', 'item is'];
  const rows = holders.map((holder) => [
    holder.serial,
    holder.kind,
    holder.isThere ? 'yes' : 'no, another one by now',
    holder.simulated ? `${holder.certificate} (simulated)` : holder.certificate,
    String(holder.attempt),
    `${holder.at.slice(0, 16)}Z`,
    holder.state,
  ]);
  return columns([heading, ...rows], [4]);
}
