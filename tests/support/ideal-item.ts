import { ampere, newtonMetre } from '../../src/base/units.js';
import { drawItem, drawStand, type Parameters, UNDISTURBED } from '../../src/bench/spread.js';
import { STATION } from './station.js';

/** An H12 without spread or noise, on a stand of 361 Hz: what the design figures of the maker reckon with. */
export function ideal(
  change: Partial<Parameters['item']> = {},
  stand: Partial<Parameters['stand']> = {},
): Parameters {
  const station = { ...STATION, torqueRange: newtonMetre(40), currentRange: ampere(40) };
  return {
    item: {
      ...drawItem('ideal', 361),
      torqueConstant: 0.6,
      assumedConstant: 0.6,
      split: 0,
      droop: 0,
      resistance: 0.35,
      loop: { kind: 'cancelling', frequency: 800 },
      currentNoise: 0,
      offset: 0,
      ripple: [0, 0],
      deadTime: 0.6e-3,
      friction: 0,
      cogging: 0,
      commutation: 0,
      inertia: 6700 / (2 * Math.PI * 361) ** 2,
      clockSkew: 0,
      ...change,
    },
    stand: {
      ...drawStand(station, 'ideal', 1),
      torqueGain: 0,
      currentGain: 0,
      zero: 0,
      drift: 0,
      preload: 0,
      angle: 0,
      torqueNoise: 0,
      hum: 0,
      currentNoise: 0,
      supplyNoise: 0,
      windingNoise: 0,
      supplyVoltage: 48,
      ambient: 23,
      converterDelay: 0,
      ...stand,
    },
    ...UNDISTURBED,
  };
}
