/** A wheel on the shaft: what the spring has to hold. */
export interface Wheel {
  /** kg·m², > 0 */
  readonly inertia: number;
  /** Viscous friction of the wheel itself, N·m·s/rad, ≥ 0. */
  readonly damping: number;
}

/** A spring and damper made by a program. */
export interface VirtualSpring {
  /** N·m/rad */
  readonly stiffness: number;
  /** N·m·s/rad */
  readonly damping: number;
}

/** What lies between a measured angle and the torque that answers it. */
export interface TorqueLoop {
  /** Time from one torque to the next, held in between, s, > 0. */
  readonly period: number;
  /** Pure delay in addition to the hold, s, ≥ 0. */
  readonly delay: number;
  /** Cut-offs of real poles in the loop, Hz: a smoothing of two equal poles is listed twice. */
  readonly poles?: readonly number[];
}

/**
 * Computes the wheel damping that a sampled spring and damper need to be passive for any hand.
 *
 * @returns N·m·s/rad. The wheel must have more: equality is not passive.
 *
 * Source: Colgate and Schenkel, J. Robotic Systems 14 (1997) 37: b > K·T/2 + |B| (from memory).
 * Check: tests/checks/stability.check.ts.
 */
export function passivityBound(spring: VirtualSpring, period: number): number {
  return (spring.stiffness * period) / 2 + Math.abs(spring.damping);
}

/** Tells whether wheel damping keeps a sampled spring passive. Source and Check: as `passivityBound`. */
export function isPassive(wheel: Wheel, spring: VirtualSpring, period: number): boolean {
  return wheel.damping > passivityBound(spring, period);
}

/**
 * Predicts the greatest stable stiffness by the linear rule K < (b + B)/(T/2 + t_d): an approximation
 * for small damping, good to 4 % on a hand wheel.
 *
 * @param virtualDamping - B, N·m·s/rad.
 * @returns N·m/rad; each pole of the loop counts as a delay of its time constant.
 *
 * Source: Gil, Sánchez, Hulin, Preusche, Hirzinger, stability of delayed haptic rendering (from memory).
 * Check: tests/checks/stability.check.ts.
 */
export function linearStiffness(wheel: Wheel, virtualDamping: number, loop: TorqueLoop): number {
  const lags = (loop.poles ?? []).reduce((sum, cutoff) => sum + 1 / (2 * Math.PI * cutoff), 0);
  return (wheel.damping + virtualDamping) / (loop.period / 2 + loop.delay + lags);
}

/** The edge of stability: what gets there and how fast it then swings. */
export interface StabilityEdge {
  /** N·m/rad */
  readonly stiffness: number;
  /** Hz */
  readonly frequency: number;
}

/**
 * Computes the greatest stable stiffness of a sampled spring and damper on a wheel, for a given
 * virtual damping, and the frequency at which the wheel swings there.
 *
 * On the edge J·s² + b·s + (K + B·s)·G(s) = 0 has a root s = jω; G is the hold, the delay and the
 * poles. Its imaginary part gives ω, its real part K. The images that the sampler makes are left
 * out: they weigh (ωT/2π)², 1 in 10⁴ for a wheel that swings at 10 Hz under 1000 torques a second.
 *
 * @param virtualDamping - B, N·m·s/rad, ≥ 0.
 * @returns undefined when the damper alone, without a spring, is unstable already, or when a value
 *   is out of its range.
 *
 * Source: textbook, harmonic balance on the stability boundary (from memory).
 * Check: tests/checks/stability.check.ts.
 */
export function criticalStiffness(
  wheel: Wheel,
  virtualDamping: number,
  loop: TorqueLoop,
): StabilityEdge | undefined {
  const { inertia: J, damping: b } = wheel;
  const B = virtualDamping;
  if (!(J > 0 && b >= 0 && B >= 0 && b + B > 0 && isLoop(loop))) return undefined;
  if (![J, b, B].every(Number.isFinite)) return undefined;
  // The hold turns by half a turn at 1/T, so both angles together reach it before that.
  const highest = (2 * Math.PI) / loop.period;
  const springless = rootOf((w) => lagAngle(loop, w) + Math.atan2(J * w, b) - Math.PI, highest);
  const dampingAt = (w: number): number => {
    const angle = lagAngle(loop, w);
    return (J * w * Math.sin(angle) - b * Math.cos(angle)) / gainAt(loop, w);
  };
  if (!(dampingAt(springless) > B)) return undefined;
  const w = rootOf((x) => dampingAt(x) - B, springless);
  const angle = lagAngle(loop, w);
  const stiffness = (w * (J * w * Math.cos(angle) + b * Math.sin(angle))) / gainAt(loop, w);
  return { stiffness, frequency: w / (2 * Math.PI) };
}

function isLoop({ period, delay, poles = [] }: TorqueLoop): boolean {
  const finite = [period, delay, ...poles].every(Number.isFinite);
  return finite && period > 0 && delay >= 0 && poles.every((cutoff) => cutoff > 0);
}

/** By how much the loop lags, rad, at w rad/s. */
function lagAngle({ period, delay, poles = [] }: TorqueLoop, w: number): number {
  const lags = poles.reduce((sum, cutoff) => sum + Math.atan(w / (2 * Math.PI * cutoff)), 0);
  return w * (delay + period / 2) + lags;
}

/** Gain of hold and poles at w rad/s, w > 0. */
function gainAt({ period, poles = [] }: TorqueLoop, w: number): number {
  const half = (w * period) / 2;
  const held = Math.sin(half) / half;
  return poles.reduce((gain, cutoff) => gain / Math.hypot(1, w / (2 * Math.PI * cutoff)), held);
}

/** Where a rising function passes 0 between 0 and `high`, to the last bit. */
function rootOf(f: (x: number) => number, high: number): number {
  let [low, up] = [0, high];
  for (let round = 0; round < 200; round++) {
    const middle = (low + up) / 2;
    if (middle <= low || middle >= up) break;
    if (f(middle) < 0) low = middle;
    else up = middle;
  }
  return (low + up) / 2;
}

/** How much delay a wheel on a spring bears. */
export interface DelayMargin {
  /** s */
  readonly delay: number;
  /** Frequency at which it then swings, Hz. */
  readonly frequency: number;
}

/**
 * Computes the delay at which J·θ'' + b·θ' + K·θ(t − Td) + B·θ'(t − Td) = 0 begins to grow.
 *
 * More virtual damping first raises and then lowers it: "more damping is safer" is false under delay.
 *
 * @param spring - K > 0; B ≥ 0.
 * @returns undefined when a value is out of its range.
 *
 * Source: linear analysis, J²ω⁴ + b²ω² = K² + B²ω² (own derivation).
 * Check: tests/checks/stability.check.ts.
 */
export function delayMargin(wheel: Wheel, spring: VirtualSpring): DelayMargin | undefined {
  const { inertia: J, damping: b } = wheel;
  const { stiffness: K, damping: B } = spring;
  if (!(J > 0 && b >= 0 && K > 0 && B >= 0) || ![J, b, K, B].every(Number.isFinite)) {
    return undefined;
  }
  const less = B * B - b * b;
  const w = Math.sqrt((less + Math.hypot(less, 2 * J * K)) / (2 * J * J));
  const delay = (Math.atan2(b, J * w) + Math.atan2(B * w, K)) / w;
  return { delay, frequency: w / (2 * Math.PI) };
}

/**
 * Finds the least damped root of the same equation: a released wheel swings like exp(growth · t), at
 * this frequency.
 *
 * @param delay - Td, s, ≥ 0; meant for delays from 0 to twice the margin.
 * @returns Growth in 1/s, negative when the wheel comes to rest, and frequency in Hz;
 *   undefined when a value is out of its range or the rounds do not settle.
 *
 * Source: Newton's method from the root on the edge of stability (textbook).
 * Check: tests/checks/stability.check.ts.
 */
export function growthOf(
  wheel: Wheel,
  spring: VirtualSpring,
  delay: number,
): { readonly growth: number; readonly frequency: number } | undefined {
  const edge = delayMargin(wheel, spring);
  if (edge === undefined || !(delay >= 0 && Number.isFinite(delay))) return undefined;
  // The root is led along from the edge: a jump to a far delay could settle on another one.
  let [x, y] = [0, 2 * Math.PI * edge.frequency];
  const legs = 64;
  for (let leg = 1; leg <= legs; leg++) {
    const here = edge.delay + ((delay - edge.delay) * leg) / legs;
    const root = newton({ wheel, spring, delay: here }, x, y);
    if (root === undefined) return undefined;
    [x, y] = root;
  }
  return { growth: x, frequency: Math.abs(y) / (2 * Math.PI) };
}

interface DelayedWheel {
  readonly wheel: Wheel;
  readonly spring: VirtualSpring;
  readonly delay: number;
}

/** Newton's method on J·s² + b·s + (K + B·s)·exp(−s·Td) from s = x + jy. */
function newton(
  { wheel, spring, delay }: DelayedWheel,
  x: number,
  y: number,
): readonly [number, number] | undefined {
  const { inertia: J, damping: b } = wheel;
  const { stiffness: K, damping: B } = spring;
  for (let round = 0; round < 50; round++) {
    const size = Math.exp(-x * delay);
    const [cr, ci] = [size * Math.cos(y * delay), -size * Math.sin(y * delay)];
    const [kr, ki] = [K + B * x, B * y];
    const fr = J * (x * x - y * y) + b * x + kr * cr - ki * ci;
    const fi = 2 * J * x * y + b * y + kr * ci + ki * cr;
    const [pr, pi] = [B - delay * kr, -delay * ki];
    const dr = 2 * J * x + b + pr * cr - pi * ci;
    const di = 2 * J * y + pr * ci + pi * cr;
    const square = dr * dr + di * di;
    const [sr, si] = [(fr * dr + fi * di) / square, (fi * dr - fr * di) / square];
    if (!Number.isFinite(sr + si)) return undefined;
    [x, y] = [x - sr, y - si];
    if (Math.hypot(sr, si) <= 1e-13 * Math.hypot(x, y)) return [x, y];
  }
  return undefined;
}

/** Work of one press and release, J. */
export interface SpringWork {
  readonly taken: number;
  readonly given: number;
  /** Given less taken: what the sampling adds to the swing. */
  readonly generated: number;
}

/**
 * Computes the work of a sampled spring pressed and released at constant speed, the torque held at
 * the value of the angle at the start of each period: K·v·T·x more comes out than went in.
 *
 * @param stiffness - N·m/rad. @param period - s. @param motion - Speed in rad/s, > 0; travel in rad, whole periods long.
 *
 * Source: textbook energy-leak argument. Check: tests/checks/stability.check.ts.
 */
export function springWork(
  stiffness: number,
  period: number,
  motion: { readonly speed: number; readonly travel: number },
): SpringWork {
  const stored = (stiffness * motion.travel ** 2) / 2;
  const leak = (stiffness * motion.speed * period * motion.travel) / 2;
  return { taken: stored - leak, given: stored + leak, generated: 2 * leak };
}

/**
 * Computes by what angle a delay, a hold and a first-order lag in series put a sine behind, °.
 *
 * @param frequency - Hz. @param chain - Delay, period of the hold and time constant, s.
 *
 * Source: 360·f·T, half a period, atan(2πfτ): textbook identities. Check: tests/checks/stability.check.ts.
 */
export function phaseLag(
  frequency: number,
  chain: { readonly delay: number; readonly hold: number; readonly lag: number },
): { readonly delay: number; readonly hold: number; readonly lag: number; readonly sum: number } {
  const delay = 360 * frequency * chain.delay;
  const hold = 180 * frequency * chain.hold;
  const lag = (180 / Math.PI) * Math.atan(2 * Math.PI * frequency * chain.lag);
  return { delay, hold, lag, sum: delay + hold + lag };
}
