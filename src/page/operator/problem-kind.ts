import type { ErrorCode } from '../../base/codes.js';
import type { ProblemKind } from '../words/words.js';

/** Codes an operator may meet that are sorted otherwise than the rest of their area. */
const BY_CODE: Readonly<Partial<Record<ErrorCode, ProblemKind>>> = {
  'serial/grammar': 'label',
  'serial/unknown-model': 'model',
  'serial/attempts': 'attempts',
  'serial/state': 'state',
  'serial/claimed': 'claimed',
  'serial/quarantined': 'quarantined',
  'reference/serial': 'state',
  'procedure/warning': 'text',
  'readiness/not-ready': 'readiness',
  'bench/interlock': 'interlock',
  'bench/wrong-item': 'item',
  'bench/ceiling': 'torque',
  'bench/outstanding-warnings': 'text',
  'run/stopped': 'stopped',
  'run/page-lost': 'page',
  'page/not-now': 'now',
  'page/held': 'now',
};

const BY_AREA: Readonly<Record<string, ProblemKind>> = {
  serial: 'label',
  route: 'documents',
  document: 'documents',
  procedure: 'documents',
  limits: 'documents',
  quantity: 'documents',
  yaml: 'documents',
  budget: 'documents',
  reference: 'documents',
  readiness: 'readiness',
  equipment: 'readiness',
  bench: 'link',
  people: 'person',
  keys: 'records',
  ledger: 'records',
  storage: 'records',
  certificate: 'records',
};

/** Sorts the code of a refusal into what an operator is told in the own language. */
export function problemKind(code: string): ProblemKind {
  const known = (BY_CODE as Readonly<Record<string, ProblemKind | undefined>>)[code];
  return known ?? BY_AREA[code.split('/')[0] ?? ''] ?? 'other';
}
