import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { Heat } from '../../src/bench/heat.js';
import { type HeldSystem, heldSystem } from '../../src/bench/held.js';
import {
  copperLoss,
  copperResistance,
  CurrentLoop,
  MAGNET,
  magnetRatio,
  MAGNET_REFERENCE,
  responseOf,
  voltageCeiling,
  Winding,
} from '../../src/bench/motor.js';
import { Stand } from '../../src/bench/stand.js';

interface Row {
  readonly id: string;
  readonly inputs: Readonly<Record<string, number | readonly number[]>>;
  readonly expected: Readonly<Record<string, number | readonly number[] | readonly number[][]>>;
}

const rows = JSON.parse(
  readFileSync(new URL('physics.json', import.meta.url), 'utf8'),
) as readonly Row[];

function row(id: string): Row {
  const found = rows.find((r) => r.id === id);
  if (found === undefined) throw new Error(`no row ${id}`);
  return found;
}

const input = (r: Row, name: string): number => Number(r.inputs[name]);
const inputs = (r: Row, name: string): readonly number[] => r.inputs[name] as readonly number[];
const wanted = (r: Row, name: string): number => Number(r.expected[name]);
const wantedList = (r: Row, name: string): readonly number[] =>
  r.expected[name] as readonly number[];

function near(found: number, expected: number, tolerance: number): void {
  expect(Math.abs(found - expected)).toBeLessThanOrEqual(tolerance);
}

const relative = (found: number, expected: number, tolerance: number): void => {
  near(found, expected, tolerance * Math.abs(expected));
};

test('N-1 copper resistance follows temperature', () => {
  const r = row('N-1');
  const [r1, t1] = [input(r, 'R1_ohm'), input(r, 'T1_C')];
  inputs(r, 'T2_C').forEach((t2, i) => {
    near(copperResistance(r1, t1, t2), wantedList(r, 'R2_ohm')[i] ?? NaN, 1e-9);
  });
  // A temperature from a resistance, read back: the plant has only the forward function.
  wantedList(r, 'T2_from_R_C').forEach((t2, i) => {
    near(copperResistance(r1, t1, t2), inputs(r, 'R2_measured_ohm')[i] ?? NaN, 1e-9);
  });
  near(copperResistance(1, 20, 21) - 1, wanted(r, 'alpha20_per_K'), 1e-9);
});

test('N-3 stall current and the copper loss of its torque', () => {
  // The shaft is locked, so the plant has no motion: its back-EMF is taken off the voltage here.
  const r = row('N-3');
  const winding = new Winding(1e-3, 1);
  winding.warm(input(r, 'R_ohm'));
  winding.advance(input(r, 'V')); // one second is 420 time constants
  relative(winding.current, wanted(r, 'I_stall_A'), 1e-9);
  relative(winding.current * wanted(r, 'Kt_Nm_per_A'), wanted(r, 'T_stall_Nm'), 1e-9);
  // 1.5·R·i² for three windings; the row states R·i² of a two-wire motor.
  relative(
    copperLoss(input(r, 'R_ohm'), wanted(r, 'I_at_w_A')) / 1.5,
    wanted(r, 'P_copper_W'),
    1e-9,
  );
  const [ke, speed] = [input(r, 'Ke_V_s_per_rad'), input(r, 'w_rad_s')];
  winding.advance(input(r, 'V') - ke * speed);
  const torque = winding.current * wanted(r, 'Kt_Nm_per_A');
  relative(winding.current, wanted(r, 'I_at_w_A'), 1e-9);
  relative(torque, wanted(r, 'T_at_w_Nm'), 1e-9);
  relative(torque * speed, wanted(r, 'P_mech_W'), 1e-9);
  relative(winding.current * input(r, 'V'), wanted(r, 'P_el_W'), 1e-9);
  relative(wanted(r, 'P_el_W') - wanted(r, 'P_mech_W'), wanted(r, 'P_copper_W'), 1e-9);
  winding.advance(input(r, 'V') - ke * wanted(r, 'w_noload_rad_s'));
  near(winding.current, 0, 1e-9);
  const turns = 60 / (2 * Math.PI); // rad/s to rpm
  relative(wanted(r, 'w_noload_rad_s') * turns, wanted(r, 'rpm_noload'), 1e-9);
  relative((ke * 1000) / turns, wanted(r, 'Ke_V_per_krpm'), 1e-9);
});

test('N-5 remanence falls with temperature', () => {
  const r = row('N-5');
  const ratios = r.expected['Br_ratio'] as readonly number[][];
  inputs(r, 'alpha_pct_per_K').forEach((alpha, i) => {
    inputs(r, 'T_C').forEach((t, j) => {
      near(magnetRatio(alpha / 100, input(r, 'T_ref_C'), t), ratios[i]?.[j] ?? NaN, 1e-12);
    });
  });
  const error = 100 * (magnetRatio(-0.0011, input(r, 'T_ref_C'), 80) - 1);
  near(error, wanted(r, 'torque_error_pct_if_uncorrected_at_80_alpha_-0.11'), 1e-12);
});

test('N-7 a warm motor: resistance, torque constant, torque and loss', () => {
  const r = row('N-7');
  const t = input(r, 'T_C');
  const resistance = copperResistance(input(r, 'R20'), 20, t);
  const constant = input(r, 'Kt20') * magnetRatio(input(r, 'alpha_Br_pct') / 100, 20, t);
  const current = input(r, 'I_A');
  relative(resistance, wanted(r, 'R'), 1e-9);
  relative(constant, wanted(r, 'Kt'), 1e-9);
  relative(constant * current, wanted(r, 'torque_Nm'), 1e-9);
  relative(100 * (constant / input(r, 'Kt20') - 1), wanted(r, 'torque_drop_pct'), 1e-9);
  relative(copperLoss(resistance, current) / 1.5, wanted(r, 'copper_loss_W'), 1e-9);
  relative(resistance / input(r, 'R20'), wanted(r, 'loss_ratio'), 1e-9);
});

/** The plant's winding with a voltage held, from rest. */
function risen(resistance: number, inductance: number, voltage: number, at: number): number {
  const steps = 100;
  const winding = new Winding(inductance, at / steps);
  winding.warm(resistance);
  for (let i = 0; i < steps; i++) winding.advance(voltage);
  return winding.current;
}

test('A-7 current rise of a winding', () => {
  const r = row('A-7');
  const rise = (t: number): number => risen(input(r, 'R_ohm'), input(r, 'L_H'), input(r, 'V'), t);
  near(rise(1e-3), wanted(r, 'i_at_1ms_A'), 1e-9);
  near(rise(wanted(r, 't_to_10A_s')), 10, 1e-9 * (input(r, 'V') / input(r, 'L_H')));
  near(rise(100 * wanted(r, 'tau_s')), wanted(r, 'I_final_A'), 1e-9);
  const tau = input(r, 'L_H') / input(r, 'R_ohm');
  near(Math.log(9) * tau, wanted(r, 't10_90_s'), 1e-9);
  const [t10, t90] = [-Math.log(0.9) * tau, -Math.log(0.1) * tau];
  near(rise(t90) - rise(t10), 0.8 * wanted(r, 'I_final_A'), 1e-9);
});

test('N-8 current step under a voltage limit', () => {
  const r = row('N-8');
  const rise = (t: number): number => risen(input(r, 'R'), input(r, 'L_H'), input(r, 'V'), t);
  relative(rise(wanted(r, 't_rise_s')), input(r, 'target_A'), 1e-9);
  // 1 ps is so short against τ = 2 ms that the chord is the slope at the start.
  relative(rise(1e-12) / 1e-12, wanted(r, 'initial_slope_A_per_s'), 1e-9);
  relative(
    rise(wanted(r, 't_rise_s')) / wanted(r, 't_rise_s'),
    wanted(r, 'mean_slope_A_per_s'),
    1e-9,
  );
  // Voltage switched on and off until the ripple repeats.
  const half = input(r, 'duty') / input(r, 'pwm_Hz');
  const winding = new Winding(input(r, 'L_H'), half);
  winding.warm(input(r, 'R'));
  let [peak, valley] = [NaN, NaN];
  for (let period = 0; period < 2000; period++) {
    winding.advance(input(r, 'V'));
    peak = winding.current;
    winding.advance(0);
    valley = winding.current;
  }
  // The row neglects the resistance: x²/48 with x = period over time constant, 1.3e-5.
  relative(peak - valley, wanted(r, 'ripple_pp_A_approx'), 2e-5);
});

test('a step to 11 A under the voltage limit stays within 3.7 mA of the exponential', () => {
  const r = row('rl-step');
  const [resistance, inductance] = [input(r, 'R_ohm'), input(r, 'L_H')];
  const [period, steps] = [50e-6, 5];
  const ceiling = voltageCeiling(input(r, 'bus_V'));
  const winding = new Winding(inductance, period / steps);
  winding.warm(resistance);
  const loop = new CurrentLoop({ kind: 'cancelling', frequency: 800 }, period);
  loop.tune(responseOf(resistance, inductance, period));
  let compared = 0;
  let most = 0;
  for (let tick = 0; tick < 40; tick++) {
    const voltage = loop.tick(input(r, 'target_A') * 10, winding.current, ceiling);
    for (let i = 1; i <= steps; i++) {
      winding.advance(voltage);
      const t = (tick - 1) * period + (i * period) / steps; // the first voltage comes one period late
      if (t <= 0 || winding.current > input(r, 'target_A')) continue;
      const exact = (ceiling / resistance) * (1 - Math.exp((-t * resistance) / inductance));
      most = Math.max(most, Math.abs(winding.current - exact));
      compared += 1;
    }
  }
  expect(compared).toBeGreaterThan(30); // 0.37 ms to 11 A
  near(most, wanted(r, 'largest_error_A'), 3.7e-3);
});

test('N-9 first-order heating: the winding over a body that stays at the surroundings', () => {
  const r = row('N-9');
  const [rth, tau] = [input(r, 'Rth_K_per_W'), input(r, 'tau_s')];
  const path = {
    windingResistance: rth,
    windingCapacity: tau / rth,
    bodyResistance: 1e-12,
    bodyCapacity: 1e6,
  };
  const after = (seconds: number, power: number): number => {
    const heat = new Heat(path, input(r, 'T_amb_C'), seconds / 100);
    for (let i = 0; i < 100; i++) heat.advance(power);
    return heat.winding;
  };
  relative(after(600, input(r, 'P_W')), wanted(r, 'T_at_600s_C'), 1e-9);
  relative(after(wanted(r, 't_to_limit_s'), input(r, 'P_W')), input(r, 'limit_C'), 1e-9);
  relative(after(100 * tau, input(r, 'P_W')), wanted(r, 'T_end_C'), 1e-9);
  relative(after(100 * tau, wanted(r, 'continuous_P_W')), input(r, 'limit_C'), 1e-9);
  const mean = (10 * copperLoss(1, 40)) / (10 + 30); // 40 A for 10 s, then none for 30 s
  relative(copperLoss(1, wanted(r, 'equivalent_rms_of_40A_10s_and_0A_30s')), mean, 1e-9);
});

test('the H12 heats as its two masses say, and its magnets weaken', () => {
  const r = row('heating-H12');
  const path = {
    windingResistance: 0.55,
    windingCapacity: 90,
    bodyResistance: 0.75,
    bodyCapacity: 1800,
  };
  inputs(r, 'currents_A').forEach((current, i) => {
    const step = 0.01;
    const heat = new Heat(path, input(r, 'ambient_C'), step);
    for (let t = 0; t < (inputs(r, 'seconds')[i] ?? NaN); t += step) {
      heat.advance(copperLoss(copperResistance(0.35, 20, heat.winding), current));
    }
    near(heat.winding, wantedList(r, 'winding_C')[i] ?? NaN, [0.1, 0.1, 1.5][i] ?? NaN);
  });
  const loss = 100 * (magnetRatio(MAGNET, MAGNET_REFERENCE, 76) - 1);
  near(loss, wanted(r, 'constant_loss_pct'), 0.1);
});

/** A second-order system with unit static gain, as the stand and the amplifier make it. */
function secondOrder(damping: number, natural: number, step: number): HeldSystem {
  const a = [0, 1, -natural * natural, -2 * damping * natural] as const;
  return heldSystem({ a, b: [0, natural * natural] }, step);
}

/** Position after a unit step held for `t`: exact in one step, whatever its length. */
function stepped(damping: number, natural: number, t: number): number {
  return secondOrder(damping, natural, t).g1;
}

/** Speed after a unit step held for `t`. */
function speedOf(damping: number, natural: number, t: number): number {
  return secondOrder(damping, natural, t).g2;
}

test('A-3 overshoot of a second-order step', () => {
  const r = row('A-3');
  inputs(r, 'zeta').forEach((zeta, i) => {
    const peak = Math.PI / Math.sqrt(1 - zeta * zeta);
    near(100 * (stepped(zeta, 1, peak) - 1), wantedList(r, 'overshoot_pct')[i] ?? NaN, 1e-6);
  });
});

test('A-4 crossings, peak and settling of a second-order step', () => {
  const r = row('A-4');
  const natural = input(r, 'wn_rad_s');
  const levels = [
    ['t10_s', 0.1],
    ['t50_s', 0.5],
    ['t90_s', 0.9],
  ] as const;
  inputs(r, 'zeta').forEach((zeta, i) => {
    const time = (name: string): number => wantedList(r, name)[i] ?? NaN;
    // A step rises by less than natural in a second, so 1 ns of time is less than 1e-9·natural of it.
    for (const [name, level] of levels)
      near(stepped(zeta, natural, time(name)), level, 1e-9 * natural);
    near(speedOf(zeta, natural, time('tp_s')) / natural, 0, 1e-9 * natural);
    for (const [name, band] of [
      ['ts2_s', 0.02],
      ['ts5_s', 0.05],
    ] as const) {
      near(Math.abs(stepped(zeta, natural, time(name)) - 1), band, 1e-9 * natural);
    }
  });
});

/** Steady gain and angle of a held system for a sine, by its z-transform with the hold taken out. */
function responseAt(
  system: HeldSystem,
  step: number,
  angular: number,
): { gain: number; angle: number } {
  // Position over input: c·(z − F)⁻¹·g with z on the unit circle.
  const { f11, f12, f21, f22, g1, g2 } = system;
  const [zr, zi] = [Math.cos(angular * step), Math.sin(angular * step)];
  const nr = g1 * (zr - f22) + f12 * g2;
  const ni = g1 * zi;
  // (z − f11)(z − f22) − f12·f21
  const dr = zr * zr - zi * zi - (f11 + f22) * zr + f11 * f22 - f12 * f21;
  const di = 2 * zr * zi - (f11 + f22) * zi;
  const half = (angular * step) / 2;
  const gain = Math.hypot(nr, ni) / Math.hypot(dr, di) / (Math.sin(half) / half);
  const angle = Math.atan2(ni * dr - nr * di, nr * dr + ni * di) + half;
  return { gain, angle };
}

test('B-2 bandwidth, resonant peak and angle of a second-order system', () => {
  const r = row('B-2');
  const step = 2e-3; // of 1/ωn: short for what the hold folds back, long for rounding
  inputs(r, 'zeta').forEach((zeta, i) => {
    const system = secondOrder(zeta, 1, step);
    const at = (name: string): number => wantedList(r, name)[i] ?? NaN;
    near(responseAt(system, step, at('bw_over_wn')).gain, Math.SQRT1_2, 1e-9);
    if (at('wr_over_wn') > 0) near(responseAt(system, step, at('wr_over_wn')).gain, at('Mr'), 1e-9);
    near((responseAt(system, step, 1).angle * 180) / Math.PI, at('phase_at_wn_deg'), 1e-9);
  });
});

test('the transducer on its spring reads +1.0, +4.2, +9.9 and +33 % at 0.1, 0.2, 0.3 and 0.5 fn', () => {
  const r = row('stand-amplitude');
  const step = 1e-5;
  const fn = 361;
  inputs(r, 'share_of_fn').forEach((share, i) => {
    const stiffness = 6700;
    const inertia = stiffness / (2 * Math.PI * fn) ** 2;
    const stand = new Stand(
      { inertia, stiffness, damping: input(r, 'zeta'), friction: 0, play: 0 },
      step,
    );
    const angular = 2 * Math.PI * share * fn;
    const [settle, window] = [100_000, Math.round((100 * 2 * Math.PI) / angular / step)];
    let re = 0;
    let im = 0;
    for (let n = 0; n < settle + window; n++) {
      const turn = angular * (n + 0.5) * step;
      const torque = stand.advance(Math.sin(turn));
      if (n < settle) continue;
      re += (2 / window) * torque * Math.sin(turn);
      im += (2 / window) * torque * Math.cos(turn);
    }
    const error = 100 * (Math.hypot(re, im) - 1);
    near(error, wantedList(r, 'error_pct')[i] ?? NaN, [0.05, 0.05, 0.05, 0.5][i] ?? NaN);
  });
});
