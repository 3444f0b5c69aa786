import { Worker } from 'node:worker_threads';
import { expect, onTestFinished, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { askedHere, Thread, type ThreadSettings } from '../../src/serve/thread.js';

/** A thread that does what its question says. */
const SCRIPT = `
const { parentPort } = require('node:worker_threads');
let asked = 0;
parentPort.on('message', (question) => {
  asked += 1;
  if (question === 'throw') throw new Error('crashed');
  if (question === 'exit') process.exit(3);
  if (question === 'hang') return;
  if (question === 'refuse') parentPort.postMessage({ kind: 'refused', problems: [{ code: 'usage/argument', what: 'w', fix: 'f' }] });
  else if (question === 'break') parentPort.postMessage({ kind: 'broken', stack: 'inside' });
  else parentPort.postMessage({ kind: 'answer', answer: question + ' ' + asked });
});`;

function thread(settings: Partial<ThreadSettings> = {}): {
  readonly asker: Thread<string>;
  readonly log: string[];
  readonly started: () => number;
} {
  const log: string[] = [];
  let started = 0;
  const asker = new Thread<string>({
    name: 'reader',
    start: () => {
      started += 1;
      return new Worker(SCRIPT, { eval: true });
    },
    most: 3,
    patience: 30_000,
    log: { error: (what: unknown) => log.push(JSON.stringify(what)) } as ThreadSettings['log'],
    ...settings,
  });
  onTestFinished(() => asker.close());
  return { asker, log, started: () => started };
}

const codeOf = (asked: Promise<unknown>): Promise<string> =>
  asked.then(
    () => 'answered',
    (error: unknown) => (error instanceof StallmarkError ? error.problems[0].code : String(error)),
  );

test('questions are answered in order by one thread', async () => {
  const { asker, started } = thread();
  const answers = await Promise.all(['a', 'b', 'c', 'd'].map((question) => asker.ask(question)));
  expect(answers).toEqual(['a 1', 'b 2', 'c 3', 'd 4']);
  expect(started()).toBe(1);
});

for (const how of ['throw', 'exit'] as const) {
  test(`a thread that ends by "${how}" is replaced; the question it had is answered with a problem, the next one by the new thread`, async () => {
    const { asker, log, started } = thread();
    const [broken, after] = [codeOf(asker.ask(how)), asker.ask('after')];
    expect(await broken).toBe('page/broken');
    expect(await after).toBe('after 1');
    expect(started()).toBe(2);
    expect(log.join('')).toMatch(/crashed|ended with 3/u);
  });
}

test('a thread that hangs is ended after its patience and replaced', async () => {
  const { asker, log } = thread({ patience: 300 });
  const [hung, after] = [codeOf(asker.ask('hang')), asker.ask('after')];
  expect(await hung).toBe('page/broken');
  expect(await after).toBe('after 1');
  expect(log.join('')).toContain('no answer within 300 ms');
});

test('problems come back as problems, and a defect without its stack', async () => {
  const { asker, log, started } = thread();
  expect(await codeOf(asker.ask('refuse'))).toBe('usage/argument');
  const broken = await asker.ask('break').catch((error: unknown) => String(error));
  expect(broken).toContain('page/broken');
  expect(broken).not.toContain('inside');
  expect(log.join('')).toContain('inside');
  expect(started()).toBe(1);
});

test('as many as may wait do, the next one is refused', async () => {
  const { asker } = thread({ most: 3 });
  const asked = ['1', '2', '3', '4', '5'].map((question) => codeOf(asker.ask(question)));
  expect(await Promise.all(asked)).toEqual([
    ...['answered', 'answered', 'answered', 'answered', 'page/busy'],
  ]);
});

test('when it closes, whoever waits is told, and nothing more is asked', async () => {
  const { asker } = thread();
  const asked = ['hang', 'a'].map((question) => codeOf(asker.ask(question)));
  await asker.close();
  expect(await Promise.all([...asked, codeOf(asker.ask('b'))])).toEqual([
    ...['page/busy', 'page/busy', 'page/busy'],
  ]);
});

test('asked here, one question waits for the other, and a wrong one keeps none from asking', async () => {
  const order: string[] = [];
  const asker = askedHere(async (question: string) => {
    order.push(`${question} begins`);
    await new Promise((next) => setImmediate(next));
    order.push(`${question} ends`);
    if (question === 'a') throw new Error('wrong');
    return question;
  });
  const [first, second] = [asker.ask('a').catch(String), asker.ask('b')];
  expect([await first, await second]).toEqual(['Error: wrong', 'b']);
  expect(order).toEqual(['a begins', 'a ends', 'b begins', 'b ends']);
});
