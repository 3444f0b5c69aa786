/** Shares of a hand's torque, and the Hz at which each wanders. */
const WANDERING = [
  [0.5, 0.31],
  [0.3, 0.53],
  [0.2, 0.97],
] as const;

/**
 * Torque of a hand on the wheel, N·m: slow, and never twice the same.
 *
 * @param amplitude - N·m
 * @param time - s
 */
export function handTorque(amplitude: number, time: number): number {
  if (amplitude === 0) return 0;
  const turn = 2 * Math.PI * time;
  return WANDERING.reduce((sum, [share, f]) => sum + amplitude * share * Math.sin(f * turn), 0);
}
