/** The thread in which everything is read that a page shows. */
import { existsSync } from 'node:fs';
import { setImmediate as nextTurn } from 'node:timers/promises';
import { workerData } from 'node:worker_threads';
import { ledgerFile } from '../run/places.js';
import { readingAnswer, table, type ReadQuestion } from './reader.js';
import type { Site } from './site.js';
import { answerQuestions } from './thread.js';

const site = workerData as Site; // posted by openReader

// Only openReader can ask.
answerQuestions(async (question) => readingAnswer(await table(), site, question as ReadQuestion));

/** ms after the start: the bench and log-in come first, then what somebody may read. */
const LATER = 2000;

/** Loads the readings and brings the index of the records up to date, so that nobody waits for it. */
async function prepare(): Promise<void> {
  await table();
  if (!existsSync(ledgerFile(site.root))) return;
  const { searchBriefly } = await import('../run/search-records.js');
  while ((await searchBriefly(site.root, (lookup) => lookup.last())).kind !== 'answer') {
    await nextTurn(); // questions get in between
  }
}

// What goes wrong here goes wrong again for whoever asks, and is told then.
setTimeout(() => void prepare().catch(() => undefined), LATER).unref();
