import { readFileSync } from 'node:fs';
import { systemClock } from '../base/clock.js';
import { EXIT } from '../base/codes.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import type { Limits } from '../procedure/limits.js';
import { readLimits } from '../procedure/schema.js';
import { decodeText } from '../procedure/yaml.js';
import { previewLimits, type LimitsPreview } from '../readiness/limits-preview.js';
import { DEFAULT_FOLDERS, displayName, readDocuments } from '../run/documents.js';
import { differenceOf } from '../run/limits-check.js';
import { effectiveLimits, limitsFiles } from '../run/limits-files.js';
import { recentRecords } from '../run/recent-records.js';
import { columns } from './columns.js';
import type { Terminal } from './terminal.js';

/** Options of `limits compare`. */
export interface CompareOptions {
  readonly against?: string;
  readonly last?: string;
  readonly data: string;
  readonly json?: true;
}

/**
 * Says in words what a file of limits changes against the one in force, and, where it is asked for,
 * what that would have made of the last items.
 *
 * @returns 0 when both say the same, 1 when they do not.
 */
export function compareLimits(file: string, options: CompareOptions, to: Terminal): number {
  const after = limitsIn(file);
  const before = options.against === undefined ? inForce(after) : limitsIn(options.against);
  const changes = differenceOf(before, after);
  const preview = options.last === undefined ? undefined : previewOf(before, after, options);
  if (options.json === true) {
    to.out(
      JSON.stringify(
        {
          from: nameOf(before),
          to: nameOf(after),
          changes,
          ...(preview === undefined ? {} : { preview: facts(preview) }),
        },
        null,
        2,
      ),
    );
  } else {
    to.out(`${said(before)} → ${said(after)}`);
    if (changes.length === 0) to.out('They say the same; comments and layout do not count.');
    else for (const line of columns(changes.map(({ way, words }) => [way, words]))) to.out(line);
    if (preview !== undefined) for (const line of previewLines(preview)) to.out(line);
  }
  return changes.length === 0 ? EXIT.conforming : EXIT.nonconforming;
}

function limitsIn(file: string): Limits {
  try {
    return readLimits(decodeText(readFileSync(file), displayName(file)), displayName(file));
  } catch (cause) {
    if (cause instanceof StallmarkError) throw cause;
    const what = `"${file}" cannot be read: ${String(cause)}.`;
    const fix = 'Check the name and the rights of the file.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }], { cause });
  }
}

function inForce({ id }: Limits): Limits {
  const documents = readDocuments(DEFAULT_FOLDERS);
  throwIfAny(documents.problems);
  return effectiveLimits(limitsFiles(documents, undefined, systemClock.now()), id).limits;
}

const nameOf = ({ id, issue, file, digest }: Limits): object => ({ id, issue, file, digest });

const said = ({ id, issue, file }: Limits): string => `${id} issue ${String(issue)} (${file})`;

function previewOf(before: Limits, after: Limits, options: CompareOptions): LimitsPreview {
  const last = Number(options.last);
  if (!Number.isSafeInteger(last) || last < 1 || last > 1000) {
    const what = `--last is "${options.last ?? ''}".`;
    const fix = 'Give a whole number of items from 1 to 1000.';
    throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
  }
  const documents = readDocuments(DEFAULT_FOLDERS);
  const serial = documents.procedures.find(({ id }) => id === after.procedure)?.model.serial;
  const isWanted = (text: string): boolean =>
    serial === undefined || new RegExp(serial, 'u').test(text);
  return previewLimits(recentRecords(options.data, last, isWanted).records, before, after);
}

function facts({ items, changed, rows }: LimitsPreview): object {
  return {
    items,
    changed,
    rows: rows.map(({ row, values, lost, won }) => ({ row, values: values.length, lost, won })),
  };
}

function previewLines({ items, changed, rows }: LimitsPreview): readonly string[] {
  const moved = rows.filter(({ lost, won }) => lost + won > 0);
  return [
    '',
    `Of the last ${String(items)} items ${String(changed.length)} would have another verdict. A preview from stored values; no samples were scored.`,
    ...columns(
      moved.map(({ row, lost, won }) => [
        row,
        `${String(lost)} no longer accepted`,
        `${String(won)} newly accepted`,
      ]),
    ),
    ...changed.map(
      ({ serial, number, before, after, rows: names }) =>
        `${serial}  ${number}  ${before} → ${after}  ${names.join(', ')}`,
    ),
  ];
}
