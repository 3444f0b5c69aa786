import { ampere, hertz, newtonMetre, second } from '../../src/base/units.js';
import type { SimulatedStation } from '../../src/bench/spread.js';

/** The stand TW-1 as far as the simulated bench knows it. */
export const STATION: SimulatedStation = {
  id: 'TW-1',
  torqueRange: newtonMetre(20),
  currentRange: ampere(30),
  sampleRate: hertz(20_000),
  shunt: newtonMetre(5),
  stand: {
    version: 1,
    characterized: '2026-10-05T08:30:00Z',
    resonance: hertz(361),
    damping: 0.03,
    torqueDelay: second(0.34e-3),
    currentDelay: second(0),
  },
};
