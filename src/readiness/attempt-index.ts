import type { Json } from '../base/canonical.js';
import type { Entry } from '../ledger/ledger.js';
import type { IndexChange } from '../ledger/search.js';
import { readMove } from './item-move.js';
import { endOf, textIn } from './past-attempts.js';
import { readReferenceEntry } from './reference-entry.js';

/**
 * Tells what an entry means for the index of attempts: beginnings, ends and refusals, and which records
 * became suspect or were decided on, by the same rules as `openSuspects`.
 */
export function followEntry(entry: Entry): readonly IndexChange[] {
  const { kind, serial, attempt, body } = entry;
  const place = {
    model: modelIn(serial),
    bench: textIn(body, 'bench'),
    simulated: body['simulated'] === true,
  };
  switch (kind) {
    case 'attempt-begun':
      return [{ kind: 'begun', attempt, certificate: textIn(body, 'certificate'), ...place }];
    case 'attempt-aborted':
    case 'record-issued':
      return endedIn(entry);
    case 'refused':
      return serial === '' ? [] : [{ kind: 'refused', ...place, reason: refusalWords(body) }];
    case 'bench-checked':
      return suspectsIn(entry);
    case 'item-moved': {
      const move = readMove(entry);
      return move === undefined || move.event === 'quarantine' ? [] : [{ kind: 'decided' }];
    }
    case 'note':
    case 'item-claimed':
    case 'signed':
    case 'changed':
      return [];
    default:
      return kind satisfies never;
  }
}

/** The model as serials name it: what stands before their first hyphen. */
const modelIn = (serial: string): string => serial.split('-')[0] ?? '';

function endedIn(entry: Entry): readonly IndexChange[] {
  const { attempt, body } = entry;
  const ended = endOf(entry);
  if (ended === undefined) return [];
  const { word, outcome, reason } = ended;
  const { revision } = body;
  return [
    {
      ...{ kind: 'ended', attempt, word, outcome, reason },
      certificate: textIn(body, 'certificate'),
      revision: typeof revision === 'number' && Number.isSafeInteger(revision) ? revision : 0,
    },
  ];
}

function suspectsIn(entry: Entry): readonly IndexChange[] {
  const checked = readReferenceEntry(entry);
  if (checked === undefined || checked.ok) return [];
  return checked.suspects.map(({ entry: record }) => ({ kind: 'suspected', record }));
}

function refusalWords(body: Entry['body']): string {
  const { problems } = body;
  if (!Array.isArray(problems)) return '';
  return (problems as readonly Json[])
    .map((problem) =>
      typeof problem === 'object' && problem !== null && !Array.isArray(problem)
        ? textIn(problem as Entry['body'], 'what')
        : '',
    )
    .filter((words) => words !== '')
    .join(' ');
}
