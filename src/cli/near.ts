import { EXIT } from '../base/codes.js';
import { StallmarkError } from '../base/error.js';
import { openLedger } from '../ledger/sqlite.js';
import { nearHistory, type NearHistory } from '../readiness/near-limits.js';
import { ledgerFile } from '../run/places.js';
import { columns } from './columns.js';
import type { Terminal } from './terminal.js';

/** Options of `ledger near`, as the argument parser hands them over. */
export interface NearOptions {
  readonly model?: string;
  readonly last: string;
  readonly data: string;
  readonly json?: true;
}

/**
 * Tells which characteristics of the last accepted items lay near their limits, so that a trend is
 * seen before items are rejected. Records of simulated benches are told apart from product records.
 *
 * @throws usage/argument for a number of items that is none; ledger/*.
 */
export function near(options: NearOptions, to: Terminal): number {
  const last = countOf(options.last);
  const { model } = options;
  const wish = { last, ...(model === undefined ? {} : { model }) };
  const ledger = openLedger(ledgerFile(options.data), { readOnly: true });
  try {
    const product = nearHistory(ledger.newestFirst(), { ...wish, simulated: false });
    const simulated = nearHistory(ledger.newestFirst(), { ...wish, simulated: true });
    if (options.json === true) to.out(JSON.stringify({ ...wish, product, simulated }, null, 2));
    else show({ product, simulated }, model, to);
    return EXIT.conforming;
  } finally {
    ledger.close();
  }
}

function countOf(text: string): number {
  const count = Number(text);
  if (/^\d+$/u.test(text) && count >= 1 && count <= 1_000_000) return count;
  const what = `--last is "${text}", but must be a whole number of items from 1 to 1000000.`;
  const fix = 'Write it as in --last 100.';
  throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
}

function show(
  { product, simulated }: Readonly<Record<'product' | 'simulated', NearHistory>>,
  model: string | undefined,
  to: Terminal,
): void {
  const of = model === undefined ? '' : ` of model ${model}`;
  if (product.items > 0) to.out(told(product, `Last accepted items${of}`));
  if (simulated.items > 0) {
    to.out(told(simulated, `Last accepted items${of} in simulated records`));
  }
  if (product.items + simulated.items === 0) to.out(`No accepted item${of} is entered yet.`);
}

function told({ items, untold, rows }: NearHistory, what: string): string {
  const heading = ['△ near limit', 'items', 'share', 'greatest use', 'latest use'];
  const percent = (share: number): string => `${(100 * share).toFixed(0)} %`;
  const asked = items - untold;
  const cells = rows.map((row) => [
    row.label,
    String(row.items),
    percent(row.items / asked),
    percent(row.greatest),
    percent(row.latest),
  ]);
  const before = untold === 0 ? '' : `, of which ${untold} entered before near limits were told`;
  return [
    `${what}: ${items}${before}.`,
    ...(rows.length === 0
      ? ['None was near a limit.']
      : columns([heading, ...cells], [1, 2, 3, 4])),
  ].join('\n');
}
