import type { Verdict } from '../decision/decision.js';
import { isAccepted } from '../decision/item-verdict.js';
import { decideFound } from '../decision/rule.js';
import { resultIn, type ReadResult } from './csv-result.js';
import type { CertificateTable, Row } from './csv-table.js';
import { printedVerdict } from './printed-verdict.js';
import type { Check } from './verify-seal.js';

/**
 * Decides every row of a table again from the value, U, limits and rule that stand in it, and holds
 * the printed verdicts against that; an ACCEPT needs every row to be accepted.
 *
 * Whether a row is valid is taken as printed: that depends on gates.
 *
 * Check: tests/unit/verify-decisions.test.ts.
 */
export function decisionCheck({ rows, verdict }: CertificateTable): Check {
  const results = rows.filter(({ section }) => section === 'result');
  const wrong = results.flatMap((row) => contradiction(row));
  const open =
    verdict === 'ACCEPT' ? results.filter((row) => !isPrintedAccepted(row)).map(nameOf) : [];
  const found = [
    ...wrong,
    ...(open.length > 0 ? [`The verdict is ACCEPT, but not accepted: ${open.join(', ')}.`] : []),
  ];
  const name = 'decisions';
  if (found.length > 0) {
    const sentence = found.join(' ');
    return { name, outcome: 'broken', finding: 'decisions/differ', sentence };
  }
  const count = results.filter((row) => row.validity === 'valid').length;
  const sentence = `The verdicts follow from the printed values, limits and rules: ${count} of ${results.length} rows decided again, the others have no valid value.`;
  const all = `The verdicts follow from the printed values, limits and rules: all ${count} rows decided again.`;
  const told = count === results.length ? all : sentence;
  return { name, outcome: 'holds', finding: 'decisions', sentence: told };
}

const nameOf = ({ label = '', stage = '' }: Row): string => `${label} (${stage})`;

function contradiction(row: Row): readonly string[] {
  const result = resultIn(row);
  if (result?.verdict === undefined) {
    return [`${nameOf(row)} has a unit, rule, limit or verdict that is not known here.`];
  }
  if (row.validity !== 'valid') return [];
  const again = decided(result);
  if (again === undefined) return [`${nameOf(row)} is said to be valid and has no value.`];
  if (printedVerdict(again) === printedVerdict(result.verdict)) return [];
  return [
    `${nameOf(row)} is printed as ${printedVerdict(result.verdict)}, but its value is ${printedVerdict(again)}.`,
  ];
}

function decided({ outcome, expanded, limit }: ReadResult): Verdict | undefined {
  if (outcome.kind !== 'measured') return undefined;
  const { value, bound } = outcome;
  return decideFound({ value, expanded, isBound: bound === 'at-least' }, limit);
}

/** Whether a row, as printed, lets its item be accepted. */
function isPrintedAccepted(row: Row): boolean {
  const verdict = resultIn(row)?.verdict;
  return verdict !== undefined && isAccepted(verdict);
}
