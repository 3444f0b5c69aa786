import { readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, beforeEach, expect, onTestFinished, test } from 'vitest';
import { parse } from 'yaml';
import { approve } from '../../src/procedure/approval.js';
import type { WarningText } from '../../src/procedure/procedure.js';
import { WORDS_OF } from '../../src/page/words/languages.js';
import type { Language } from '../../src/page/words/words.js';
import {
  answerAll,
  atBench,
  phase,
  serialOf as numbered,
  take,
  toPower,
  toWarnings,
  withBench,
  type AtBench,
} from '../support/at-bench.js';
import {
  findings,
  hasFocus,
  inBrowser,
  keepPressed,
  kept,
  LARGE,
  openBrowser,
  openPage,
  pressDown,
  says,
  SMALL,
  space,
  tabTo,
  wedge,
} from '../support/browser.js';
import { servedProgram, type ServedProgram } from '../support/served-program.js';

const en = WORDS_OF.en;

/** Texts of the warnings of the shipped procedure, in the order in which they are shown. */
const WARNINGS = (
  parse(
    readFileSync(
      fileURLToPath(new URL('../../procedures/h12-acceptance.yaml', import.meta.url)),
      'utf8',
    ),
  ) as { readonly warnings: readonly { readonly texts: Readonly<Record<Language, WarningText>> }[] }
).warnings;

/** Least side of what gloved fingers press, px at 1280 × 800: 24 mm on a screen of 15.6 inches. */
const TOUCH = 88;

/** Looks at the page as it stands: accessible, nothing outside the screen, nothing too small to press. */
async function looked({ page }: Pick<AtBench, 'page'>, name: string): Promise<void> {
  await kept(page, `operator-${name}`);
  expect(await findings(page), name).toEqual([]);
  expect(await overflow(page), name).toEqual([0, 0]);
  for (const button of await page.locator('.operator button:enabled').all()) {
    const box = await button.boundingBox();
    expect(Math.min(box?.width ?? 0, box?.height ?? 0), name).toBeGreaterThanOrEqual(TOUCH);
  }
}

/** px by which the page is wider and higher than the window. */
const overflow = (page: Page): Promise<unknown> =>
  page.evaluate(`[document.documentElement.scrollWidth - innerWidth,
    document.documentElement.scrollHeight - innerHeight].map((px) => Math.max(0, px))`);

const keepButtons = (page: Page): Locator => page.locator('button.keep');
const acknowledged = (page: Page): Locator => page.locator('.keep.done');
const say = (page: Page): Locator => page.locator('.say h1');
const startButton = (page: Page): Locator =>
  page.locator('.sheet').getByRole('button', { name: en.warn.begin });
const serialShown = (page: Page): Promise<string> =>
  page
    .locator('.item .serial')
    .innerText()
    .then((text) => text.replace(/\s/gu, ''));

/** Raised with each try of each test, so that none meets an item of another. */
let round = 0;

/** Serial of an item of the running test. */
const serialOf = (number: number): string => numbered(100 * round + number);

inBrowser('the operator page', () => {
  let browser: Browser;
  let fast: ServedProgram;
  let real: ServedProgram;

  beforeAll(async () => {
    [browser, fast, real] = await Promise.all([
      openBrowser(),
      servedProgram(),
      servedProgram({ pace: 'real', stages: ['static', 'close'] }),
    ]);
  });

  beforeEach(() => {
    round += 1;
  });

  afterAll(async () => {
    await browser.close();
    await Promise.all([fast.remove(), real.remove()]);
  });

  test('an item goes all the way by pointer, from log-in to ACCEPT', async () => {
    const person = await openPage(browser, fast);
    const { page } = person;
    await page.locator('#who').waitFor();
    await looked(person, 'log-in');
    await page.locator('#who').fill('operator 17');
    await page.getByRole('button', { name: en.logIn.logIn, exact: true }).click();
    await says(page, en.say.take);
    await looked(person, 'free');
    await take(person);
    await says(page, en.say.scan);
    await looked(person, 'scan');
    const bench = await withBench(person, fast);

    await toWarnings(bench, `]d2010952012340120721${serialOf(1)}`);
    expect(await serialShown(page)).toBe(serialOf(1));
    await says(page, en.say.warnings);
    await warningsShown(page, 'en');
    await looked(person, 'warnings');
    await page.setViewportSize(LARGE);
    await kept(page, 'operator-warnings-large');
    expect(await overflow(page)).toEqual([0, 0]);
    await page.setViewportSize(SMALL);
    await keepPressed(page, keepButtons(page).first(), acknowledged(page).first());
    await keepPressed(page, keepButtons(page).first(), startButton(page));
    await says(page, en.say.start);
    await looked(person, 'start');
    await startButton(page).click();
    await says(page, en.say.countdown);
    await kept(page, 'operator-countdown');

    const { phase: end } = await phase(bench, 'verdict');
    await says(page, en.next.accept);
    await verdictShown(page, 'ACCEPT', serialOf(1));
    await looked(person, 'accept');
    await page.setViewportSize(LARGE);
    await kept(page, 'operator-accept-large');
    expect(await overflow(page)).toEqual([0, 0]);
    const begun = fast.entries('attempt-begun').at(-1);
    expect(begun).toMatchObject({ serial: serialOf(1), by: 'operator 17' });
    expect(begun?.body['acknowledgements']).toMatchObject([
      { hazard: 'crushing', means: 'held button', language: 'en', by: 'operator 17' },
      { hazard: 'sudden-torque', means: 'held button', language: 'en', by: 'operator 17' },
    ]);
    const number = end.kind === 'verdict' ? end.result.number : '';
    expect(fast.entries('record-issued').at(-1)?.body['certificate']).toBe(number);
    await bench.leave();
  });

  test('an item goes all the way by keyboard and scanner, and no burst of the scanner presses a button', async () => {
    const person = await openPage(browser, fast);
    const { page } = person;
    await page.locator('#who:focus').waitFor();
    await page.keyboard.type('operator 17');
    await page.keyboard.press('Enter');
    await take(person, async (button) => {
      await tabTo(page, button);
      await space(page);
    });
    await says(page, en.say.scan);
    const bench = await withBench(person, fast);
    person.excuse(/\/api\/nest$/u); // each burst at a wrong time is refused by the server

    await tabTo(page, page.getByRole('button', { name: en.scan.type }));
    await toWarnings(bench, serialOf(10));
    expect(await page.locator('input').count()).toBe(0);
    for (const button of await keepButtons(page).all()) {
      await button.focus();
      await wedge(page, serialOf(11));
      await page.locator('.problems').waitFor();
      expect(await acknowledged(page).count()).toBe(0);
    }
    expect(await serialShown(page)).toBe(serialOf(10));
    for (const done of [acknowledged(page).first(), startButton(page)]) {
      await tabTo(page, keepButtons(page).first());
      await page.keyboard.down(' ');
      await done.waitFor();
      await page.keyboard.up(' ');
    }
    await tabTo(page, startButton(page));
    await wedge(page, serialOf(11));
    await page.locator('.problems').waitFor();
    expect(bench.nest.view().phase.kind).toBe('start');
    expect(await hasFocus(page, startButton(page))).toBe(true);
    await kept(page, 'operator-scan-at-wrong-time');
    await space(page);
    await phase(bench, 'verdict');
    await verdictShown(page, 'ACCEPT', serialOf(10));
    expect(fast.entries().some(({ serial }) => serial === serialOf(11))).toBe(false);

    await tabTo(page, page.getByRole('button', { name: en.scan.type }));
    await toWarnings(bench, serialOf(11)); // the next item, and nothing typed
    expect(await serialShown(page)).toBe(serialOf(11));
    await page.keyboard.press('Escape');
    await says(page, en.say.stopped);
    await tabTo(page, page.getByRole('button', { name: en.scan.type }));
    await space(page);
    await page.locator('input:focus').waitFor();
    await page.keyboard.type(serialOf(12), { delay: 60 });
    await looked(person, 'typing');
    await page.keyboard.press('Enter');
    await phase(bench, 'warnings');
    await bench.leave();
  });

  test('Enter, a key that repeats, a button let go too early and a finger that slides off acknowledge nothing', async () => {
    const bench = await atBench(browser, fast);
    const { page } = bench;
    bench.excuse(/\/api\/nest$/u);
    await toWarnings(bench, serialOf(20));
    const [first, second] = [keepButtons(page).first(), keepButtons(page).nth(1)];
    await first.focus();
    await heldKey(page, 'Enter');
    expect(await acknowledged(page).count(), 'Enter').toBe(0);

    await page.locator('.settings, .foot button').first().focus();
    await page.keyboard.down(' '); // down before the button has the focus
    await first.focus();
    await heldKey(page, ' ');
    expect(await acknowledged(page).count(), 'a key that was down before').toBe(0);

    await pressDown(page, first);
    await filled(first, 0.3);
    await page.mouse.up();
    await filled(first, 0);
    await pressDown(page, first);
    await filled(first, 0.3);
    await page.mouse.move(5, 5);
    await filled(first, 0);
    await page.mouse.up();
    await second.focus();
    await page.keyboard.down(' ');
    await filled(second, 0.3);
    await wedge(page, serialOf(21)); // a scanner in the middle of it
    await filled(second, 0);
    await page.keyboard.up(' ');
    expect(await acknowledged(page).count()).toBe(0);

    const early = {
      kind: 'acknowledge',
      hazard: 'crushing',
      heldFor: 1999,
      language: 'en',
    } as const;
    const refused = await bench.ask(early);
    expect(await refused.text()).toContain('was kept pressed for 1999 ms, not 2000 ms');
    expect((await bench.ask({ kind: 'start' })).ok).toBe(false);
    expect(bench.nest.view().phase).toMatchObject({
      kind: 'warnings',
      warnings: [{ hazard: 'crushing' }, { hazard: 'sudden-torque' }],
    });
    expect(JSON.stringify(bench.nest.view().phase)).not.toContain('"acknowledged"');
    await bench.leave();
    expect(fast.entries('attempt-begun').some(({ serial }) => serial === serialOf(20))).toBe(false);
  });

  test('a badge that is scanned into the form logs in: Enter comes right behind the last character', async () => {
    const { page, complaints, context } = await openPage(browser, fast);
    await page.locator('#who:focus').waitFor();
    await wedge(page, '');
    expect(await page.locator('#who').count()).toBe(1); // a bare Enter is nobody
    // The last character and Enter, before anything is drawn; as text, for the browser alone knows the types.
    await page.evaluate(`{
      const field = document.querySelector('#who');
      field.value = 'operator 17';
      field.dispatchEvent(new Event('input', { bubbles: true }));
      field.form.requestSubmit();
    }`);
    await says(page, en.say.take);
    await context.close();
    expect(complaints).toEqual([]);
  });

  test.each(['de', 'es', 'pl', 'zh'] as const)(
    'in %s the page and the warnings speak that language',
    async (language) => {
      const words = WORDS_OF[language];
      const person = await openPage(browser, fast, { locale: language });
      const { page } = person;
      await page.getByRole('button', { name: words.logIn.logIn, exact: true }).waitFor();
      await page.locator('#who').fill('operator 17');
      await page.locator('#who').press('Enter');
      await says(page, words.say.take);
      await take(person);
      await says(page, words.say.scan);
      const bench = await withBench(person, fast);
      await toWarnings(bench, serialOf(30));
      expect(await page.evaluate('document.documentElement.lang')).toBe(language);
      await says(page, words.say.warnings);
      await warningsShown(page, language);
      await looked(person, `warnings-${language}`);
      await keepPressed(page, keepButtons(page).first(), acknowledged(page).first());
      expect(bench.nest.view().phase).toMatchObject({
        warnings: [{ acknowledged: { language } }, {}],
      });
      await bench.leave();
    },
  );

  test('the language is chosen at the bench, and what is chosen stays', async () => {
    const bench = await atBench(browser, fast);
    const { page } = bench;
    await page.getByRole('button', { name: en.settings.open }).click();
    await looked(bench, 'settings');
    await page.getByRole('button', { name: WORDS_OF.es.language }).click();
    await page.getByRole('button', { name: WORDS_OF.es.settings.close }).click();
    await says(page, WORDS_OF.es.say.scan);
    await page.reload();
    await says(page, WORDS_OF.es.say.scan);
    await bench.leave();
  });

  test('scans that lead nowhere say why and what to do, and change nothing', async () => {
    const bench = await atBench(browser, fast);
    const { page } = bench;
    const entries = fast.entries().length;
    for (const [name, scanned, kind, detail] of [
      ['unknown-model', 'H99-26-00001', 'model', 'serial/unknown-model'],
      ['foreign-label', '4006381333931', 'model', 'serial/unknown-model'],
      ['partial-scan', 'H12-26-1', 'label', 'partial scan'],
      ['keyboard-layout', 'H12/26/04711', 'label', 'types for German, the computer reads US'],
      ['two-scans', 'H12-26-04711H12-26-04712', 'label', 'Two scans run together'],
    ] as const) {
      await wedge(page, scanned);
      await page.locator('.problems').getByText(en.problems[kind].what).waitFor();
      await page.locator('.problems').getByText(en.problems[kind].do).waitFor();
      await page.locator('.problems').getByText(detail).waitFor();
      await says(page, en.say.refused);
      await looked(bench, `refused-${name}`);
      expect(await page.locator('.item .serial.none').count()).toBe(1);
    }
    await bench.ask({ kind: 'next' });
    await says(page, en.say.scan);
    await wedge(page, 'H12-26-0', ''); // a scan without its end
    await page.getByText(en.scan.broken).waitFor();
    await looked(bench, 'scan-broken');
    const kinds = fast
      .entries()
      .slice(entries)
      .map(({ kind }) => kind);
    expect(kinds.filter((kind) => kind !== 'refused')).toEqual([]);
    await bench.leave();
  });

  test.each([
    ['REJECT', 'wrong-slew', en.next.reject, 40],
    ['HOLD', 'shunt-left-on', en.next['hold-stand'], 41],
  ] as const)(
    '%s of %s is told by word, shape and place, with the serial',
    async (word, fault, next, n) => {
      const bench = await atBench(browser, fast);
      const { page } = bench;
      const serial = serialOf(n);
      const scan = { kind: 'scan', text: serial, language: 'en', faults: [fault] } as const;
      expect((await bench.ask(scan)).status).toBe(200);
      await phase(bench, 'warnings');
      await answerAll(bench);
      await phase(bench, 'verdict');
      await verdictShown(page, word, serial);
      await says(page, next);
      await looked(bench, `${word.toLowerCase()}-${fault}`);
      await page.setViewportSize(LARGE);
      await kept(page, `operator-${word.toLowerCase()}-${fault}-large`);
      expect(await overflow(page)).toEqual([0, 0]);
      await bench.leave();
    },
  );

  test('an open guard, damp air and a bench out of order refuse before power, in a sentence', async () => {
    const bench = await atBench(browser, fast);
    const { page } = bench;
    const scan = { kind: 'scan', text: serialOf(50), language: 'en' } as const;
    expect((await bench.ask({ ...scan, faults: ['wrong-humidity'] })).status).toBe(200);
    await says(page, en.say.notBegun);
    await page.locator('.problems').getByText(en.problems.readiness.what).first().waitFor();
    await looked(bench, 'refused-humidity');
    await bench.leave();
    expect(fast.entries('attempt-begun').some(({ serial }) => serial === serialOf(50))).toBe(false);
    expect(fast.entries('refused').at(-1)).toMatchObject({ by: 'operator 17' });
  });

  test('a guard that is opened under torque breaks the test off, and the page says what to do', async () => {
    const bench = await atBench(browser, fast);
    const { page } = bench;
    const scan = { kind: 'scan', text: serialOf(51), language: 'en' } as const;
    expect((await bench.ask({ ...scan, faults: ['guard-opened'] })).status).toBe(200);
    await phase(bench, 'warnings');
    await answerAll(bench);
    await phase(bench, 'ended');
    await says(page, en.say.brokenOff);
    await page.getByText(en.ended.torqueOff).waitFor();
    await page.locator('.problems').getByText(en.problems.interlock.what).first().waitFor();
    await looked(bench, 'broken-off');
    await bench.leave();
    expect(fast.entries('attempt-aborted').at(-1)).toMatchObject({ serial: serialOf(51) });
  });

  test('under torque a second scan changes nothing, and the stop button takes the torque off', async () => {
    const bench = await atBench(browser, real);
    const { page } = bench;
    const serial = await toPower(bench);
    await says(page, en.say.on);
    await page.getByText(en.power.on, { exact: true }).waitFor();
    await kept(page, 'operator-running');
    await wedge(page, serialOf(69));
    const refused = await bench.ask({ kind: 'scan', text: serialOf(69), language: 'en' });
    expect(await refused.text()).toContain('page/not-now');
    expect(bench.nest.view()).toMatchObject({ power: 'on', item: { serial } });
    await page.getByRole('button', { name: en.stop.stop }).click();
    const { phase: end } = await bench.nest.until(({ power }) => power === 'off', 'power off');
    expect(end).toMatchObject({ kind: 'ended', how: 'stopped' });
    expect(real.entries('attempt-aborted').at(-1)).toMatchObject({ serial });
    await says(page, en.say.stopped);
    await page.getByText(en.ended.torqueOff).waitFor();
    await page.getByText(en.power.off, { exact: true }).waitFor();
    await looked(bench, 'stopped');
    bench.excuse(/\/api\/nest$/u);
    await bench.leave();
    expect(real.entries('attempt-aborted').at(-1)?.body['reason']).toMatch(
      /^run\/stopped: operator 17 stopped the run/u,
    );
    expect(real.entries().some((entry) => entry.serial === serialOf(69))).toBe(false);
  });

  test('Escape takes the torque off, whatever has the focus; a page under torque is accessible too', async () => {
    const bench = await atBench(browser, real);
    const { page } = bench;
    const serial = await toPower(bench);
    await says(page, en.say.on);
    await looked(bench, 'running-looked-at');
    await page.keyboard.press('Escape');
    const { phase: end } = await bench.nest.until(({ power }) => power === 'off', 'power off');
    expect(end).toMatchObject({ kind: 'ended', how: 'stopped' });
    expect(real.entries('attempt-aborted').at(-1)).toMatchObject({ serial });
    await says(page, en.say.stopped);
    await bench.leave();
  });

  test('a bench with an instrument that is overdue tests nothing and says whom to call', async () => {
    const served = await servedProgram({
      documents: ({ bench }) => {
        change(bench, (text) => text.replace('due: 2036-05-18', 'due: 2026-05-20'));
      },
    });
    onTestFinished(served.remove);
    const bench = await atBench(browser, served);
    const { page } = bench;
    await page.locator('.checks .blocks').getByText('TT-204').first().waitFor();
    expect(await say(page).innerText()).toMatch(/^Not ready\. Call: /u);
    await looked(bench, 'not-ready');
    await wedge(page, serialOf(1));
    await says(page, en.say.notBegun);
    await page.locator('.problems').getByText(en.problems.readiness.what).first().waitFor();
    await looked(bench, 'not-ready-scanned');
    expect(served.entries('attempt-begun')).toEqual([]);
    expect(served.entries('refused').length).toBeGreaterThan(0);
    await bench.leave();
  });

  test('a warning that is missing in the language of the operator refuses the item', async () => {
    const served = await servedProgram({
      documents: ({ procedure }) => {
        change(procedure, (text) =>
          approve(text.replace(/^ {6}pl:\n(?: {8}.*\n)+/mu, ''), procedure, APPROVAL),
        );
      },
    });
    const pl = WORDS_OF.pl;
    onTestFinished(served.remove);
    const bench = await atBench(browser, served, { locale: 'pl' });
    const { page } = bench;
    await wedge(page, serialOf(1));
    await says(page, pl.say.refused);
    await page.locator('.problems').getByText(pl.problems.text.what).first().waitFor();
    await looked(bench, 'warning-missing');
    expect(served.entries('attempt-begun')).toEqual([]);
    await page.evaluate('localStorage.clear()');
    await bench.leave();
  });
});

const APPROVAL = { by: 'Q. Engineer', role: 'quality engineer', on: '2026-11-02' };

function change(file: string, how: (text: string) => string): void {
  const [before, after] = [readFileSync(file, 'utf8'), how(readFileSync(file, 'utf8'))];
  expect(after).not.toBe(before);
  writeFileSync(file, after);
}

/** Both warnings stand there: sign, signal word, and the three parts of the text. */
async function warningsShown(page: Page, language: Language): Promise<void> {
  const panels = page.locator('.panel');
  expect(await panels.count()).toBe(2);
  for (const [index, { texts }] of WARNINGS.entries()) {
    const panel = panels.nth(index);
    const shown = await panel.innerText();
    const { heading, hazard, consequence, avoidance } = texts[language];
    for (const part of [heading, hazard, consequence, avoidance]) expect(shown).toContain(part);
    expect(shown).toContain(WORDS_OF[language].signal.WARNING);
    expect(shown).toContain(WORDS_OF[language].warn.keep);
    expect(await panel.locator('.hazard-sign').isVisible()).toBe(true);
  }
}

const PLACES = ['ACCEPT', 'HOLD', 'REJECT'] as const;

/** The verdict stands in its own place, by its word, with its shape filled, and with the serial. */
async function verdictShown(
  page: Page,
  word: (typeof PLACES)[number],
  serial: string,
): Promise<void> {
  await page.locator('.verdict .slot.is').waitFor();
  const slots = page.locator('.verdict .slot');
  const tops = [];
  for (const [index, place] of PLACES.entries()) {
    const slot = slots.nth(index);
    expect(await slot.innerText()).toContain(place);
    tops.push((await slot.boundingBox())?.y ?? 0);
    const isGiven = place === word;
    expect(await slot.locator('.verdict-shape.given').count()).toBe(isGiven ? 1 : 0);
    expect(await slot.locator(`.verdict-shape.${place.toLowerCase()}`).count()).toBe(1);
    if (isGiven) expect(await slot.innerText()).toContain(serial);
  }
  expect(tops).toEqual(tops.toSorted((a, b) => a - b));
}

/** Keeps a key down, repeating as a keyboard does, for longer than an acknowledgement takes. */
async function heldKey(page: Page, key: string): Promise<void> {
  const from = performance.now();
  do await page.keyboard.down(key);
  while (performance.now() - from < 2200);
  await page.keyboard.up(key);
}

/** Waits until a button shows that this share of its time has passed, or none of it. */
async function filled(button: Locator, share: number): Promise<void> {
  await expect
    .poll(async () => {
      const text = /--held: ([\d.]+)/u.exec((await button.getAttribute('style')) ?? '')?.[1];
      return share === 0 ? Number(text) === 0 : Number(text) >= share;
    })
    .toBe(true);
}
