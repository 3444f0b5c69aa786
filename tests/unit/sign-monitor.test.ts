import { describe, expect, test } from 'vitest';
import type { Bench, Block, Energized } from '../../src/bench/bench.js';
import { readFaults } from '../../src/bench/fault.js';
import { signMonitor } from '../../src/run/sign-monitor.js';
import { runItem, shippedDocuments, withStages } from '../support/simulated-run.js';
import { answering } from '../support/answering.js';

const shipped = withStages(shippedDocuments(), ['zero', 'polarity']);
const polarity = shipped.procedure.stages.find(({ id }) => id === 'polarity');
const CONSTANT = 0.6;

/** A block of 20 ms with steady channels: N·m commanded, N·m by the current, N·m at the transducer. */
const block = (command: number, motor: number, shaft: number): Block =>
  ({
    start: 0,
    samples: {
      command: new Float32Array(400).fill(command),
      current: new Float32Array(400).fill(motor / CONSTANT),
      torque: new Float32Array(400).fill(shaft),
    },
    device: {},
  }) as unknown as Block;

function watched(...blocks: readonly Block[]): readonly (string | undefined)[] {
  if (polarity === undefined) throw new Error('no stage');
  const monitor = signMonitor(polarity, CONSTANT);
  return blocks.map((one) => monitor?.(one)?.evidence);
}

// The transducer reads 0.12 N·m at rest: clamping and offset are no direction.
const REST = block(0, 0, 0.12);

for (const { title, motor, shaft, pairs } of [
  { title: 'all right', motor: 0.6, shaft: 0.72, pairs: undefined },
  { title: 'half of it', motor: 0.6, shaft: 0.42, pairs: undefined },
  { title: 'none of it', motor: 0, shaft: 0.12, pairs: undefined },
  {
    title: 'the transducer turned round',
    motor: 0.6,
    shaft: -0.48,
    pairs: 'command and torque; current and torque disagree',
  },
  {
    title: 'the current turned round',
    motor: -0.6,
    shaft: 0.72,
    pairs: 'command and current; current and torque disagree',
  },
  {
    title: 'the motor turned round',
    motor: -0.6,
    shaft: -0.48,
    pairs: 'command and current; command and torque disagree',
  },
]) {
  test(`${title}: ${pairs ?? 'goes on'}`, () => {
    const [first, second] = watched(REST, block(0.6, motor, shaft));
    expect(first).toBeUndefined();
    if (pairs === undefined) expect(second).toBeUndefined();
    else expect(second).toContain(pairs);
  });
}

test('an edge inside a block and a command without a rest before it are not judged', () => {
  const edge = block(0.6, -0.6, -0.6);
  edge.samples.command?.fill(0, 0, 200);
  expect(watched(REST, edge)).toEqual([undefined, undefined]);
  expect(watched(block(0.6, -0.6, -0.6))).toEqual([undefined]);
});

test('other stages are not watched: their torque may lag behind their command', () => {
  const [zero] = shipped.procedure.stages;
  expect(signMonitor(zero, CONSTANT)).toBeUndefined();
});

/** Blocks with more than half of 0.6 N·m commanded that were taken while power was on. */
function counting(inner: Bench, seen: { blocks: number }): Bench {
  return answering(inner, {
    energize: async (permit, task, ceiling): Promise<Energized> => {
      const power = await inner.energize(permit, task, ceiling);
      return {
        feed: () => {
          power.feed();
        },
        play: async function* (load) {
          for await (const one of power.play(load)) {
            const command = one.samples.command ?? new Float32Array();
            if (command.some((value) => Math.abs(value) > 0.3)) seen.blocks += 1;
            yield one;
          }
        },
      };
    },
  });
}

describe.each(['reversed-polarity:middle', 'reversed-polarity:severe'])('%s', (fault) => {
  test('power goes off within two blocks of torque, 40 ms, and the gate is the outcome', async () => {
    const seen = { blocks: 0 };
    const performed = await runItem(shipped, {
      serial: 'H12-26-00017',
      faults: readFaults([fault]),
      alter: (bench) => counting(bench, seen),
    });
    expect(seen.blocks).toBeLessThanOrEqual(2);
    expect(performed.brokenOff).toBe('polarity');
    const gate = performed.outcomes.at(-1)?.gates.find(({ id }) => id === 'polarity');
    expect(gate).toMatchObject({ holds: false, blames: 'stand', reach: 'run' });
    expect(gate?.evidence).toContain('disagree');
  });
});
