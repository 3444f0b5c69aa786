import { cpSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { isSeq, parseDocument } from 'yaml';
import { approve } from '../../src/procedure/approval.js';

const root = fileURLToPath(new URL('../..', import.meta.url));
const APPROVAL = { by: 'Q. Engineer', role: 'quality engineer', on: '2026-11-02' };

/** Stages that take about five seconds of torque together and still end in a verdict. */
export const SHORT_STAGES = ['zero', 'idle', 'polarity', 'steps-0', 'close'];

export interface ShortDocuments {
  readonly procedure: string;
  readonly limits: string;
  readonly bench: string;
}

/**
 * Writes the shipped documents of the H12 with only some of their stages, approved anew, so that a
 * test runs the true program on true documents in a moment.
 *
 * @param change - Changes the texts before they are approved, e.g. to spoil them.
 */
export function shortDocuments(
  folder: string,
  stages: readonly string[] = SHORT_STAGES,
  change: (text: string) => string = (text) => text,
): ShortDocuments {
  mkdirSync(join(folder, 'benches'), { recursive: true });
  cpSync(join(root, 'procedures/harbour-entry-01.csv'), join(folder, 'harbour-entry-01.csv'));
  const bench = join(folder, 'benches/tw-1.yaml');
  cpSync(join(root, 'procedures/benches/tw-1.yaml'), bench);
  const procedure = join(folder, 'procedure.yaml');
  writeFileSync(procedure, approved(change(shortProcedure(stages)), procedure));
  const limits = join(folder, 'limits.yaml');
  writeFileSync(limits, approved(change(shortLimits(stages)), limits));
  return { procedure, limits, bench };
}

const approved = (text: string, file: string): string => approve(text, file, APPROVAL);

function shortProcedure(stages: readonly string[]): string {
  const document = parseDocument(
    readFileSync(join(root, 'procedures/h12-acceptance.yaml'), 'utf8'),
  );
  const all = document.get('stages');
  if (!isSeq(all)) throw new Error('the procedure has no list of stages');
  all.items = all.items.filter((stage) => {
    const id: unknown = (stage as { get(key: string): unknown }).get('id');
    return typeof id === 'string' && stages.includes(id);
  });
  return document.toString({ lineWidth: 0 });
}

function shortLimits(stages: readonly string[]): string {
  const document = parseDocument(readFileSync(join(root, 'limits/as-h12.yaml'), 'utf8'));
  const rows = document.toJS() as { readonly rows: Readonly<Record<string, unknown>> };
  for (const name of Object.keys(rows.rows)) {
    if (!stages.includes(name.split('.')[0] ?? '')) document.deleteIn(['rows', name]);
  }
  return document.toString({ lineWidth: 0 });
}

/** Options that name the documents on the command line. */
export function documentOptions(documents: ShortDocuments): readonly string[] {
  const { procedure, limits, bench } = documents;
  return ['--procedure', procedure, '--limits', limits, '--bench', bench];
}
