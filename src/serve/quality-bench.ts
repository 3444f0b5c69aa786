import { StallmarkError } from '../base/error.js';
import { SIMULATED_MARK } from '../certificate/certificate.js';
import { openRuler, writeSvg } from '../certificate/svg.js';
import type { ReferenceChecked } from '../readiness/reference-entry.js';
import { chartable, chartedRow, referenceChecks } from '../run/reference-charted.js';
import { chartWords, referenceFigure } from '../run/reference-figure.js';
import { withLedger } from '../run/stored-record.js';
import { siteDocuments } from './quality-limits.js';
import type { ReferenceChart, ReferenceItems } from './quality-views.js';
import { textIn, type Reading } from './reading.js';
import type { Site } from './site.js';

const READERS = ['quality engineer', 'maintenance', 'auditor'] as const;

/** Which reference items were checked on the bench, and what can be charted of them. */
export const referenceItemsReading: Reading<Readonly<Record<string, never>>, ReferenceItems> = {
  roles: READERS,
  args: () => ({}),
  read: (_, site) => {
    const { bench, serials, checks } = checksOf(site);
    const items = chartable(checks);
    const known = new Set(items.map(({ item }) => item));
    return { bench, items, unchecked: serials.filter((serial) => !known.has(serial)) };
  },
};

interface Checks {
  readonly bench: string;
  /** Every reference item in the registers. */
  readonly serials: readonly string[];
  readonly checks: readonly ReferenceChecked[];
}

function checksOf(site: Site): Checks {
  const { stations, references } = siteDocuments(site);
  const bench = stations[0]?.id ?? '';
  const serials = references.flatMap(({ items }) => items.map(({ serial }) => serial)).sort();
  const checks = withLedger(site.root, (ledger) =>
    serials.flatMap((serial) => referenceChecks(ledger.of(serial), bench, serial)),
  );
  return { bench, serials: [...new Set(serials)], checks };
}

/** A value of a reference item over all checks, with control limits. */
export const referenceChartReading: Reading<
  { readonly item: string; readonly row: string },
  ReferenceChart
> = {
  roles: READERS,
  args: (given) => ({ item: textIn(given, 'item'), row: textIn(given, 'row') }),
  read: async ({ item, row }, site) => {
    const { bench, checks } = checksOf(site);
    const charted = chartedRow(checks, { item, bench, row });
    if (charted === undefined) {
      const what = `No check of "${item}" on ${bench} found "${row}".`;
      const fix = 'Choose one of the rows of that item.';
      throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
    }
    const words = chartWords(charted);
    const isSimulated = checks.some((check) => check.item === item && check.simulated);
    const mark = isSimulated ? SIMULATED_MARK : undefined;
    const figure = referenceFigure(charted);
    const svg = writeSvg(figure, { lines: words, mark }, await openRuler());
    return { svg, alternative: figure.alternative, words };
  },
};
