/** The thread that writes into the ledger for the pages. */
import { workerData } from 'node:worker_threads';
import { systemClock } from '../base/clock.js';
import { carryOut, type ClerkTask } from './clerk-task.js';
import type { Site } from './site.js';
import { answerQuestions } from './thread.js';

const site = workerData as Site; // posted by openClerk

// Only openClerk can ask.
answerQuestions((task) => carryOut(task as ClerkTask, site, systemClock));
