import type { Browser, Page } from 'playwright-core';
import { WORDS_OF } from '../../src/page/words/languages.js';
import { keepPressed, SMALL, wedge } from '../support/browser.js';

const en = WORDS_OF.en;

/** How long a button is pressed, ms: a hand, not a scanner. */
const PRESS = 150;

/**
 * Opens a page in a browser of its own and logs in by name at a simulated bench without a register.
 *
 * @param script - Runs in the page before its own.
 */
export async function pageAt(
  browser: Browser,
  address: string,
  path: '/operator' | '/quality' | '/auditor',
  { name, script = '' }: { readonly name: string; readonly script?: string },
): Promise<Page> {
  const context = await browser.newContext({ viewport: SMALL, locale: 'en-GB' });
  if (script !== '') await context.addInitScript(script);
  const page = await context.newPage();
  await page.goto(address + path);
  await page.locator('#who').fill(name);
  await page.locator('#who').press('Enter');
  return page;
}

/**
 * Takes the bench, scans a serial, answers both warnings and starts, as an operator does.
 *
 * @param look - Called when the page waits for a scan, and when it shows the warnings.
 */
export async function begin(
  page: Page,
  serial: string,
  look: (name: 'scan' | 'warnings') => Promise<unknown> = () => Promise.resolve(),
): Promise<void> {
  const take = page.getByRole('button', { name: en.hold.take });
  await take.or(page.locator('.label-drawing')).first().waitFor();
  if (await take.isVisible()) await take.click({ delay: PRESS });
  await page.locator('.label-drawing').waitFor();
  await page.getByText('DE-ENERGIZED').first().waitFor();
  await look('scan');
  await wedge(page, serial);
  await page.locator('.panels').waitFor();
  await look('warnings');
  const start = page.locator('.sheet').getByRole('button', { name: en.warn.begin });
  const unanswered = page.locator('button.keep').first();
  for (const until of [page.locator('.keep.done'), start]) {
    await keepPressed(page, unanswered, until);
  }
  await start.click({ delay: PRESS });
}

/** Attempts that `untilItWorks` makes. */
const TRIES = 3;

/** Does it again when it fails: a machine that stalls lets the dead-man of a bench at real pace trip. */
export async function untilItWorks<T>(work: () => Promise<T>): Promise<T> {
  for (let left = TRIES - 1; ; left -= 1) {
    try {
      return await work();
    } catch (error) {
      if (left === 0) throw error;
      process.stderr.write(`again: ${String(error)}\n`);
    }
  }
}
