import type { Bench } from '../../src/bench/bench.js';

/** A bench that answers otherwise where `over` says so. */
export const answering = (inner: Bench, over: Partial<Bench>): Bench => ({
  id: inner.id,
  simulated: inner.simulated,
  ratings: inner.ratings,
  identify: () => inner.identify(),
  interlocks: () => inner.interlocks(),
  environment: () => inner.environment(),
  observe: (duration, settings) => inner.observe(duration, settings),
  energize: (permit, task, ceiling) => inner.energize(permit, task, ceiling),
  makeSafe: (how) => inner.makeSafe(how),
  close: () => inner.close(),
  ...over,
});
