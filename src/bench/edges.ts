/** Samples from one edge of the test signal to the next: 100 ms. */
const SPACING = 2000;
/** The golden section spreads the edges evenly over the period of a sample. */
const GOLDEN = (Math.sqrt(5) - 1) / 2;
/** What the test signal puts on each channel besides the shunt: N·m and A. */
export const TEST_COMMAND = 1;
export const TEST_CURRENT = 1;

/** Where edge number `k` of the test signal falls, in samples since its start; the first is 1. */
function edgeAt(k: number): number {
  return k * SPACING + ((k * GOLDEN) % 1);
}

/**
 * Test signal that toggles between 0 and 1 every 100 ms, its edges spread over the period of a sample
 * so that a delay can be read more finely than that.
 *
 * @param from - Samples since the start; up to `to`, at most one sample later.
 * @returns Mean over that time.
 */
export function testSignal(from: number, to: number): number {
  const k = Math.floor(to / SPACING);
  const after = k % 2;
  if (k < 1) return 0;
  const late = Math.min(1, Math.max(0, (edgeAt(k) - from) / (to - from)));
  return late * (1 - after) + (1 - late) * after;
}
