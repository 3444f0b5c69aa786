import type { Change } from './change.js';
import { saveLimitsDraft } from './quality-limits.js';

/** Everything a page may change, by the name it asks with. */
export const CHANGES = {
  'save-limits-draft': saveLimitsDraft,
} satisfies Readonly<Record<string, Change<unknown, unknown>>>;
