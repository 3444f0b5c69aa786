import { cpSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import type { Ledger } from '../../src/ledger/ledger.js';
import { referenceBody, type ReferenceFound } from '../../src/readiness/reference-entry.js';
import { assemble } from '../../src/run/assemble.js';
import { attemptItem, type AttemptProgress } from '../../src/run/attempt.js';
import { prepare } from '../../src/run/documents.js';
import type { Issued } from '../../src/run/issue.js';
import { handClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';
import { madeKeys } from '../support/keys.js';
import { found } from '../support/reference-ledger.js';
import { shortDocuments } from '../support/short-documents.js';
import { orderOf } from '../support/order.js';

const SERIAL = 'H12-26-00001';
const REGISTER = fileURLToPath(
  new URL('../../procedures/benches/reference-items.yaml', import.meta.url),
);

interface Tried {
  readonly error: unknown;
  readonly issued: Issued | undefined;
  readonly progress: readonly AttemptProgress['kind'][];
  readonly begun: number;
}

/** Tests one item in a folder of records whose bench has a register, after some checks. */
async function attempted(
  required: boolean,
  checks: readonly Partial<ReferenceFound>[],
  alter: (documents: ReturnType<typeof prepare>) => ReturnType<typeof prepare> = (d) => d,
): Promise<Tried> {
  const clock = handClock();
  const folder = temporaryFolder();
  const root = join(folder, 'records');
  mkdirSync(root);
  const shorter = (text: string): string => text.replace(/duration: [234] s/gu, 'duration: 200 ms');
  const files = shortDocuments(folder, ['idle', 'close'], shorter);
  cpSync(REGISTER, join(folder, 'benches/reference-items.yaml'));
  const bench = readFileSync(files.bench, 'utf8').replace(
    'required: false',
    `required: ${String(required)}`,
  );
  writeFileSync(files.bench, bench);
  const documents = alter(prepare({ serial: SERIAL, ...files }));
  const parts = await assemble({
    ...{ documents, serial: SERIAL, root, keys: await madeKeys(), passphrase: undefined },
    ...{ faults: [], pace: 'fast', clock, scoreHere: true },
  });
  for (const check of checks) enter(parts.ledger, clock.now(), check);
  const progress: AttemptProgress['kind'][] = [];
  const outcome = { error: undefined as unknown, issued: undefined as Issued | undefined };
  try {
    const run = attemptItem(orderOf({ serial: SERIAL, documents, clock }), parts);
    for (;;) {
      const next = await run.next();
      if (next.done === true) {
        outcome.issued = next.value;
        break;
      }
      progress.push(next.value.kind);
    }
  } catch (error) {
    outcome.error = error;
  }
  const begun = parts.ledger.of(SERIAL).filter(({ kind }) => kind === 'attempt-begun').length;
  parts.ledger.close();
  return { ...outcome, progress, begun };
}

function enter(ledger: Ledger, now: number, check: Partial<ReferenceFound>): void {
  const whole = found(check);
  const body = referenceBody(whole, {});
  ledger.append({ kind: 'bench-checked', serial: whole.item, attempt: 0, by: 'op 17', body }, now);
}

const BAD = { item: 'REF-H12-B', kind: 'known-bad' } as const;

const REFUSED: readonly {
  readonly name: string;
  readonly required: boolean;
  readonly checks: readonly Partial<ReferenceFound>[];
  readonly says: readonly RegExp[];
}[] = [
  {
    name: 'nothing was checked, though the bench requires it',
    ...{ required: true, checks: [] },
    says: [/REF-H12-A not run/u, /REF-H12-B not run/u],
  },
  {
    name: 'the known-bad item alone was not checked',
    ...{ required: true, checks: [{}], says: [/REF-H12-B not run/u] },
  },
  {
    name: 'the last check failed, though the bench requires none',
    required: false,
    checks: [{}, BAD, { ok: false, reason: 'REF-H12-A is off.' }],
    says: [/REF-H12-A failed: entry 3 .*is off/u],
  },
  {
    name: 'the known-bad item looked good',
    required: true,
    checks: [{}, { ...BAD, ok: false, reason: 'this bench can only say yes.' }],
    says: [/REF-H12-B failed: .*can only say yes/u],
  },
];

for (const { name, required, checks, says } of REFUSED) {
  test(`${name}: refused, nothing energized, nothing counts`, async () => {
    const { error, progress, begun } = await attempted(required, checks);
    if (!(error instanceof StallmarkError)) throw new Error('the item was tested');
    expect(error.problems).toHaveLength(says.length);
    says.forEach((said, i) => {
      expect(error.problems[i]).toMatchObject({
        code: 'readiness/not-ready',
        what: expect.stringMatching(said) as string,
      });
    });
    expect([progress, begun]).toEqual([['chosen', 'ready'], 0]);
  });
}

test('after good checks an item is tested, and its record says nothing of them', async () => {
  const { error, issued, progress } = await attempted(true, [{}, BAD]);
  expect(error).toBeUndefined();
  expect(progress).toContain('power');
  const deviations = issued?.certificate.deviations ?? [];
  expect(deviations.filter((text) => text.includes('REF-'))).toEqual([]);
  // A good item that held is the intermediate check of the current sensor; nothing was of the transducer.
  expect(deviations.filter((text) => text.includes('CS-11'))).toEqual([]);
  expect(deviations.filter((text) => text.includes('TT-204'))).toHaveLength(1);
});

test('on a simulated bench that requires none a fresh folder can be used, and the record says so', async () => {
  const { error, issued } = await attempted(false, []);
  expect(error).toBeUndefined();
  expect(issued?.certificate.deviations).toEqual([
    'Check "stop proof" not run: the stop function was never proven on TW-1 in this ledger.',
    'Check "reference item REF-H12-A" not run: never checked on TW-1 in this ledger.',
    'Check "reference item REF-H12-B" not run: never checked on TW-1 in this ledger.',
    'Check "intermediate check of torque transducer with bridge amplifier TT-204" overdue: never checked in this ledger; calibrated 2026-05-18; due every 90 days, by 2026-08-16.',
    'Check "intermediate check of current sensor, three phases CS-11" overdue: never checked in this ledger; calibrated 2026-05-19; due every 90 days, by 2026-08-17.',
  ]);
  // What the item told of itself stands in the entry of its record.
  expect(issued?.entry.body['item']).toMatchObject({ revision: 'C3', firmware: '2.4.1' });
});

test('a script that hands a reference item over as a product is refused like a person', async () => {
  const { error, progress } = await attempted(false, [], (documents) => {
    const { references } = documents;
    if (references === undefined) throw new Error('no register was found beside the bench');
    const [item] = references.items;
    return { ...documents, references: { ...references, items: [{ ...item, serial: SERIAL }] } };
  });
  if (!(error instanceof StallmarkError)) throw new Error('the item was tested');
  expect(error.problems.map(({ code }) => code)).toEqual(['reference/serial']);
  expect(progress).toEqual([]);
});
