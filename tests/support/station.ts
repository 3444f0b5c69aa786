import { ampere, hertz, newtonMetre } from '../../src/base/units.js';
import type { SimulatedStation } from '../../src/bench/spread.js';
import { standModel } from './stand.js';

/** The stand TW-1 as far as the simulated bench knows it. */
export const STATION: SimulatedStation = {
  id: 'TW-1',
  torqueRange: newtonMetre(20),
  currentRange: ampere(30),
  sampleRate: hertz(20_000),
  shunt: newtonMetre(5),
  adapters: [
    { id: 'AD-12', kind: 'h12-shaft', serial: 'HA-1204' },
    { id: 'AD-14', kind: 'h12-shaft', serial: 'HA-1209' },
  ],
  stand: standModel(),
};
