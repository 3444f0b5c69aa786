import type { Bench, Block, Energized } from '../bench/bench.js';

/** Told that a take begins, and each block of it as the control loop gets it. */
export interface Tap {
  begin(): void;
  block(block: Block): void;
}

/**
 * A bench whose samples are also told to a watcher. Nothing is added to, held back from or reordered
 * in what the control loop gets; a watcher must not wait.
 */
export function watchedBench(bench: Bench, tap: Tap): Bench {
  const { id, simulated, ratings } = bench;
  return {
    ...{ id, simulated, ratings },
    identify: () => bench.identify(),
    interlocks: () => bench.interlocks(),
    environment: () => bench.environment(),
    observe: (duration, settings) => watched(bench.observe(duration, settings), tap),
    energize: async (permit, task, ceiling) => {
      const power: Energized = await bench.energize(permit, task, ceiling);
      return {
        play: (load) => watched(power.play(load), tap),
        feed: () => {
          power.feed();
        },
      };
    },
    makeSafe: (how) => bench.makeSafe(how),
    close: () => bench.close(),
  };
}

async function* watched(blocks: AsyncIterable<Block>, tap: Tap): AsyncGenerator<Block> {
  tap.begin();
  for await (const block of blocks) {
    tap.block(block);
    yield block;
  }
}
