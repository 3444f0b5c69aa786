import { cpSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import {
  findings,
  inBrowser,
  kept,
  openBrowser,
  openPage,
  tabTo,
  type Person,
} from '../support/browser.js';
import { logInBySecret, MADE, servedRecords } from '../support/made-records.js';
import { stallmark } from '../support/program.js';
import { servedProgram, type ServedProgram } from '../support/served-program.js';

inBrowser('the page of the auditor', () => {
  let served: ServedProgram;
  let browser: Browser;
  let verified: ReadonlyMap<string, readonly string[]>;

  beforeAll(async () => {
    [served, browser] = await Promise.all([servedRecords(), openBrowser()]);
    verified = await sentencesOf(served);
  });
  afterAll(async () => {
    await browser.close();
    await served.remove();
  });

  const atPage = async (at: ServedProgram = served): Promise<Person> => {
    const person = await openPage(browser, at, { path: '/auditor' });
    await logInBySecret(person.page, 'AU-1');
    return person;
  };
  const leave = async (person: Person): Promise<void> => {
    await person.context.close();
    expect(person.complaints).toEqual([]);
  };

  test('attempts are found by serial, day, verdict and state, with keys alone', async () => {
    const person = await atPage();
    const { page } = person;
    await found(page, '4 found');
    expect(await shown(page)).toEqual(
      [MADE.broken, MADE.held, MADE.rejected, MADE.accepted].map(({ serial }) => serial),
    );
    expect(await findings(page)).toEqual([]);
    await kept(page, 'auditor-list');
    await tabTo(page, page.getByLabel('serial or record number, or a part of it'));
    await page.keyboard.type('00006');
    await found(page, '1 found');
    expect(await shown(page)).toEqual([MADE.rejected.serial]);
    await tabTo(page, page.getByRole('button', { name: 'Show all' }));
    await page.keyboard.press('Enter');
    await found(page, '4 found');
    const day = served.entries('record-issued')[0]?.at.slice(0, 10) ?? '';
    await page.getByLabel('begun from (UTC)').fill('2001-01-01');
    await page.getByLabel('to, that day too').fill('2001-01-02');
    await found(page, '0 found');
    await page.getByLabel('to, that day too').fill(nextDay(day));
    await found(page, '4 found');
    for (const [word, serial] of [
      ['ACCEPT', MADE.accepted.serial],
      ['REJECT', MADE.rejected.serial],
      ['HOLD', MADE.held.serial],
    ] as const) {
      await page.getByLabel('verdict').selectOption(word);
      await found(page, '1 found');
      await expect.poll(() => shown(page)).toEqual([serial]);
    }
    await page.getByLabel('verdict').selectOption('any');
    await page.getByLabel('state').selectOption('broken off');
    await expect.poll(() => shown(page)).toEqual([MADE.broken.serial]);
    await tabTo(page, page.getByRole('link', { name: MADE.broken.serial }));
    await page.keyboard.press('Enter');
    await page.getByText(/There is no record SIM-TW1-\d{4}-000004: /u).waitFor();
    expect(await sheetOf(page).innerText()).toContain('The emergency stop is pressed.');
    expect(await findings(page)).toEqual([]);
    await kept(page, 'auditor-broken-off');
    await leave(person);
  });

  for (const [name, word, { serial }] of [
    ['accepted', 'ACCEPT', MADE.accepted],
    ['rejected', 'REJECT', MADE.rejected],
    ['held', 'HOLD', MADE.held],
  ] as const) {
    test(`the record of the ${name} item is verified in sentences, as the command line does`, async () => {
      const person = await atPage();
      const { page } = person;
      await open(page, serial);
      const checks = page.getByRole('region', { name: 'Verification' });
      const sentences = await checks.locator('li.holds').allInnerTexts();
      const wanted = verified.get(serial) ?? [];
      expect(wanted.length).toBeGreaterThan(20);
      expect(sentences).toEqual(expect.arrayContaining([...wanted]));
      expect(await checks.locator('.a-broken li, li.open').count()).toBe(0);
      expect(await checks.getByRole('status').innerText()).toBe(
        `The record is whole. All ${sentences.length} checks can be repeated offline without this program.`,
      );
      const head = page.getByRole('heading', { level: 2 });
      expect(await head.innerText()).toMatch(new RegExp(`^${word}\\s+SIM-TW1-`, 'u'));
      expect(await head.locator('.verdict-shape').getAttribute('class')).toContain('given');
      const sheet = await sheetOf(page).innerText();
      expect(sheet).toContain('SIMULATED – NOT A PRODUCT RECORD');
      expect(sheet).toContain('No person has signed this record.');
      expect(await findings(page)).toEqual([]);
      await kept(page, `auditor-${name}`);
      await leave(person);
    });
  }

  test('files are handed out as they are, each entered with the name of who took it', async () => {
    const person = await atPage();
    const { page } = person;
    await open(page, MADE.accepted.serial);
    const before = served.entries().length;
    const names = await page.locator('.a-files li a').allInnerTexts();
    expect(names).toContain('certificate.csv.p7s');
    for (const name of names) {
      const coming = page.waitForEvent('download');
      await page.getByRole('link', { name, exact: true }).click();
      const given = await coming;
      expect(given.suggestedFilename()).toBe(name);
      const kept = join(served.data, folderOf(served, MADE.accepted.serial), name);
      expect(readFileSync(await given.path()).equals(readFileSync(kept)), name).toBe(true);
    }
    const entered = served.entries().slice(before);
    expect(entered.map(({ by, body }) => [by, body['note'], body['to']])).toEqual(
      names.map((name) => [
        'A. Auditor (AU-1)',
        'handed out',
        expect.stringMatching(
          new RegExp(`^${name.replaceAll('.', '\\.')} of SIM-TW1-`, 'u'),
        ) as unknown,
      ]),
    );
    await page.getByRole('link', { name: 'Audit trail' }).click();
    await page.getByLabel('person: id or name').fill('AU-1');
    await page.getByLabel('kind').selectOption('sessions and notes');
    await page.getByText('Chosen: person AU-1, only sessions and notes.').waitFor();
    const lines = page.locator('.a-trail-lines tbody tr');
    await expect
      .poll(() => lines.filter({ hasText: `handed out ${MADE.accepted.serial}` }).count())
      .toBe(names.length);
    expect(await findings(page)).toEqual([]);
    await kept(page, 'auditor-trail');
    await leave(person);
  });

  test('the printed page is shown in a frame that the policy allows, and no other page may frame it', async () => {
    const person = await atPage();
    const { page } = person;
    person.excuse(/request to another host: chrome(?:-extension)?:\/\//u); // its viewer of PDF
    await open(page, MADE.accepted.serial);
    const coming = page.waitForResponse((answer) => answer.url().endsWith('/certificate.pdf'));
    await page.getByRole('button', { name: 'Show the printed page here' }).click();
    const answer = await coming;
    expect(answer.status()).toBe(200);
    expect(answer.headers()['content-security-policy']).toContain("frame-ancestors 'self'");
    expect(answer.headers()['content-disposition']).toMatch(/^inline/u);
    const frame = page.locator('iframe.a-frame');
    expect(await frame.getAttribute('title')).toMatch(/^Printed page of SIM-TW1-/u);
    await kept(page, 'auditor-printed-page');
    await page.getByRole('button', { name: 'Put the printed page away' }).click();
    await frame.waitFor({ state: 'detached' });
    await leave(person);
  });

  test('printing leaves the record and nothing to press', async () => {
    const person = await atPage();
    const { page } = person;
    await open(page, MADE.rejected.serial);
    await page.emulateMedia({ media: 'print' });
    expect(await sheetOf(page).isVisible()).toBe(true);
    for (const name of ['Log out', 'Show the printed page here', 'Newer']) {
      const button = page.getByRole('button', { name, includeHidden: true });
      expect(await button.isVisible(), name).toBe(false);
    }
    expect(await page.getByLabel('serial or record number').isVisible()).toBe(false);
    const pages = await page.pdf({ format: 'A4' });
    expect(pages.subarray(0, 5).toString()).toBe('%PDF-');
    await kept(page, 'auditor-print');
    await leave(person);
  });

  test('the whole folder is verified, and the number without a record is explained', async () => {
    const person = await atPage();
    const { page } = person;
    await verifyAll(page);
    expect(await page.locator('.a-conclusion').innerText()).toBe(
      '3 records: 3 are intact, 1 number has no record, which the ledger explains. Nothing is damaged or unexplained.',
    );
    expect(await page.locator('.a-ledger').innerText()).toMatch(/^The ledger is unbroken: /u);
    const gap = page.locator('tr.gap');
    expect(await gap.innerText()).toMatch(/SIM-TW1-\d{4}-000004 has no record/u);
    await page.getByLabel('only what is not intact (1)').check();
    expect(await page.locator('.a-folder-area tbody tr').count()).toBe(1);
    expect(await findings(page)).toEqual([]);
    await kept(page, 'auditor-folder');
    await leave(person);
  });

  test('a damaged copy is never confirmed, and a record that is gone is named', async () => {
    const damaged = await servedProgram({
      prepare: ({ data, keys }) => {
        cpSync(served.data, data, { recursive: true });
        cpSync(served.keys, keys, { recursive: true });
        const table = join(data, folderOf(served, MADE.accepted.serial), 'certificate.csv');
        writeFileSync(table, readFileSync(table, 'utf8').replace(',conforming,', ',conformist,'));
        rmSync(join(data, dirname(folderOf(served, MADE.held.serial))), { recursive: true });
        return Promise.resolve();
      },
    });
    try {
      const person = await atPage(damaged);
      const { page } = person;
      await open(page, MADE.accepted.serial);
      const head = page.getByRole('heading', { level: 2 });
      expect(await head.innerText()).toContain('printed: ACCEPT');
      expect(await head.locator('.verdict-shape').getAttribute('class')).not.toContain('given');
      await page.getByText('Not confirmed. The file says:').waitFor();
      expect(await page.locator('.a-checks .a-broken li').count()).toBeGreaterThan(0);
      const line = page.locator('.a-list tr.is');
      await line.getByText('does not hold: see the checks').waitFor();
      expect(await findings(page)).toEqual([]);
      await kept(page, 'auditor-damaged');
      await open(page, MADE.held.serial);
      await page.getByText('The record is missing.').waitFor();
      expect(await page.getByRole('heading', { level: 2 }).innerText()).toContain('entered: HOLD');
      expect(await findings(page)).toEqual([]);
      await kept(page, 'auditor-missing');
      await verifyAll(page);
      const number = numberOf(served, MADE.held.serial);
      const gap = page.locator('tr.gap.no', { hasText: number });
      expect(await gap.innerText()).toContain('MISSING');
      const broken = page.locator('tr.no', { hasText: MADE.accepted.serial });
      expect(await broken.innerText()).toMatch(/DAMAGED[^]*printed: ACCEPT/u);
      expect(await findings(page)).toEqual([]);
      await kept(page, 'auditor-folder-damaged');
      await leave(person);
    } finally {
      await damaged.remove();
    }
  });

  test('the page sends nothing that changes anything, and what it might send is refused', async () => {
    const sent: string[] = [];
    const person = await openPage(browser, served, { path: '/auditor' });
    const { page } = person;
    person.excuse(/status of 403 /u); // the refusals that are provoked below
    page.on('request', (one) => {
      if (one.method() !== 'GET') sent.push(`${one.method()} ${new URL(one.url()).pathname}`);
    });
    let token = '';
    page.on('response', (answer) => {
      if (!answer.url().endsWith('/api/log-in')) return;
      void answer.json().then((told: { readonly token?: string }) => (token = told.token ?? ''));
    });
    await logInBySecret(page, 'AU-1');
    for (const { serial } of [MADE.accepted, MADE.broken]) await open(page, serial);
    await page.getByRole('link', { name: 'Audit trail' }).click();
    await page.locator('.a-trail-lines').waitFor();
    await verifyAll(page);
    expect(sent).toEqual(['POST /api/log-in']);
    const before = served.entries().length;
    const seen = { effective: '', draft: '' };
    const draft = { file: 'limits.yaml', text: 'x', why: 'x', seen };
    for (const [path, body] of [
      ['/api/change/save-limits-draft', draft],
      ['/api/nest/hold', { tab: 'auditor-tab-1' }],
      [
        '/api/nest',
        { tab: 'auditor-tab-1', command: { kind: 'scan', text: 'H12-26-00009', language: 'en' } },
      ],
    ] as const) {
      const answer = await page.request.post(served.address + path, {
        headers: { origin: served.address, 'x-stallmark-token': token },
        data: body,
      });
      expect([403, 409], path).toContain(answer.status()); // 409: the bench is not for a desk
    }
    const after = served.entries().slice(before);
    expect(after.filter(({ kind }) => kind !== 'refused')).toEqual([]);
    expect(after.length).toBeGreaterThan(0);
    await leave(person);
  });
});

const sheetOf = (page: Page): Locator => page.locator('article.a-sheet');

async function found(page: Page, words: string): Promise<void> {
  await page.locator('.a-found b', { hasText: `${words}, newest first.` }).waitFor();
}

/** Serials in the list, from above. */
const shown = (page: Page): Promise<readonly string[]> =>
  page.locator('.a-find .a-list tbody a').allInnerTexts();

/** Opens the attempt of a serial and waits for its sheet. */
async function open(page: Page, serial: string): Promise<void> {
  await page.getByRole('link', { name: serial }).first().click();
  await sheetOf(page).locator('.a-lead', { hasText: serial }).waitFor();
}

async function verifyAll(page: Page): Promise<void> {
  await page.getByRole('link', { name: 'Whole folder' }).click();
  await page.getByRole('button', { name: 'Verify everything' }).click();
  await page.locator('.a-conclusion').waitFor();
}

const issuedAs = (served: ServedProgram, serial: string): Readonly<Record<string, unknown>> =>
  served.entries('record-issued').find((entry) => entry.serial === serial)?.body ?? {};

const folderOf = (served: ServedProgram, serial: string): string =>
  String(issuedAs(served, serial)['folder']);

const numberOf = (served: ServedProgram, serial: string): string =>
  String(issuedAs(served, serial)['certificate']);

/** By serial, what the command line says of each check of its record. */
async function sentencesOf({
  data,
  keys,
}: ServedProgram): Promise<ReadonlyMap<string, readonly string[]>> {
  const { out } = await stallmark(['verify', data, '--keys', keys, '--json']);
  const [told] = JSON.parse(out) as readonly {
    readonly report: { readonly records: readonly VerifiedRecord[] };
  }[];
  const records = told?.report.records ?? [];
  return new Map(
    records.map(({ identity, checks }) => [
      identity.serial,
      checks.map(({ sentence }) => sentence),
    ]),
  );
}

/** A record as `verify --json` tells of it. */
interface VerifiedRecord {
  readonly identity: { readonly serial: string };
  readonly checks: readonly { readonly sentence: string }[];
}

const nextDay = (day: string): string =>
  new Date(Date.parse(day) + 86_400_000).toISOString().slice(0, 10);
