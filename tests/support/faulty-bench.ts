import { StallmarkError } from '../../src/base/error.js';
import type { Bench, Block, Energized } from '../../src/bench/bench.js';

/** A bench whose k-th operation fails, and how often operations were asked for. */
export interface FaultyBench {
  readonly bench: Bench;
  readonly operations: () => number;
}

/**
 * Wraps a bench so that one operation on its link fails: once, or that one and every later. Taking
 * blocks counts one by one. A request to make safe that fails is one that the bench never heard.
 *
 * @param failing - The first operation that fails, counted from 1.
 */
export function faultyBench(inner: Bench, failing: number, how: 'once' | 'for good'): FaultyBench {
  let count = 0;
  const operate = (what: string): void => {
    count += 1;
    if (how === 'once' ? count !== failing : count < failing) return;
    const problem = {
      code: 'bench/unreachable',
      what: `The link failed at operation ${count}, ${what}.`,
      fix: 'Mend it.',
    } as const;
    throw new StallmarkError([problem]);
  };
  async function* each(blocks: AsyncIterable<Block>): AsyncGenerator<Block> {
    for await (const block of blocks) {
      operate('taking a block');
      yield block;
    }
  }
  const energized = (power: Energized): Energized => ({
    play: (load) => each(power.play(load)),
    feed: () => {
      operate('feeding the dead-man');
      power.feed();
    },
  });
  const bench: Bench = {
    id: inner.id,
    simulated: inner.simulated,
    ratings: inner.ratings,
    identify: async () => {
      operate('identify');
      return inner.identify();
    },
    interlocks: async () => {
      operate('interlocks');
      return inner.interlocks();
    },
    environment: async () => {
      operate('environment');
      return inner.environment();
    },
    observe: (duration, settings) => each(inner.observe(duration, settings)),
    energize: async (permit, task, ceiling) => {
      operate('energize');
      return energized(await inner.energize(permit, task, ceiling));
    },
    makeSafe: async (mode) => {
      operate('make safe');
      await inner.makeSafe(mode);
    },
    close: () => inner.close(),
  };
  return { bench, operations: () => count };
}
