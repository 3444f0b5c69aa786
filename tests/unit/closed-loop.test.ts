import { describe, expect, test } from 'vitest';
import { inertia, newtonMetre, second, torquePerRadian, viscous } from '../../src/base/units.js';
import type { Take } from '../../src/capture/capture.js';
import { KICK, rungsOf } from '../../src/pattern/virtual-spring.js';
import type { VirtualSpringPattern } from '../../src/procedure/procedure.js';
import { CLOSED_LOOP, endOfLoop } from '../../src/scoring/closed-loop.js';
import type { Outcome } from '../../src/scoring/scoring.js';
import { criticalStiffness } from '../../src/scoring/stability.js';
import { fitSwing } from '../../src/scoring/swing.js';
import { lcgNormal } from '../support/lcg.js';
import { context, KT, RATE, reasonOf, scoreIn, takeOf, valueOf } from '../support/made-capture.js';

const UPDATE = 20; // samples: 1 ms

/** The wheel of the H12 and a ladder around its margin. */
const ladder = (over: Partial<VirtualSpringPattern> = {}): VirtualSpringPattern => ({
  kind: 'virtual-spring',
  stiffness: { from: torquePerRadian(40), to: torquePerRadian(160), factor: 1.2 },
  damping: viscous(0.3),
  wheel: { inertia: inertia(0.03), drag: viscous(0.03) },
  kick: newtonMetre(0.5),
  dwell: second(0.8),
  limit: newtonMetre(8),
  ...over,
});

interface Loop {
  /** s from a command to its torque. */
  readonly delay: number;
  /** N·m of friction that holds the shaft torque back, with the torque over which it turns round. */
  readonly friction?: number;
  readonly reach?: number;
  /** N·m of noise on the torque. */
  readonly noise?: number;
}

/**
 * J·θ″ + b·θ′ = torque + kick, commanded −K·θ − B·θ′ once a millisecond, the torque late by a pure
 * delay: integrated in steps of a sample, apart from the simulated bench.
 */
function swingOn(pattern: VirtualSpringPattern, loop: Loop): Take {
  const rungs = rungsOf(pattern);
  const samples = Math.round((rungs.at(-1)?.to ?? 0) * RATE);
  const [command, current, torque] = [0, 1, 2].map(() => new Float32Array(samples)) as [
    Float32Array,
    Float32Array,
    Float32Array,
  ];
  const sent = new Float64Array(samples);
  const { friction = 0, reach = 0.1, noise = 0 } = loop;
  const late = Math.round(loop.delay * RATE);
  const normal = lcgNormal(3);
  const { inertia: mass, drag } = pattern.wheel;
  let [angle, speed, held, slip, ended, before] = [0, 0, 0, 0, false, 0];
  for (let n = 0; n < samples; n++) {
    const time = n / RATE;
    const rung = rungs[Math.min(rungs.length - 1, Math.floor(time / pattern.dwell + 1e-9))];
    const stiffness = rung?.stiffness ?? 0;
    if (n % UPDATE === 0) {
      held = -stiffness * angle - pattern.damping * speed;
      ended ||= Math.abs(held) > pattern.limit;
      if (ended) held = 0;
    }
    sent[n] = held;
    const motor = n >= late ? (sent[n - late] as number) : 0;
    slip = Math.max(-1, Math.min(1, slip + (2 * (motor - before)) / reach));
    before = motor;
    const shaft = motor - friction * slip + noise * normal();
    const kick = time - (rung?.from ?? 0) < KICK ? pattern.kick : 0;
    const pushed = speed + (shaft + kick - drag * speed) / mass / RATE;
    angle += (speed + pushed) / 2 / RATE; // exact for a torque that stands over the sample
    speed = pushed;
    [command[n], current[n], torque[n]] = [held, motor / KT, shaft];
  }
  const made = takeOf({ pattern });
  return { ...made, expected: samples, channels: { ...made.channels, command, current, torque } };
}

const still = { ...context, stand: { ...context.stand, torqueDelay: second(0) } };

function score(
  id: string,
  pattern: VirtualSpringPattern,
  takes: readonly Take[],
  options: Readonly<Record<string, number>> = {},
): Outcome {
  return scoreIn(CLOSED_LOOP, id, { pattern, takes, options, given: still });
}

const edgeOf = (delay: number): number => {
  const loop = { period: UPDATE / RATE, delay };
  const found = criticalStiffness({ inertia: 0.03, damping: 0.03 }, 0.3, loop);
  if (found === undefined) throw new Error('no edge of stability');
  return found.stiffness;
};

describe('a swing that dies away or grows', () => {
  for (const [growth, frequency] of [
    [-8, 6],
    [-0.3, 8],
    [0, 5],
    [1.7, 9],
  ] as const) {
    test(`growth ${growth}/s at ${frequency} Hz is found to 0.1 %, about a level`, () => {
      const y = Float64Array.from({ length: 800 }, (_, n) => {
        const t = n / 1000;
        return 0.2 + 0.5 * Math.exp(growth * t) * Math.cos(2 * Math.PI * frequency * t - 0.8);
      });
      const fit = fitSwing(y, 1000, { frequency: 0.95 * frequency, growth: -2 });
      expect(Math.abs((fit?.growth ?? NaN) - growth)).toBeLessThan(
        0.001 * Math.max(1, Math.abs(growth)),
      );
      expect(Math.abs((fit?.frequency ?? NaN) / frequency - 1)).toBeLessThan(0.001);
      const damping = -growth / Math.hypot(growth, 2 * Math.PI * frequency);
      expect(Math.abs((fit?.damping ?? NaN) - damping)).toBeLessThan(1e-4);
    });
  }
});

describe('stability margin', () => {
  for (const delay of [0.002, 0.003, 0.004]) {
    test(`a delay of ${delay * 1000} ms gives the margin of linear theory within 2 %`, () => {
      const found = score('stability-margin', ladder(), [swingOn(ladder(), { delay })]);
      expect(found).not.toHaveProperty('bound');
      expect(Math.abs(valueOf(found) / edgeOf(delay) - 1)).toBeLessThan(0.02);
    });
  }

  test('noise of 2 mN·m moves it by less than 2 %', () => {
    const take = swingOn(ladder(), { delay: 0.003, noise: 0.002 });
    const found = valueOf(score('stability-margin', ladder(), [take]));
    expect(Math.abs(found / edgeOf(0.003) - 1)).toBeLessThan(0.02);
  });

  // Friction of 30 mN·m turns a swing of 0.5 N·m by 4·0.03/(0.5π) rad: 1.5 ms at 8 Hz, a third of the margin.
  test('bearing friction of 30 mN·m moves it by less than 3 %', () => {
    const take = swingOn(ladder(), { delay: 0.003, friction: 0.03 });
    const found = valueOf(score('stability-margin', ladder(), [take]));
    expect(Math.abs(found / edgeOf(0.003) - 1)).toBeLessThan(0.03);
  });

  test('a stated damping ratio of 5 % is reached at a softer spring', () => {
    const take = swingOn(ladder(), { delay: 0.003 });
    const at = (damping: number): number =>
      valueOf(score('stability-margin', ladder(), [take], { damping }));
    // (b + B − K·t)/(2√(J·K)) = 0.05 with t = 3.5 ms has its root at K = 57.0.
    expect(Math.abs(at(0.05) / 57 - 1)).toBeLessThan(0.05);
  });

  test('the plot shows the rungs, the margin, the linear rule beside it and that no stiffness is passive', () => {
    const found = score('stability-margin', ladder(), [swingOn(ladder(), { delay: 0.003 })]);
    if (found.kind !== 'measured' || found.evidence?.kind !== 'ladder') throw new Error('no plot');
    const { points, margin, rule, passive } = found.evidence;
    expect(points.length).toBeGreaterThanOrEqual(5);
    expect(points.map(({ damping }) => damping)).toEqual(
      points.map(({ damping }) => damping).sort((a, b) => b - a),
    );
    expect(margin).toBe(found.value);
    expect(Math.abs(rule / (0.33 / 0.0035) - 1)).toBeLessThan(0.03);
    expect(passive).toBe(0); // b = 0.03 is less than B = 0.3
  });

  test('a ladder that ends before anything grows gives its last rung as a lower bound', () => {
    const short = ladder({
      stiffness: { from: torquePerRadian(20), to: torquePerRadian(60), factor: 1.2 },
    });
    const found = score('stability-margin', short, [swingOn(short, { delay: 0.002 })]);
    expect(found).toMatchObject({ kind: 'measured', bound: 'at-least' });
    expect(valueOf(found)).toBeCloseTo(rungsOf(short).at(-1)?.stiffness ?? 0, 6);
  });

  test('rungs after the loop was ended at its limit are not used', () => {
    const low = ladder({ limit: newtonMetre(3) });
    const take = swingOn(low, { delay: 0.004 });
    const command = take.channels.command ?? new Float32Array();
    expect(endOfLoop(command, RATE, 3)).toBeLessThan(0.8 * command.length);
    const found = score('stability-margin', low, [take]);
    expect(found).not.toHaveProperty('bound');
    expect(Math.abs(valueOf(found) / edgeOf(0.004) - 1)).toBeLessThan(0.02);
  });

  test('a rung that reached its limit too soon to be read leaves the one before as a lower bound', () => {
    const low = ladder({ limit: newtonMetre(1.5) });
    const found = score('stability-margin', low, [swingOn(low, { delay: 0.004 })]);
    expect(found).toMatchObject({ bound: 'at-least' });
    expect(valueOf(found)).toBeLessThan(edgeOf(0.004));
  });

  test('two takes give mean and spread', () => {
    const takes = [0.003, 0.0032].map((delay) => swingOn(ladder(), { delay }));
    const found = score('stability-margin', ladder(), takes);
    expect(found).toMatchObject({ repeats: 2 });
    expect(found.kind === 'measured' && found.spread).toBeGreaterThan(1);
  });
});

describe('refusals of the margin', () => {
  test('a ladder that begins beyond the margin', () => {
    const late = ladder({
      stiffness: { from: torquePerRadian(110), to: torquePerRadian(130), factor: 1.1 },
    });
    const take = swingOn(late, { delay: 0.004 });
    expect(reasonOf(score('stability-margin', late, [take]))).toContain('begin the ladder softer');
  });
  test('a kick beyond the limit', () => {
    const hard = ladder({ kick: newtonMetre(9), limit: newtonMetre(0.5) });
    const take = swingOn(hard, { delay: 0.003 });
    expect(reasonOf(score('stability-margin', hard, [take]))).toContain('on the first rung');
  });
  test('rungs shorter than a cycle and a half', () => {
    const quick = ladder({ dwell: second(0.2) });
    const take = swingOn(quick, { delay: 0.003 });
    expect(reasonOf(score('stability-margin', quick, [take]))).toContain('A rung lasts 0.2 s');
  });
  test('a wheel that nothing moves', () => {
    const take = swingOn(ladder({ kick: newtonMetre(0) }), { delay: 0.003 });
    expect(reasonOf(score('stability-margin', ladder(), [take]))).toContain(
      'no swing can be fitted',
    );
  });
});

describe('limit cycle', () => {
  const nominal = (over: Partial<VirtualSpringPattern> = {}): VirtualSpringPattern =>
    ladder({
      stiffness: { from: torquePerRadian(60), to: torquePerRadian(60), factor: 1.2 },
      dwell: second(5),
      ...over,
    });

  test('a swing of its own of 0.2 N·m amplitude at 7 Hz reads 0.4 N·m, marked at 7 Hz', () => {
    const pattern = nominal();
    const quiet = swingOn(pattern, { delay: 0.002, noise: 0.002 });
    const torque = (quiet.channels.torque ?? new Float32Array()).map(
      (v, n) => v + 0.2 * Math.sin((2 * Math.PI * 7 * n) / RATE),
    );
    const take = { ...quiet, channels: { ...quiet.channels, torque } };
    const found = score('limit-cycle', pattern, [take]);
    expect(Math.abs(valueOf(found) / 0.4 - 1)).toBeLessThan(0.01);
    if (found.kind !== 'measured' || found.evidence?.kind !== 'spectrum')
      throw new Error('no plot');
    expect(found.evidence.marks?.[0]?.frequency).toBeCloseTo(7, 0);
  });

  test('a stable loop reads next to nothing and marks nothing', () => {
    const take = swingOn(nominal(), { delay: 0.002, noise: 0.002 });
    const found = score('limit-cycle', nominal(), [take], { settling: 2 });
    expect(valueOf(found)).toBeLessThan(0.005);
    expect(found.kind === 'measured' && found.evidence).not.toHaveProperty('marks');
  });

  test('a loop that grows to its limit reads twice the limit as a lower bound', () => {
    const take = swingOn(nominal(), { delay: 0.009 });
    const found = score('limit-cycle', nominal(), [take]);
    expect(found).toMatchObject({ value: 16, bound: 'at-least' });
  });

  test('a swing that still dies away, and a rung of few cycles, are refused', () => {
    const slow = swingOn(nominal(), { delay: 0.0046 });
    expect(reasonOf(score('limit-cycle', nominal(), [slow], { settling: 0.3 }))).toContain(
      'still dies away',
    );
    const short = nominal({ dwell: second(2) });
    const take = swingOn(short, { delay: 0.002 });
    expect(reasonOf(score('limit-cycle', short, [take]))).toContain('20 are needed');
  });
});
