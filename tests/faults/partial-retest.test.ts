import { cpSync, mkdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { beforeAll, describe, expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { isNonEmpty } from '../../src/base/numbers.js';
import type { Bench } from '../../src/bench/bench.js';
import { readCertificateCsv } from '../../src/certificate/csv-table.js';
import { verifyFolder } from '../../src/certificate/verify-folder.js';
import { itemMove, itemState } from '../../src/cli/item.js';
import type { Terminal } from '../../src/cli/terminal.js';
import { openLedger } from '../../src/ledger/sqlite.js';
import { openClaim } from '../../src/readiness/claim.js';
import { moveItem, type Wish } from '../../src/readiness/item-move.js';
import { referenceBody } from '../../src/readiness/reference-entry.js';
import { statusOf } from '../../src/readiness/retest.js';
import { assemble } from '../../src/run/assemble.js';
import { attemptItem, type AttemptProgress } from '../../src/run/attempt.js';
import type { Parts } from '../../src/run/brief.js';
import { prepare, type Chosen } from '../../src/run/documents.js';
import type { Issued } from '../../src/run/issue.js';
import { judgePartial, type Judged } from '../../src/run/partial-retest.js';
import { ledgerFile } from '../../src/run/places.js';
import { handClock } from '../support/clock.js';
import { temporaryFolder } from '../support/folder.js';
import { madeKeys } from '../support/keys.js';
import { readPdf } from '../support/read-pdf.js';
import { shortDocuments } from '../support/short-documents.js';
import { orderOf } from '../support/order.js';

// An item is loud, gets another cover, and is tested again in part: what the cover cannot have touched
// stands on the record of the first attempt, or the retest is refused.

const SERIAL = 'H12-26-00001';
const STAGES = ['zero', 'cogging', 'idle', 'polarity', 'steps-0', 'sound', 'close'];
const PLAYED = ['zero', 'idle', 'polarity', 'sound', 'close'];
const MINUTE = 60_000;
const QUALITY = { by: 'R. Dunmallard', roles: ['quality engineer'] as const };

interface Scene {
  readonly root: string;
  readonly keys: string;
  readonly documents: Chosen;
  readonly clock: ReturnType<typeof handClock>;
}

/** The documents without the dependence of steps on stages that take long, and the folder of records. */
function scene(folder: string, keys: string, start?: number): Scene {
  const documents = prepare({ serial: SERIAL, ...shortDocuments(folder, STAGES) });
  return { root: join(folder, 'records'), keys, documents, clock: handClock(start) };
}

interface Attempted {
  readonly issued?: Issued;
  readonly problems: readonly string[];
  readonly progress: readonly AttemptProgress[];
  readonly energized: number;
}

/** The bench with some answers exchanged. */
const answering = (bench: Bench, answers: Partial<Bench>): Bench =>
  new Proxy(bench, {
    get: (target, key) => {
      const value: unknown = Reflect.get(key in answers ? answers : target, key);
      return typeof value === 'function' ? (value.bind(target) as unknown) : value;
    },
  });

/** One attempt through the only way to a record. */
async function attempted(
  { root, keys, documents, clock }: Scene,
  faults: readonly string[] = [],
  alter: (bench: Bench) => Bench = (bench) => bench,
): Promise<Attempted> {
  const parts = await assemble({
    ...{ documents, serial: SERIAL, root, keys, passphrase: undefined, faults },
    ...{ pace: 'fast', clock, scoreHere: true },
  });
  const order = orderOf({ serial: SERIAL, documents, clock });
  const progress: AttemptProgress[] = [];
  let energized = 0;
  const bench: Parts['bench'] = async (attempt) => {
    const inner = alter(await parts.bench(attempt));
    const energize: Bench['energize'] = (...given) => {
      energized += 1;
      return inner.energize(...given);
    };
    return answering(inner, { energize });
  };
  try {
    const run = attemptItem(order, { ...parts, bench });
    for (;;) {
      const next = await run.next();
      if (next.done === true) return { issued: next.value, problems: [], progress, energized };
      progress.push(next.value);
    }
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    const problems = error.problems.map(({ code, what }) => `${code}: ${what}`);
    return { problems, progress, energized };
  } finally {
    parts.ledger.close();
  }
}

/** Enters what people do with the item, one minute apart. */
async function moves(
  at: Scene,
  ...wishes: readonly Omit<Wish, 'serial' | 'actor'>[]
): Promise<void> {
  const ledger = openLedger(ledgerFile(at.root));
  try {
    for (const wish of wishes) {
      await at.clock.advance(MINUTE);
      const whole = { serial: SERIAL, actor: QUALITY, ...wish };
      moveItem(ledger, whole, (past) => statusOf(past, 2).state, at.clock.now());
    }
  } finally {
    ledger.close();
  }
  await at.clock.advance(MINUTE);
}

const partial = (record: string, stages: readonly string[] = ['sound']): Wish['scope'] => ({
  kind: 'stages',
  ...{ stages, record },
});

const rework = (
  scope: Wish['scope'],
  ...replaced: readonly string[]
): Omit<Wish, 'serial' | 'actor'>[] => [
  { event: 'rework', why: 'too loud' },
  {
    ...{ event: 'reworked', why: 'new cover' },
    rework: { replaced, by: 'A. Fitter' },
    ...(scope === undefined ? {} : { scope }),
  },
];

/** Judges a partial retest as a release does before it is entered. */
async function judged(
  at: Scene,
  record: string,
  stages: readonly string[],
  replaced: readonly string[],
): Promise<Judged> {
  const ledger = openLedger(ledgerFile(at.root));
  try {
    const ask = { serial: SERIAL, scope: { kind: 'stages', stages, record } as const, replaced };
    const { documents, root, clock } = at;
    return await judgePartial(
      { ...ask, history: ledger.of(SERIAL) },
      { documents, ledger, root, roots: await rootsOf(at), simulated: true, now: clock.now() },
    );
  } finally {
    ledger.close();
  }
}

const rootsOf = ({ keys }: Scene): Promise<readonly Uint8Array[]> =>
  Promise.resolve([readFileSync(join(keys, 'simulation-root/certificate.pem'))]);

const recordFolder = (at: Scene): string => join(at.root, '2026', SERIAL, '01');

let rejected: Scene;
let first: Issued;

beforeAll(async () => {
  const folder = join(dirname(await madeKeys()), 'rejected');
  rejected = scene(folder, await madeKeys());
  mkdirSync(rejected.root);
  const { issued, problems } = await attempted(rejected, ['loud']);
  if (issued === undefined) throw new Error(problems.join('\n'));
  first = issued;
});

/** A copy of the folder with the rejected item, for a test to go on with. */
function again(): Scene {
  const folder = temporaryFolder();
  const made = scene(folder, rejected.keys, rejected.clock.now());
  cpSync(rejected.root, made.root, { recursive: true });
  return made;
}

test('the loud item is rejected, and for its sound alone', () => {
  const { decision } = first.certificate;
  expect(decision.verdict.word).toBe('REJECT');
  const out = decision.results.filter(({ verdict }) => verdict.outcome !== 'conforming');
  expect(out.map(({ limit }) => limit.stage)).toEqual(['sound']);
});

describe('after a new cover, a retest of the sound alone', () => {
  test('plays what it depends on, carries the other rows over and accepts', async () => {
    const at = again();
    const { number } = first.certificate;
    const release = await judged(at, number, ['sound'], ['cover']);
    expect(release.kind === 'partial' ? [] : release.problems).toEqual([]);
    await moves(at, ...rework(partial(number), 'cover'));
    const { issued, problems, progress } = await attempted(at);
    expect(problems).toEqual([]);
    const played = progress.flatMap((one) => (one.kind === 'stage' ? [one.stage.id] : []));
    expect(played).toEqual(PLAYED);
    if (issued === undefined) throw new Error('nothing was issued');
    const { certificate } = issued;
    expect(certificate.decision.verdict.word).toBe('ACCEPT');
    expect(certificate.attempt).toBe(2);
    const carried = certificate.decision.results.filter(
      ({ carriedFrom }) => carriedFrom === number,
    );
    expect(carried.map(({ limit }) => limit.stage)).toEqual([
      'steps-0',
      'steps-0',
      'steps-0',
      'cogging',
    ]);
    for (const row of carried) {
      const then = first.certificate.decision.results.find(({ limit }) => limit.label === row.name);
      expect(row.outcome).toMatchObject({
        value: then?.outcome.kind === 'measured' ? then.outcome.value : NaN,
      });
      expect([row.expanded, row.k ?? 2, row.verdict]).toEqual([
        then?.expanded,
        then?.k ?? 2,
        then?.verdict,
      ]);
    }
    expect(certificate.decision.reason).toMatch(
      new RegExp(`; 4 characteristics are carried over from record ${number}\\.$`, 'u'),
    );
    expect(certificate.deviations[0]).toBe(
      `Partial retest after rework (replaced: cover): stages sound (with zero, idle, polarity, close, on which they depend); other rows from record ${number}.`,
    );
    const table = readCertificateCsv(readFileSync(join(issued.folder, 'certificate.csv')));
    if ('damage' in table) throw new Error(table.sentence);
    const marked = table.rows.filter(
      (row) => row.item === 'carried over from record' && row.section === 'result',
    );
    expect(marked.map(({ text }) => text)).toEqual([number, number, number, number]);
    const page = readPdf(readFileSync(join(issued.folder, 'certificate.pdf')));
    const said = page.text.replace(/\s+/gu, ' ');
    expect(said).toContain('Partial retest after rework (replaced: cover): stages sound');
    expect(said.split(`carried over from record ${number}`).length).toBeGreaterThan(2);
    const report = await verifyFolder(at.root, { roots: await rootsOf(at), now: at.clock.now() });
    expect(report.records.map(({ state }) => state)).toEqual(['intact', 'intact']);
    expect(report.intact).toBe(true);
  });

  test('finds the item too loud again: rejected by the row that is new', async () => {
    const at = again();
    await moves(at, ...rework(partial(first.certificate.number), 'cover'));
    const { issued } = await attempted(at, ['loud']);
    expect(issued?.certificate.decision.verdict.word).toBe('REJECT');
    expect(issued?.certificate.decision.reason).toMatch(/^1 characteristic does not conform/u);
  });

  test('is repeated with the same scope after an attempt that was broken off', async () => {
    const at = again();
    await moves(at, ...rework(partial(first.certificate.number), 'cover'));
    const gone = { code: 'bench/unreachable', what: 'gone', fix: 'x' } as const;
    const broken = await attempted(at, [], (bench) =>
      answering(bench, { energize: () => Promise.reject(new StallmarkError([gone])) }),
    );
    expect(broken.issued).toBeUndefined();
    const { issued } = await attempted(at);
    expect(issued?.certificate.partial?.played).toEqual(PLAYED);
    expect(issued?.certificate.decision.verdict.word).toBe('ACCEPT');
  });

  test('stands although a signature that somebody added beside the record cannot be read', async () => {
    const at = again();
    await moves(at, ...rework(partial(first.certificate.number), 'cover'));
    writeFileSync(join(recordFolder(at), 'signature-01.json'), 'scribble');
    const { issued } = await attempted(at);
    expect(issued?.certificate.partial?.record).toBe(first.certificate.number);
  });

  test('a release without stages tests in full, whatever was released before', async () => {
    const at = again();
    const inFull = { event: 'release', why: 'in full after all' } as const;
    await moves(at, ...rework(partial(first.certificate.number), 'cover'), inFull);
    const { issued, progress } = await attempted(at);
    const played = progress.flatMap((one) => (one.kind === 'stage' ? [one.stage.id] : []));
    expect(played).toEqual(STAGES);
    expect(issued?.certificate.partial).toBeUndefined();
    expect(issued?.certificate.deviations).not.toContainEqual(expect.stringContaining('Partial'));
  });
});

interface Refused {
  readonly name: string;
  readonly says: readonly RegExp[];
  /** What happens between the release and the attempt. */
  readonly spoil: (at: Scene) => Scene | Promise<Scene>;
  readonly alter?: (bench: Bench) => Bench;
}

const changed = (file: string, change: (text: string) => string): void => {
  writeFileSync(file, change(readFileSync(file, 'utf8')));
};
const withDocuments = (at: Scene, change: (text: string) => string): Scene => ({
  ...at,
  documents: prepare({ serial: SERIAL, ...shortDocuments(temporaryFolder(), STAGES, change) }),
});

const withStation = (at: Scene, over: Partial<Chosen['station']>): Scene => ({
  ...at,
  documents: { ...at.documents, station: { ...at.documents.station, ...over } },
});

const REFUSED: readonly Refused[] = [
  {
    name: 'limits that were widened',
    says: [/^document\/mismatch: Record \S+ was made with another limits/u],
    spoil: (at) => withDocuments(at, (text) => text.replace('to: 65 dB(A)', 'to: 66 dB(A)')),
  },
  {
    name: 'limits that were renamed',
    says: [/^document\/mismatch: Record \S+ was made with another limits/u],
    spoil: (at) => withDocuments(at, (text) => text.replace('limits: AS-H12', 'limits: AS-H13')),
  },
  {
    name: 'a procedure of another wording',
    says: [/^document\/mismatch: Record \S+ was made with another procedure/u],
    spoil: (at) =>
      withDocuments(at, (text) => text.replace('title: Direction of', 'title: Sign of')),
  },
  {
    name: 'a bench description that was changed',
    says: [/^document\/mismatch: Record \S+ was made with another bench description/u],
    spoil: (at) => withStation(at, { digest: 'f'.repeat(64) }),
  },
  {
    name: 'an instrument with another calibration',
    says: [/^document\/mismatch: \S+ has calibration CAL-NEW now, which record \S+ does not name/u],
    spoil: (at) => {
      const [instrument, ...others] = at.documents.station.register;
      const calibrations = instrument.calibrations.map((c) => ({ ...c, certificate: 'CAL-NEW' }));
      if (!isNonEmpty(calibrations)) throw new Error('it has no calibration');
      return withStation(at, { register: [{ ...instrument, calibrations }, ...others] });
    },
  },
  {
    name: 'a record that is gone',
    says: [/^storage\/unreadable: Record \S+ is not there/u],
    spoil: (at) => {
      rmSync(recordFolder(at), { recursive: true });
      return at;
    },
  },
  {
    name: 'a record without its seal',
    says: [/^storage\/unreadable: Record \S+ is damaged, files: certificate\.csv\.p7s is missing/u],
    spoil: (at) => {
      rmSync(join(recordFolder(at), 'certificate.csv.p7s'));
      return at;
    },
  },
  {
    name: 'a record in which a value was made better',
    says: [/^storage\/unreadable: .* damaged, table: bytes/u],
    spoil: (at) => {
      changed(join(recordFolder(at), 'certificate.csv'), (text) =>
        text.replace(',nonconforming,', ',conforming,'),
      );
      return at;
    },
  },
  {
    name: 'a seal of a root that nobody knows',
    says: [/^storage\/unreadable: .*root: .* is not trusted/u],
    spoil: async (at) => {
      const keys = join(temporaryFolder(), 'keys');
      await assemble({
        ...{ documents: at.documents, serial: SERIAL, root: temporaryFolder(), keys },
        ...{
          passphrase: undefined,
          faults: [],
          pace: 'fast',
          clock: handClock(Date.parse('2026-11-24T08:00:00Z')),
        },
      }).then(({ ledger }) => {
        ledger.close();
      });
      return { ...at, keys };
    },
  },
  {
    name: 'a reference item that was found off since',
    says: [/^serial\/state: Record \S+ is suspect: reference item REF-H12-A/u],
    spoil: (at) => {
      const checked = (ok: boolean): Parameters<typeof referenceBody>[0] => ({
        ...{ bench: 'TW-1', simulated: true, item: 'REF-H12-A', cycle: 1, kind: 'good' },
        ...{ assigned: '2026-11-01', ok, reason: 'x', values: [], named: [], suspects: [] },
      });
      const ledger = openLedger(ledgerFile(at.root));
      for (const ok of [false, true]) {
        const body = referenceBody(checked(ok), {});
        const entry = {
          kind: 'bench-checked',
          serial: 'REF-H12-A',
          attempt: 0,
          by: 'op 17',
          body,
        } as const;
        ledger.append(entry, at.clock.now());
      }
      ledger.close();
      return at;
    },
  },
  {
    name: 'firmware that nobody entered as replaced',
    says: [/^serial\/state: The device has other firmware/u],
    spoil: (at) => at,
    alter: (bench) =>
      answering(bench, {
        identify: async () => ({ ...(await bench.identify()), firmwareDigest: '0'.repeat(64) }),
      }),
  },
];

describe.each(REFUSED)('$name between release and retest', ({ says, spoil, alter }) => {
  test('is refused before power, told, and the item stays where it was', async () => {
    const at = again();
    await moves(at, ...rework(partial(first.certificate.number), 'cover'));
    const spoiled = await spoil(at);
    const { problems, energized } = await attempted(spoiled, [], alter);
    for (const sentence of says) expect(problems).toContainEqual(expect.stringMatching(sentence));
    expect(energized).toBe(0);
    const ledger = openLedger(ledgerFile(at.root));
    const own = ledger.of(SERIAL);
    ledger.close();
    expect(own.filter(({ kind }) => kind === 'attempt-begun')).toHaveLength(1);
    expect(own.filter(({ kind }) => kind === 'refused')).toHaveLength(1);
    expect(statusOf(own, 2).state).toBe('released for retest');
    expect(openClaim(own)).toBeUndefined();
  });
});

const ASKED: readonly (readonly [
  name: string,
  stages: readonly string[],
  replaced: readonly string[],
  says: readonly RegExp[],
])[] = [
  [
    'an encoder, for the sound',
    ['sound'],
    ['encoder'],
    [/^The encoder was replaced, which touches .*steps-0\.rise-time/u],
  ],
  [
    'a cover, for another stage',
    ['steps-0'],
    ['cover'],
    [
      /^The cover was replaced, which touches sound\./u,
      /^sound\.sound-over-settings cannot be carried over .* nonconforming/u,
    ],
  ],
  ['a stage that is not there', ['sound', 'sund'], ['cover'], [/has no stage "sund"/u]],
  ['nothing', ['sound'], [], [/^Nothing was replaced/u]],
];

for (const [name, stages, replaced, says] of ASKED) {
  test(`a release after a rework of ${name} is refused with every reason`, async () => {
    const found = await judged(again(), first.certificate.number, stages, replaced);
    const problems = found.kind === 'refused' ? found.problems.map(({ what }) => what) : [];
    expect(problems).toHaveLength(says.length);
    for (const sentence of says) expect(problems).toContainEqual(expect.stringMatching(sentence));
  });
}

test('an earlier rework counts too, though the later one touched nothing', async () => {
  const at = again();
  await moves(at, ...rework(undefined, 'encoder'), { event: 'rework', why: 'label torn' });
  const found = await judged(at, first.certificate.number, ['sound'], ['label']);
  const problems = found.kind === 'refused' ? found.problems.map(({ what }) => what) : [];
  expect(problems).toEqual([expect.stringMatching(/^The encoder was replaced/u)]);
});

test('a rework that ended without its record leaves nothing to carry over', async () => {
  const at = again();
  const set = { event: 'quarantine', why: 'dropped' } as const;
  await moves(at, { event: 'rework', why: 'x' }, set, { event: 'rework', why: 'x' });
  const found = await judged(at, first.certificate.number, ['sound'], ['cover']);
  const problems = found.kind === 'refused' ? found.problems.map(({ what }) => what) : [];
  expect(problems).toEqual([expect.stringMatching(/ended a rework without saying what/u)]);
});

test('a row that was carried over keeps the record that measured it when it is carried on', async () => {
  const at = again();
  const { number } = first.certificate;
  await moves(at, ...rework(partial(number), 'cover'));
  const second = await attempted(at, ['loud']);
  const next = second.issued?.certificate.number ?? '';
  expect(await judged(at, number, ['sound'], ['cover'])).toMatchObject({
    kind: 'refused',
    problems: [{ what: expect.stringContaining('is not the last one') as string }],
  });
  await moves(at, ...rework(partial(next), 'cover'));
  const { issued } = await attempted(at);
  const rows = issued?.certificate.decision.results ?? [];
  expect(issued?.certificate.decision.verdict.word).toBe('ACCEPT');
  expect([...new Set(rows.map(({ carriedFrom }) => carriedFrom))]).toEqual([undefined, number]);
  expect(issued?.certificate.partial?.record).toBe(next);
  expect(issued?.certificate.deviations[0]).toContain(`other rows from record ${number}.`);
});

describe('at the command line', () => {
  /** What a command prints, or the codes of what it is refused for. */
  async function said(
    work: (to: Terminal) => number | Promise<number>,
  ): Promise<readonly string[]> {
    const lines: string[] = [];
    const out = (text: string): void => void lines.push(text);
    const ask = (): Promise<string> => Promise.reject(new Error('nobody answers'));
    try {
      await work({ out, err: out, width: 140, isInteractive: false, ask });
      return lines;
    } catch (error) {
      if (error instanceof StallmarkError) return error.problems.map(({ code }) => code);
      throw error;
    }
  }

  test('a release names the stages, is refused with every reason, and the state tells it', async () => {
    const at = again();
    const { number } = first.certificate;
    const folder = dirname(at.root);
    const options = {
      ...{
        data: at.root,
        keys: at.keys,
        by: 'R. Dunmallard',
        role: 'quality engineer',
        why: 'loud',
      },
      ...{ procedure: join(folder, 'procedure.yaml'), limits: join(folder, 'limits.yaml') },
      bench: join(folder, 'benches/tw-1.yaml'),
    };
    await said((to) => itemMove(SERIAL, 'rework', options, to));
    const done = { ...options, replaced: 'cover', replacedBy: 'A. Fitter' };
    const move = (over: Partial<typeof done> & { readonly stages?: string }) =>
      said((to) => itemMove(SERIAL, 'reworked', { ...done, ...over }, to));
    expect(await move({ stages: 'steps-0' })).toEqual(['serial/state', 'serial/state']);
    expect(await move({ stages: 'sound', role: 'maintenance' })).toEqual(['people/role']);
    expect(await move({ stages: ' , ' })).toEqual([
      ...['usage/argument', 'serial/state', 'serial/state'],
    ]);
    expect(await move({ stages: 'sound' })).toEqual([
      expect.stringContaining(`${SERIAL} is released for retest, was in rework`),
    ]);
    const state = await said((to) => itemState(SERIAL, { data: at.root }, to));
    expect(state).toContain(
      `Its retest is for the stages sound; other rows from record ${number}.`,
    );
  });

  test('an item that was never tested has no record to carry rows over from', async () => {
    const at = scene(temporaryFolder(), rejected.keys);
    mkdirSync(at.root);
    const found = await judged(at, '', ['sound'], ['cover']);
    expect(found).toMatchObject({ kind: 'refused', problems: [{ code: 'storage/unreadable' }] });
  });
});
