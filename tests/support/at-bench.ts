import type { Browser, Locator } from 'playwright-core';
import { expect, onTestFinished } from 'vitest';
import type { NestView } from '../../src/serve/nest-view.js';
import { WORDS_OF } from '../../src/page/words/languages.js';
import { logInAs, openPage, wedge, type Person } from './browser.js';
import { follow, type Follower, type Heard, type ServedProgram } from './served-program.js';

/** A person whose page holds the nest, and what the nest tells beside the page. */
export interface AtBench extends Person {
  readonly nest: Follower;
  /** Ends what is on its way, gives the bench back, closes the browser, and looks for complaints. */
  readonly leave: () => Promise<void>;
}

/** How a person comes to the bench. */
export interface BenchWish {
  readonly name?: string;
  readonly locale?: string;
  /** Opens the page under this host name instead of the address of the program. */
  readonly host?: string;
}

/** What the button says that takes the bench, in every language. */
const TAKE = new RegExp(
  Object.values(WORDS_OF)
    .map(({ hold }) => hold.take)
    .join('|'),
  'u',
);

/** Opens the page of the operator, logs in by name, and takes the bench by its button. */
export async function atBench(
  browser: Browser,
  served: ServedProgram,
  { name = 'operator 17', ...wish }: BenchWish = {},
): Promise<AtBench> {
  const person = await openPage(browser, served, wish);
  await logInAs(person.page, name);
  await take(person);
  return withBench(person, served);
}

/** Takes the bench by its button, and puts away what another person may have left there. */
export async function take(
  person: Person,
  press: (button: Locator) => Promise<void> = (button) => button.click(),
): Promise<void> {
  const button = person.page.getByRole('button', { name: TAKE });
  await press(button);
  await button.waitFor({ state: 'hidden' });
  const isAway = async (): Promise<boolean> => (await person.ask({ kind: 'next' })).ok;
  await expect.poll(isAway, { timeout: 10_000 }).toBe(true);
  await person.page.locator('.label-drawing, .checks').first().waitFor();
}

/** Follows the nest beside the page of a person who is logged in. */
export async function withBench(person: Person, served: ServedProgram): Promise<AtBench> {
  const nest = follow(served, await person.cookie());
  await nest.until(({ checkedAt }) => checkedAt > 0, 'readiness');
  let isThere = true;
  const giveBack = async (): Promise<void> => {
    if (!isThere) return;
    isThere = false;
    nest.end();
    await person.give();
  };
  onTestFinished(giveBack); // where the test itself did not come that far
  const leave = async (): Promise<void> => {
    await giveBack();
    await person.context.close();
    expect(person.complaints).toEqual([]);
  };
  return Object.assign(person, { nest, leave });
}

/** Whether the nest is in this phase. */
export const is =
  (...kinds: readonly NestView['phase']['kind'][]) =>
  ({ phase }: Heard): boolean =>
    kinds.includes(phase.kind);

/** Waits for the phase. */
export const phase = (
  { nest }: AtBench,
  ...kinds: readonly NestView['phase']['kind'][]
): Promise<Heard> => nest.until(is(...kinds), kinds.join(' or '));

/** Scans with the scanner and waits for the warnings. */
export async function toWarnings(person: AtBench, serial: string): Promise<void> {
  await wedge(person.page, serial);
  await phase(person, 'warnings');
  await person.page.locator('.panels').waitFor();
}

/** Answers the warnings and starts past the buttons, which other tests press. */
export async function answerAll(person: AtBench): Promise<void> {
  for (const hazard of ['crushing', 'sudden-torque'] as const) {
    const reply = { kind: 'acknowledge', hazard, heldFor: 2000, language: 'en' } as const;
    expect((await person.ask(reply)).status).toBe(200);
  }
  await phase(person, 'start');
  expect((await person.ask({ kind: 'start' })).status).toBe(200);
}

/**
 * Brings an item under torque at real pace. A machine that stalls for a tenth of a second lets the
 * dead-man of the bench trip, rightly; each try takes another item.
 *
 * @returns Its serial.
 */
export async function toPower(person: AtBench): Promise<string> {
  powered += 1;
  const serial = serialOf(powered);
  await toWarnings(person, serial);
  await answerAll(person);
  await person.nest.until(({ power }) => power === 'on', 'power');
  return serial;
}

/** Number of the last item that was brought under torque. */
let powered = 90_000;

/** A serial of the invented maker. */
export const serialOf = (number: number): string => `H12-26-${String(number).padStart(5, '0')}`;
