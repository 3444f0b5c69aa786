import { isSimulated } from '../procedure/station.js';
import { systemClock } from '../base/clock.js';
import type { LedgerFile } from '../ledger/sqlite.js';
import type { Statement } from '../readiness/disposition.js';
import type { Wish } from '../readiness/item-move.js';
import { textIn } from '../readiness/past-attempts.js';
import { lastRecord } from '../readiness/release.js';
import { prepare } from '../run/documents.js';
import { refusePicked } from '../run/on-route.js';
import { judgePartial } from '../run/partial-retest.js';
import { rootsOf } from './verify.js';

/** Options of a release that say what the retest is for. */
export interface ScopeOptions {
  readonly data: string;
  readonly keys?: string;
  /** Stages, comma-separated; all of them when left out. */
  readonly stages?: string;
  readonly procedure?: string;
  readonly limits?: string;
  readonly bench?: string;
}

/**
 * Judges the scope that somebody asks for with a release: what stands against it is told with
 * everything else that stands against the release.
 *
 * @param said - What was replaced counts as well, though it is not entered yet.
 * @throws what choosing the documents throws; storage/unreadable without a root certificate.
 */
export async function scopeAsked(
  serial: string,
  options: ScopeOptions,
  said: Statement,
  ledger: LedgerFile,
): Promise<Pick<Wish, 'scope' | 'hindrances'>> {
  if (options.stages === undefined) return {};
  const names = options.stages.split(',').map((name) => name.trim());
  const stages = [...new Set(names.filter((name) => name !== ''))];
  const { procedure, limits, bench, keys } = options;
  const picked = {
    ...(procedure === undefined ? {} : { procedure }),
    ...(limits === undefined ? {} : { limits }),
    ...(bench === undefined ? {} : { bench }),
  };
  const documents = prepare({ serial, ...picked });
  const simulated = isSimulated(documents.station);
  refusePicked(picked, simulated);
  const history = ledger.of(serial);
  const last = lastRecord(history);
  const record = last === undefined ? '' : textIn(last.body, 'certificate');
  const scope = { kind: 'stages', stages, record } as const;
  const judged = await judgePartial(
    { serial, scope, history, replaced: said.rework?.replaced ?? [] },
    {
      ...{ documents, ledger, simulated, root: options.data, now: systemClock.now() },
      roots: rootsOf({ root: [], ...(keys === undefined ? {} : { keys }) }),
    },
  );
  return { scope, hindrances: judged.kind === 'partial' ? [] : judged.problems };
}
