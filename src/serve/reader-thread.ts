/** The thread in which everything is read that a page shows. */
import { workerData } from 'node:worker_threads';
import { readingAnswer, table, type ReadQuestion } from './reader.js';
import type { Site } from './site.js';
import { answerQuestions } from './thread.js';

const site = workerData as Site; // posted by openReader

// Only openReader can ask.
answerQuestions(async (question) => readingAnswer(await table(), site, question as ReadQuestion));

/** ms after the start: the bench and log-in come first, then what somebody may read. */
const LATER = 2000;

// Loaded before the first question as a rule, which then does not wait for it.
setTimeout(() => void table(), LATER).unref();
