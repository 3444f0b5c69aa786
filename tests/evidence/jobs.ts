import { StallmarkError } from '../../src/base/error.js';
import {
  type RunDocuments,
  runItem,
  shippedDocuments,
  type SimulatedItemRun,
  withStages,
} from '../support/simulated-run.js';
import { gather, inOrder, keyOf } from './engine.js';
import { faultAt, stagesFor } from './fault-list.js';
import { type Kept, keptOf } from './kept.js';
import { truthOf } from './truth-rows.js';

/** The documents that every campaign runs on. */
export const jobDocuments: RunDocuments = shippedDocuments();

/** The n-th serial: the seed of everything that is drawn for an item. */
export const serialOf = (n: number): string => `H12-26-${String(n).padStart(5, '0')}`;

/** Stages that the repeats need: zeros, torque constant, and what a least error is known for. */
const REPEATED = ['zero', 'static', 'steps-0', 'smoothing', 'field'];

/** How a job of a campaign is done, by the name of the campaign. */
export function jobOf(campaign: string): (job: string) => Promise<unknown> {
  switch (campaign) {
    case 'truth':
      return (serial) => Promise.resolve(Object.fromEntries(truthOf(jobDocuments, serial)));
    case 'good':
      return (serial) => play(jobDocuments, { serial });
    case 'repeats': {
      const documents = withStages(jobDocuments, REPEATED);
      return (job) => {
        const [serial = '', attempt = ''] = job.split('/');
        return play(documents, { serial, attempt: Number(attempt) });
      };
    }
    case 'faults':
    case 'faults-whole':
      return (job) => {
        const [name = '', severity = '', serial = ''] = job.split('/');
        const whole = campaign === 'faults-whole';
        const documents = whole
          ? jobDocuments
          : withStages(jobDocuments, stagesFor(jobDocuments, name));
        return play(documents, { serial, faults: [faultAt(name, severity)], ready: true });
      };
    default:
      throw new Error(`no campaign "${campaign}"`);
  }
}

/** Plays one item; a run that the bench broke off is a finding, not an error. */
async function play(documents: RunDocuments, item: SimulatedItemRun): Promise<Kept> {
  try {
    return keptOf(await runItem(documents, item));
  } catch (error) {
    if (!(error instanceof StallmarkError)) throw error;
    const [{ code, what }] = error.problems;
    return { scores: [], gates: [], aborted: { code, what } };
  }
}

/** Runs what is missing of a campaign, or only looks at what is there. */
async function results<T>(
  name: string,
  jobs: readonly string[],
  isReport: boolean,
): Promise<ReadonlyMap<string, T>> {
  const campaign = { name, key: keyOf(jobDocuments, name), jobs };
  const found = isReport ? inOrder(campaign) : await gather(campaign);
  return found as ReadonlyMap<string, T>; // each job of a campaign gives one kind of result
}

/** Runs kept of items. */
export const keptRuns = (
  name: 'good' | 'repeats' | 'faults' | 'faults-whole',
  jobs: readonly string[],
  isReport: boolean,
): Promise<ReadonlyMap<string, Kept>> => results(name, jobs, isReport);

/** True values of items by row. */
export const truths = (
  serials: readonly string[],
): Promise<ReadonlyMap<string, Readonly<Record<string, number>>>> =>
  results('truth', serials, false);
