import { simulatedBench } from '../../src/bench/simulated.js';
import { STATION } from '../support/station.js';
import { benchContract } from './bench-contract.js';

benchContract('simulated bench', () => {
  let offset = 0; // ms by which the test moved the clock on
  const bench = simulatedBench({
    station: STATION,
    serial: 'H12-26-04711',
    attempt: 1,
    faults: [],
    clock: {
      now: () => Date.parse('2026-11-25T14:00:00Z') + offset,
      monotonic: () => offset,
      wait: (ms) => {
        offset += ms;
        return Promise.resolve();
      },
    },
    pace: 'fast',
  });
  return {
    bench,
    serial: 'H12-26-04711',
    now: () => Date.parse('2026-11-25T14:00:00Z') + offset,
    later: (ms) => {
      offset += ms;
    },
    openGuard: () => {
      bench.control.interlocks({ guard: 'open' });
    },
    closeGuard: () => {
      bench.control.interlocks({ guard: 'closed' });
    },
    hangLink: () => {
      bench.control.link('hanging');
    },
    mendLink: () => {
      bench.control.link('up');
    },
  };
});
