import { rowWords, rulesUsed, verdictWords } from '../certificate/words.js';
import { STRIP_KEY, stripText } from '../certificate/strip.js';
import type { Decision, Result } from '../decision/decision.js';
import { RULES } from '../decision/rules.js';

/** Characters of a limit strip: as many as look well, and as few as can be told apart. */
const STRIP = { most: 23, least: 11 };

/**
 * Draws the results as a table: value ± U, unit, allowed, limit strip, rule, verdict.
 *
 * @param width - Columns of the terminal; the strips give way when it is narrow.
 */
export function resultTable(decision: Decision, width: number): string {
  const wide = tableWith(decision, STRIP.most);
  const tooMuch = wide.indexOf('\n', wide.indexOf('─')) - wide.indexOf('─') - width;
  return tooMuch <= 0 ? wide : tableWith(decision, Math.max(STRIP.least, STRIP.most - tooMuch));
}

function tableWith(decision: Decision, strip: number): string {
  const rows = decision.results.map((result) => cells(result, strip));
  const heading = ['characteristic', 'value', '± U', 'unit', 'allowed', 'limit strip', '', ''];
  const widths = heading.map((h, i) =>
    Math.max(h.length, ...rows.map((row) => row[i]?.length ?? 0)),
  );
  const line = (row: readonly string[]): string =>
    row
      .map((cell, i) =>
        i === 1 || i === 2 ? cell.padStart(widths[i] ?? 0) : cell.padEnd(widths[i] ?? 0),
      )
      .join('  ')
      .trimEnd();
  const rule = '─'.repeat(widths.reduce((sum, w) => sum + w + 2, -2));
  const rules = rulesUsed(decision.results).map(({ mark, name }) => `${mark}: ${name}`);
  const key = ['U: expanded uncertainty, about 95 %', ...rules].join(' · ');
  return [line(heading), rule, ...rows.map(line), rule, key, STRIP_KEY].join('\n');
}

function cells(result: Result, strip: number): readonly string[] {
  const words = rowWords(result);
  return [
    result.name,
    words.value,
    words.expanded,
    words.unit,
    words.allowed,
    stripText(result, strip),
    RULES[result.limit.rule].mark,
    mark(result),
  ];
}

function mark(result: Result): string {
  return result.carriedFrom === undefined ? markOf(result) : `${markOf(result)} carried over`;
}

function markOf(result: Result): string {
  const { nearLimit } = result;
  if (nearLimit !== undefined) return `✓ △ near limit, ${(100 * nearLimit.used).toFixed(0)} % used`;
  if (result.verdict.outcome === 'conforming') return '✓';
  const { verdict } = result;
  const words = verdictWords(verdict);
  if (verdict.outcome === 'conditional' && verdict.side === 'inside') return `✓ ${words}`;
  return verdict.outcome === 'nonconforming' ? `✗ ${words}` : `‖ ${words}`;
}
