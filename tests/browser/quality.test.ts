import { readFileSync, writeFileSync } from 'node:fs';
import { basename, dirname, join } from 'node:path';
import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { findings, inBrowser, kept, openBrowser, openPage, tabTo } from '../support/browser.js';
import type { Person } from '../support/browser.js';
import { replaceIn } from '../support/limits-text.js';
import { logInBySecret, MADE, servedRecords } from '../support/made-records.js';
import { stallmark } from '../support/program.js';
import type { ServedProgram } from '../support/served-program.js';

inBrowser('the page of the quality engineer', () => {
  let served: ServedProgram;
  let browser: Browser;
  let folder: string;
  let inForce: string;

  beforeAll(async () => {
    [served, browser] = await Promise.all([servedRecords({ hasReference: true }), openBrowser()]);
    folder = dirname(served.data);
    inForce = readFileSync(join(folder, 'limits.yaml'), 'utf8');
  });
  afterAll(async () => {
    await browser.close();
    await served.remove();
  });

  const atPage = async (): Promise<Person> => {
    const person = await openPage(browser, served, { path: '/quality' });
    await logInBySecret(person.page, 'QE-1');
    return person;
  };
  const atLimits = async (): Promise<Person> => {
    const person = await atPage();
    await heading(person.page, 'What changes, in words').waitFor();
    return person;
  };
  const leave = async (person: Person): Promise<void> => {
    await person.context.close();
    expect(person.complaints).toEqual([]);
  };

  test('an edit is told in words, with what it would make of the last items', async () => {
    const person = await atLimits();
    const { page } = person;
    await heading(page, 'Nothing to correct').waitFor();
    await page.getByText('last 3 items, limit to limit').waitFor();
    await replaceIn(page, 'smoothing.grain-ratio', '93', '300');
    await page.getByRole('button', { name: /grain-ratio widened 93 % → 300 %/u }).waitFor();
    const words = page.getByRole('region', { name: 'What changes' });
    const change = words.locator('.q-changes li', { hasText: 'grain-ratio' });
    expect(await change.locator('b').innerText()).toBe('wider');
    expect(await change.innerText()).toContain(
      'On this row 0 of 2 items would no longer be accepted, 1 newly.',
    );
    await heading(page, 'Of the last 3 items 0 would have another verdict').waitFor();
    await replaceIn(page, 'smoothing.lag-increase', '0.40', '-4');
    await heading(page, 'Of the last 3 items 1 would have another verdict').waitFor();
    expect(await words.locator('.q-effect li').innerText()).toContain(
      `${MADE.rejected.serial} REJECT → ACCEPT`,
    );
    expect(await page.locator('.cm-line.changed').count()).toBe(2);
    await page.getByText(', not saved').waitFor();
    await kept(page, 'quality-limits-changed');
    await page.getByRole('button', { name: 'Back to the text in force' }).click();
    await page.getByText('Nothing: comments and layout do not count.').waitFor();
    await leave(person);
  });

  for (const { name, row, was, is, code, mark } of BAD) {
    test(`${name} stands under its line as the command line tells it`, async () => {
      const text = inForce.replace(rowOf(inForce, row), rowOf(inForce, row).replace(was, is));
      const wanted = await problemsOf(text, folder);
      expect(wanted.map((problem) => problem.code)).toEqual([code]);
      const [{ what, fix, line, column } = { what: '', fix: '', line: 0, column: 0 }] = wanted;
      const person = await atLimits();
      const { page } = person;
      await replaceIn(page, row, was, is);
      const box = page.locator('.problem');
      await box.waitFor();
      const place = `limits.yaml:${line}:${column}`;
      expect(await box.locator('.problem-code').innerText()).toMatch(
        new RegExp(`${place}\\s+${code}$`, 'u'),
      );
      expect(await box.locator('.problem-what').innerText()).toBe(what);
      expect(await box.locator('.problem-fix').innerText()).toBe(`Fix: ${fix}`);
      const above = page.locator('.problem-room').locator('xpath=preceding-sibling::*[1]');
      expect(await above.innerText()).toBe(text.split('\n')[line - 1]);
      expect(await page.locator('.wrong').allInnerTexts()).toEqual([mark]);
      await heading(page, '1 to correct').waitFor();
      const listed = page.getByRole('region', { name: 'What changes' }).locator('.q-place').first();
      expect(await listed.innerText()).toContain(`${place} ${code}`);
      await listed.click();
      expect(await page.locator('.cm-activeLine').innerText()).toBe(await above.innerText());
      expect(await findings(page)).toEqual([]);
      await kept(page, `quality-limits-${code.replace('/', '-')}`);
      await leave(person);
    });
  }

  test('a characteristic and its unit are offered and taken by keys', async () => {
    const person = await atLimits();
    const { page } = person;
    await page.locator('.cm-line', { hasText: 'steps-0.dead-time:' }).click();
    await page.keyboard.press('Control+Shift+k');
    await page.keyboard.press('Control+Shift+k');
    await page.locator('.q-changes b', { hasText: 'removed' }).nth(1).waitFor();
    await page.keyboard.press('Control+End');
    await page.keyboard.type('  steps-0.');
    const matched = page.locator('.cm-completionMatchedText').first();
    await expect.poll(() => matched.innerText()).toBe('steps-0.'); // the list is of all that was typed
    await choose(page, 'steps-0.rise-time');
    const about = page.locator('.cm-completionInfo');
    await expect.poll(() => about.innerText()).toMatch(/10 % .*90 %/u);
    await kept(page, 'quality-completion');
    await page.keyboard.press('Enter');
    await page.keyboard.type('{ label: rise time, from: 0.40 ');
    await choose(page, 'ms');
    await page.keyboard.press('Enter');
    await page.keyboard.type(', to: 0.90 ms }');
    await page
      .getByRole('button', { name: /steps-0\.rise-time widened 0\.8 ms → 0\.9 ms/u })
      .waitFor();
    expect(await page.locator('.cm-activeLine').innerText()).toBe(
      '  steps-0.rise-time: { label: rise time, from: 0.40 ms, to: 0.90 ms }',
    );
    await leave(person);
  });

  test('with keys alone: log in, edit, give the reason, save; comments and order stay byte for byte', async () => {
    const person = await atLimits();
    const { page } = person;
    const save = page.getByRole('button', { name: 'Save draft' });
    await tabTo(page, page.locator('.cm-content'));
    await page.keyboard.press('Control+End');
    await page.keyboard.type('# wider after trial 7:   µ, … and two  blanks');
    await page.keyboard.press('Control+Home');
    await page.keyboard.type('# drawn up by hand\n');
    await page.getByText(', not saved').waitFor();
    expect(await save.isEnabled()).toBe(false);
    await tabTo(page, page.getByLabel('Reason for the change'));
    await page.keyboard.type('trial 7');
    await tabTo(page, save);
    await page.keyboard.press('Enter');
    await page.getByText(/^draft by Q\. Engineer \(QE-1\), .* UTC, against issue \d+$/u).waitFor();
    const text = `# drawn up by hand\n${inForce}# wider after trial 7:   µ, … and two  blanks`;
    expect(readFileSync(join(served.data, 'drafts/limits.yaml'), 'utf8')).toBe(text);
    expect(readFileSync(join(folder, 'limits.yaml'), 'utf8')).toBe(inForce);
    expect(served.entries('changed').at(-1)).toMatchObject({
      by: 'Q. Engineer (QE-1)',
      body: { what: 'limits draft', id: 'AS-H12', from: null, why: 'trial 7' },
    });
    expect(await findings(page)).toEqual([]);
    await kept(page, 'quality-draft-saved');
    await leave(person);
  });

  test('who saves over a draft that somebody saved meanwhile is refused and loses nothing', async () => {
    const [first, second] = [await atLimits(), await atLimits()];
    first.excuse(/status of 4\d\d .*save-limits-draft/u); // the refusal itself, as browsers log it
    await add(first.page, '\n# of the first');
    await add(second.page, '\n# of the second');
    await second.page.getByLabel('Reason for the change').fill('second was faster');
    await second.page.getByRole('button', { name: 'Save draft' }).click();
    await second.page.getByText(/, not saved$/u).waitFor({ state: 'detached' });
    const file = join(served.data, 'drafts/limits.yaml');
    expect(readFileSync(file, 'utf8')).toContain('# of the second');
    await first.page.getByLabel('Reason for the change').fill('first was slower');
    await first.page.getByRole('button', { name: 'Save draft' }).click();
    const refused = first.page.locator('.q-refusal');
    await refused.waitFor();
    expect(await refused.innerText()).toMatch(/limits\/overtaken[^]*changed meanwhile[^]*Fix: /u);
    expect(readFileSync(file, 'utf8')).not.toContain('# of the first');
    expect(await first.page.locator('.cm-line').last().innerText()).toBe('# of the first');
    await kept(first.page, 'quality-draft-refused');
    await leave(first);
    await leave(second);
  });

  test('traces with keys alone: one reading drawn from the stored samples, overlay, small multiples', async () => {
    const person = await atPage();
    const { page } = person;
    await tabTo(page, page.getByRole('button', { name: 'Traces' }));
    await page.keyboard.press('Enter');
    await page.getByText('Choose attempts in the list on the left.').waitFor();
    for (const { serial } of [MADE.rejected, MADE.accepted]) {
      await tabTo(page, page.getByRole('checkbox', { name: serial }));
      await page.keyboard.press(' ');
    }
    const told = page.waitForResponse((answer) => answer.url().includes('row=steps-0.rise-time'));
    await page.getByLabel('Reading').selectOption('steps-0.rise-time');
    const { svg } = (await (await told).json()) as { readonly svg: string };
    const printed = printedOf(served, MADE.accepted.serial, 'rise-time');
    expect(svg).toContain(`${printed} ms`);
    expect(svg).toContain('SIMULATED');
    const drawing = page.locator('img.q-svg');
    await drawing.waitFor();
    expect(await drawing.getAttribute('alt')).toMatch(/\S/u);
    await expect.poll(() => drawing.evaluate(widthOf)).toBeGreaterThan(100);
    expect(await findings(page)).toEqual([]);
    await kept(page, 'quality-reading');

    await tabTo(page, page.getByRole('button', { name: 'Overlay' }));
    await page.keyboard.press('Enter');
    const overlay = page.getByRole('img', { name: /^steps-0, 2 attempts: / });
    await overlay.waitFor();
    expect(await overlay.locator('.pen-over').count()).toBe(2);
    const whole = await overlay.locator('.pen-over').first().getAttribute('d');
    await page.getByLabel('from, s').fill('0.05');
    await page.getByLabel('to, s').fill('0.08');
    await page.keyboard.press('Tab');
    await overlay.getByText('0.06', { exact: true }).waitFor();
    expect(await overlay.locator('.pen-over').first().getAttribute('d')).not.toBe(whole);
    expect(await findings(page)).toEqual([]);
    await kept(page, 'quality-overlay');

    person.excuse(/status of 400 .*\/api\/read\/trace/u); // told on the page
    await page.getByRole('checkbox', { name: MADE.held.serial }).check();
    await page.getByText(/holds no samples of stage "steps-0"/u).waitFor();

    await page.getByRole('button', { name: 'Lag against grain' }).click();
    const cell = (serial: string): Locator => page.locator('figure', { hasText: serial });
    await cell(MADE.held.serial).getByText('No sweep of the settings on this record.').waitFor();
    expect(await cell(MADE.rejected.serial).innerText()).toContain('3 and 4 out of order: REJECT');
    expect(await cell(MADE.accepted.serial).innerText()).toContain('in order: ACCEPT');
    for (const { serial } of [MADE.rejected, MADE.accepted]) {
      expect(await cell(serial).locator('circle').count()).toBe(6);
    }
    expect(await findings(page)).toEqual([]);
    await kept(page, 'quality-smoothing');
    await leave(person);
  });

  test('an attempt without a record cannot be chosen, and says why', async () => {
    const person = await atPage();
    const { page } = person;
    await page.getByRole('button', { name: 'Traces' }).click();
    await page.getByLabel('Serial or number').fill(MADE.broken.serial);
    await page.keyboard.press('Enter');
    await page.getByText(MADE.accepted.serial).waitFor({ state: 'detached' });
    const box = page.getByRole('checkbox', { name: MADE.broken.serial });
    expect(await box.isEnabled()).toBe(false);
    await page.getByText('The emergency stop is pressed.').waitFor();
    await leave(person);
  });

  test('the bench: readiness in a list, reference items charted', async () => {
    const person = await atPage();
    const { page } = person;
    await page.getByRole('button', { name: 'Bench' }).click();
    await heading(page, 'TW-1: may test').waitFor();
    const checks = page.getByRole('region', { name: 'List of checks' });
    const told = await readiness(served, folder);
    const names = await checks.locator('tbody tr td:nth-child(2)').allInnerTexts();
    expect(names.sort()).toEqual([...told].sort());
    await page.getByText('REF-H12-B was never checked on TW-1 in this ledger.').waitFor();
    await page.getByText(/^1 check; the last, .* held\.$/u).waitFor();
    const chart = page.locator('img.q-svg');
    await page.getByLabel('Value').selectOption('steps-0.dead-time');
    await expect.poll(() => chart.getAttribute('alt')).toContain('steps-0.dead-time of ');
    await expect.poll(() => chart.evaluate(widthOf)).toBeGreaterThan(100);
    expect(await findings(page)).toEqual([]);
    await kept(page, 'quality-bench');
    await leave(person);
  });

  test('an operator is told that limits are not hers to edit', async () => {
    const person = await openPage(browser, served, { path: '/quality' });
    person.excuse(/status of 403 /u); // the refusal itself
    await logInBySecret(person.page, 'OP-1');
    const refused = person.page.locator('.q-refusal');
    await refused.waitFor();
    expect(await refused.innerText()).toContain('people/role');
    await kept(person.page, 'quality-operator-refused');
    await leave(person);
  });
});

/** One bad input each: what it was, what it is made, and the characters that are marked. */
const BAD = [
  {
    name: 'a bare number',
    ...{ row: 'steps-0.dead-time', was: '1.00 ms', is: '1.00' },
    ...{ code: 'procedure/bare-number', mark: '1.00' },
  },
  {
    name: 'a row that no stage reads',
    ...{ row: 'steps-0.overshoot', was: 'steps-0.overshoot', is: 'steps-0.overshot' },
    ...{ code: 'limits/unknown', mark: 'steps-0.overshot' },
  },
  {
    name: 'a wrong unit',
    ...{ row: 'smoothing.grain', was: '62 mN·m', is: '62 ms' },
    ...{ code: 'procedure/unit-mismatch', mark: '62 ms' },
  },
] as const;

const heading = (page: Page, name: string): Locator =>
  page.getByRole('heading', { name, exact: true });

const rowOf = (text: string, row: string): string =>
  text.split('\n').find((line) => line.startsWith(`  ${row}:`)) ?? '';

/** A problem as `check --json` prints it. */
interface Found {
  readonly code: string;
  readonly note: boolean;
  readonly file: string;
  readonly line: number;
  readonly column: number;
  readonly what: string;
  readonly fix: string;
}

/** What the command line finds in a text of limits, but for its approval, which a draft cannot have. */
async function problemsOf(text: string, folder: string): Promise<readonly Found[]> {
  const file = join(folder, 'wrong.txt');
  writeFileSync(file, text);
  const beside = ['procedure.yaml', 'benches/tw-1.yaml'].map((name) => join(folder, name));
  const { out } = await stallmark(['check', file, ...beside, '--json']);
  return (JSON.parse(out) as readonly Found[]).filter(
    ({ file: at, code, note }) =>
      basename(at) === 'wrong.txt' && !code.startsWith('document/') && !note,
  );
}

/** Writes at the end. */
async function add(page: Page, text: string): Promise<void> {
  await page.locator('.cm-content').focus();
  await page.keyboard.press('Control+End');
  await page.keyboard.type(text);
}

/** Goes through what is offered until the word is chosen. A list that has just opened takes no keys. */
async function choose(page: Page, word: string): Promise<void> {
  const chosen = page.locator('.cm-tooltip-autocomplete [aria-selected]');
  await chosen.waitFor();
  const first = await chosen.innerText();
  const next = async (): Promise<string> => {
    await page.keyboard.press('ArrowDown');
    return chosen.innerText();
  };
  await expect.poll(next).not.toBe(first);
  if ((await chosen.innerText()) !== word) await expect.poll(next).toBe(word);
}

/** Value and U as printed in the table of a record. */
function printedOf(served: ServedProgram, serial: string, characteristic: string): string {
  const [issued] = served.entries('record-issued').filter((entry) => entry.serial === serial);
  const told = issued?.body['folder'];
  const folder = typeof told === 'string' ? told : '';
  const table = readFileSync(join(served.data, folder, 'certificate.csv'), 'utf8');
  const row = table.split('\n').find((line) => line.includes(`,${characteristic},`)) ?? '';
  const [, value = '', expanded = ''] = /motor,[\d.]+,([\d.]+),[\d.]+,([\d.]+),/u.exec(row) ?? [];
  return `${value} ± ${expanded}`;
}

/** Names of the checks as the command line lists them. */
async function readiness(served: ServedProgram, folder: string): Promise<readonly string[]> {
  const [procedure, bench] = ['procedure.yaml', 'benches/tw-1.yaml'].map((name) =>
    join(folder, name),
  );
  const documents = ['--procedure', procedure ?? '', '--bench', bench ?? ''];
  const { out } = await stallmark([
    ...['ready', '--json', ...documents, '--data', served.data, '--keys', served.keys],
  ]);
  const { checks } = JSON.parse(out) as { readonly checks: readonly { readonly name: string }[] };
  return checks.map(({ name }) => name);
}

/** Runs in the browser: how wide an image is by itself; 0 while it is not there. */
const widthOf = (image: object): number =>
  'naturalWidth' in image ? Number(image.naturalWidth) : 0;
