/** Does the jobs that engine.ts hands it, one after the other, and answers each. */
import type { Answer } from './engine.js';
import { keyOf } from './engine.js';
import { jobDocuments, jobOf } from './jobs.js';

const [campaign = ''] = process.argv.slice(2);
const run = jobOf(campaign);
const answer = (message: Answer): void => {
  process.send?.(message);
};

process.on('SIGINT', () => undefined); // the parent ends its children itself
process.on('message', (message) => {
  const job = String(message);
  run(job).then(
    (kept) => {
      answer({ kind: 'done', job, kept });
    },
    (error: unknown) => {
      const stack = error instanceof Error ? (error.stack ?? error.message) : String(error);
      answer({ kind: 'broken', job, stack });
    },
  );
});
answer({ kind: 'ready', key: keyOf(jobDocuments, campaign) });
