import type { Bench, Block, Energized } from '../../src/bench/bench.js';
import type { Stage } from '../../src/procedure/procedure.js';
import {
  type RunDocuments,
  runItem,
  type SimulatedItemRun,
  withStages,
} from '../support/simulated-run.js';
import { type Kept, keptOf } from './kept.js';

/** Channels of one take, as the bench gave them. */
export type Traces = Readonly<Record<'command' | 'current' | 'torque', Float32Array>>;

/** A run with the traces of each take of its powered stages. */
export interface Watched {
  readonly kept: Kept;
  readonly traces: (stage: string, take?: number) => Traces;
}

/** Changes stages of the documents by id and leaves all others out. */
export function onlyWith(
  documents: RunDocuments,
  changed: Readonly<Record<string, (stage: Stage) => Stage>>,
): RunDocuments {
  const kept = withStages(documents, Object.keys(changed));
  const [first, ...others] = kept.procedure.stages;
  const change = (stage: Stage): Stage => changed[stage.id]?.(stage) ?? stage;
  return {
    ...kept,
    procedure: { ...kept.procedure, stages: [change(first), ...others.map(change)] },
  };
}

/** Runs an item and keeps what its powered stages looked like. */
export async function watchItem(documents: RunDocuments, item: SimulatedItemRun): Promise<Watched> {
  const takes: Block[][] = [];
  const alter = (bench: Bench): Bench =>
    replaced(bench, {
      energize: async (...asked: Parameters<Bench['energize']>): Promise<Energized> => {
        const energized = await bench.energize(...asked);
        return replaced(energized, {
          play: (load: Parameters<Energized['play']>[0]) => {
            const blocks: Block[] = [];
            takes.push(blocks);
            return copied(energized.play(load), blocks);
          },
        });
      },
    });
  const kept = keptOf(await runItem(documents, { ...item, alter }));
  const powered = documents.procedure.stages.filter((stage) => stage.power !== 'off');
  return {
    kept,
    traces(stage, take = 0) {
      let at = 0;
      for (const { id, takes: settings } of powered) {
        if (id === stage) return traceOf(takes[at + take] ?? []);
        at += settings.length;
      }
      throw new Error(`stage "${stage}" was not played with power`);
    },
  };
}

/** The same object with some members replaced; the others keep their owner. */
function replaced<T extends object>(of: T, members: Partial<T>): T {
  return new Proxy(of, {
    get(target, name) {
      const own: unknown = Reflect.get(members, name);
      if (own !== undefined) return own;
      const value: unknown = Reflect.get(target, name);
      return typeof value === 'function' ? (value.bind(target) as unknown) : value;
    },
  });
}

async function* copied(blocks: AsyncIterable<Block>, kept: Block[]): AsyncGenerator<Block> {
  for await (const block of blocks) {
    const samples = Object.fromEntries(
      Object.entries(block.samples).map(([name, values]) => [name, values.slice()]),
    );
    kept.push({ ...block, samples });
    yield block;
  }
}

function traceOf(blocks: readonly Block[]): Traces {
  const join = (name: keyof Traces): Float32Array => {
    const whole = blocks.flatMap(({ samples }) => Array.from(samples[name] ?? []));
    return Float32Array.from(whole);
  };
  return { command: join('command'), current: join('current'), torque: join('torque') };
}
