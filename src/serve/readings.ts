import { attemptReading, findReading } from './auditor-find.js';
import { folderReading } from './auditor-folder.js';
import { trailReading } from './auditor-trail.js';
import { referenceChartReading, referenceItemsReading } from './quality-bench.js';
import { checkLimitsReading, limitsReading } from './quality-limits.js';
import {
  attemptsReading,
  figureReading,
  rowsReading,
  smoothingReading,
  traceReading,
} from './quality-traces.js';
import type { Reading } from './reading.js';

/** Everything a page may read, by the name it asks with. */
export const READINGS = {
  limits: limitsReading,
  'check-limits': checkLimitsReading,
  attempts: attemptsReading,
  rows: rowsReading,
  figure: figureReading,
  trace: traceReading,
  smoothing: smoothingReading,
  'reference-items': referenceItemsReading,
  'reference-chart': referenceChartReading,
  find: findReading,
  attempt: attemptReading,
  trail: trailReading,
  'folder-check': folderReading,
} satisfies Readonly<Record<string, Reading<unknown, unknown>>>;
