import { unreachable } from '../base/error.js';
import type { Limit } from '../procedure/limits.js';
import type { NearLimit, Result } from './decision.js';

/** Share of a tolerance above which an accepted value is told, unless the limits say otherwise. */
export const WARN_ABOVE = 0.75;

/**
 * Says whether an accepted value uses more of its tolerance than the limits warn above: a trend is
 * seen before it rejects. The verdict stays what it is.
 *
 * Only values in the acceptance zone of their rule, so conforming without a condition, are told; a
 * lower bound never is, because the property itself may lie anywhere above it.
 *
 * @returns Undefined for every other row.
 */
export function nearLimit({
  limit,
  outcome,
  verdict,
}: Pick<Result, 'outcome' | 'verdict'> & {
  readonly limit: Pick<Limit, 'tolerance' | 'process' | 'warnAbove'>;
}): NearLimit | undefined {
  if (verdict.outcome !== 'conforming') return undefined;
  if (outcome.kind !== 'measured' || outcome.bound !== undefined) return undefined;
  const used = shareUsed(outcome.value, limit);
  const above = limit.warnAbove ?? WARN_ABOVE;
  return used !== undefined && used > above ? { used, above } : undefined;
}

/**
 * Reckons how much of its tolerance a value uses: 0 where an item should be, 1 on a limit.
 *
 * | tolerance | where an item should be | share used |
 * | - | - | - |
 * | from a to b | its centre | distance from the centre over half the width |
 * | at most b > 0 | 0 | magnitude over b |
 * | at least a | mean of the process, where the limits state one above a | (mean − value)/(mean − a), not below 0 |
 *
 * @param value - Base unit.
 * @returns Undefined where nothing says where an item should be: a most of 0 or less, a least without
 * a process, a tolerance without width, a value that is no number.
 *
 * Source: common practice, no source.
 */
export function shareUsed(
  value: number,
  { tolerance, process }: Pick<Limit, 'tolerance' | 'process'>,
): number | undefined {
  switch (tolerance.kind) {
    case 'between': {
      const { lower, upper } = tolerance;
      return share(Math.abs(value - (lower + upper) / 2), (upper - lower) / 2);
    }
    case 'at-most':
      return share(Math.abs(value), tolerance.upper);
    case 'at-least':
      if (process === undefined) return undefined;
      return share(Math.max(0, process.mean - value), process.mean - tolerance.lower);
    default:
      return unreachable(tolerance);
  }
}

function share(distance: number, width: number): number | undefined {
  return width > 0 && Number.isFinite(distance) ? distance / width : undefined;
}
