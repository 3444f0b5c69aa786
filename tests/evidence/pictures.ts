/**
 * Pictures of the three pages for the README: `npm run evidence:pictures`.
 *
 * The built program on the simulated bench, the invented maker's item H12-26-04711 and its neighbours;
 * nothing is drawn by hand. Needs /usr/bin/chromium, and ImageMagick to lay together and make the files small.
 */
import { execFileSync } from 'node:child_process';
import { mkdirSync, mkdtempSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import type { Browser, Page } from 'playwright-core';
import { openBrowser, SMALL } from '../support/browser.js';
import { replaceIn } from '../support/limits-text.js';
import { enterPeople, logInBySecret } from '../support/made-records.js';
import { stallmark } from '../support/program.js';
import { servedProgram, type ServedProgram } from '../support/served-program.js';
import { documentOptions, type ShortDocuments } from '../support/short-documents.js';
import { begin, pageAt, untilItWorks } from './at-page.js';

const FOLDER = fileURLToPath(new URL('../../reports/pictures/', import.meta.url));

/** Stages with enough to see, in half a minute of torque. */
const STAGES = ['zero', 'idle', 'polarity', 'static', 'steps-0', 'smoothing', 'close'];

/** Items on record for quality engineer and auditor, with their faults. */
const RECORDED = [
  ['H12-26-04705', undefined],
  ['H12-26-04706', 'weak-magnets:severe'],
  ['H12-26-04707', undefined],
  ['H12-26-04708', undefined],
  ['H12-26-04709', 'swapped-smoothing'],
  ['H12-26-04710', 'stuck-channel'],
  ['H12-26-04711', undefined],
] as const;
const ITEM = 'H12-26-04711';

/** ms for a whole test of an item at real pace. */
const PATIENCE = 180_000;

/** Bytes of a picture at most. */
const MOST = 400_000;

async function recorded(documents: ShortDocuments, data: string, keys: string): Promise<void> {
  const warned = ['--acknowledge', 'crushing', '--acknowledge', 'sudden-torque'];
  for (const [serial, fault] of RECORDED) {
    const faults = fault === undefined ? [] : ['--fault', fault];
    const at = ['--operator', 'K. Lindqvar', '--data', data, '--keys', keys];
    const { status, err } = await stallmark([
      ...['run', serial, ...warned, ...at],
      ...[...documentOptions(documents), ...faults],
    ]);
    if (status === null || status > 2) throw new Error(err);
  }
}

const scratch = mkdtempSync(join(tmpdir(), 'stallmark-pictures-'));
const raw = (name: string): string => join(scratch, `${name}.png`);
const shot = (page: Page, name: string): Promise<Buffer> => page.screenshot({ path: raw(name) });

/** Takes the metadata out of pictures; four are laid beside each other at half the size. Palettes come out in wrong colours. */
function publish(name: string, ...from: readonly string[]): void {
  const file = join(FOLDER, `${name}.png`);
  const { width, height } = SMALL;
  const size = `${width / 2}x${height / 2}`;
  const files = from.map(raw);
  const whole = files.length === 1 ? files : [raw(`${name}-whole`)];
  if (files.length > 1) {
    execFileSync('montage', [...files, '-tile', '2x2', '-geometry', `${size}+0+0`, ...whole]);
  }
  const small = ['-quantize', 'Lab', '+dither', '-colors', '255', '-strip'];
  execFileSync('convert', [...whole, ...small, `PNG8:${file}`]);
  const bytes = statSync(file).size;
  if (bytes > MOST) throw new Error(`${file} has ${bytes} bytes, at most ${MOST} are wanted`);
  process.stdout.write(`${file} ${bytes} bytes\n`);
}

/** s before the end at which the picture of the running test is taken: the sweep is half drawn. */
const LEFT = 10;

/** Whether the page says that so many seconds are left, or fewer. */
async function isLate(page: Page): Promise<boolean> {
  const [text = ''] = await page.locator('.left').allInnerTexts();
  return Number(/(\d+) s/u.exec(text)?.[1] ?? Infinity) <= LEFT;
}

/** From the scan to the verdict, on a server of its own. */
async function operator(browser: Browser): Promise<void> {
  const served = await servedProgram({ pace: 'real', stages: STAGES });
  const page = await pageAt(browser, served.address, '/operator', { name: 'M. Ostrander' });
  try {
    await page.locator('.operator:not(.connecting)').waitFor();
    await begin(page, ITEM, (name) => shot(page, name));
    const off = page.getByText('The torque is off.');
    const stage = page.locator('.stage-ruler [aria-current]', { hasText: 'smoothing settings' });
    await stage.or(off).first().waitFor({ timeout: PATIENCE });
    while ((await stage.isVisible()) && !(await isLate(page))) {
      await page.evaluate('new Promise(requestAnimationFrame)');
    }
    await shot(page, 'running');
    const verdict = page.locator('.slot.is', { hasText: ITEM });
    await verdict.or(off).first().waitFor({ timeout: PATIENCE });
    if (!(await verdict.isVisible())) throw new Error('the test was broken off');
    await shot(page, 'verdict');
  } finally {
    await page.context().close();
    await served.remove();
  }
}

async function quality(page: Page): Promise<void> {
  await logInBySecret(page, 'QE-1');
  await page.getByRole('heading', { name: 'Nothing to correct' }).waitFor();
  await replaceIn(page, 'smoothing.lag', '2.85', '2.40');
  await page.locator('.q-changes li').waitFor();
  await page.getByLabel('Reason for the change').fill('customer asks for less lag');
  await shot(page, 'quality');
}

async function auditor(page: Page): Promise<void> {
  await logInBySecret(page, 'AU-1');
  await page.getByRole('link', { name: ITEM }).first().click();
  await page.locator('.a-conclusion').waitFor();
  await shot(page, 'auditor');
}

/** A folder of records with people, served. */
async function desk(): Promise<ServedProgram> {
  let documents: ShortDocuments | undefined;
  return servedProgram({
    stages: STAGES,
    documents: (made, folder) => {
      documents = made;
      process.chdir(folder); // so that the page names the files without it
    },
    prepare: async ({ data, keys }) => {
      if (documents !== undefined) await recorded(documents, data, keys);
      await enterPeople(data, keys);
    },
  });
}

const browser = await openBrowser();
mkdirSync(FOLDER, { recursive: true });
await untilItWorks(() => operator(browser));
publish('operator', 'scan', 'warnings', 'running', 'verdict');
const served = await desk();
for (const [name, take] of [
  ['quality', quality],
  ['auditor', auditor],
] as const) {
  const page = await browser.newPage({ viewport: SMALL, locale: 'en-GB' });
  await page.goto(`${served.address}/${name}`);
  await take(page);
  publish(name, name);
}
await browser.close();
await served.remove();
rmSync(scratch, { recursive: true });
