import { newtonMetre, second } from '../../src/base/units.js';
import type { Block } from '../../src/bench/bench.js';
import type { FaultName } from '../../src/bench/fault.js';
import { issuePermit, type Acknowledgement } from '../../src/bench/permit.js';
import { simulatedBench } from '../../src/bench/simulated.js';
import type { SimulatedStation } from '../../src/bench/spread.js';
import type { Capture, Screened, Take } from '../../src/capture/capture.js';
import { record } from '../../src/capture/record.js';
import { compile } from '../../src/pattern/waveform.js';
import type { Settings, Stage } from '../../src/procedure/procedure.js';
import { handClock } from './clock.js';
import { STATION } from './station.js';

/** The simulated item that a stage is played on. */
export interface Played {
  readonly serial: string;
  readonly attempt?: number;
  readonly faults?: readonly FaultName[];
  readonly station?: SimulatedStation;
}

/** Plays one stage on a fresh simulated bench, take after take, and vouches for the capture. */
export async function captureOnBench(stage: Stage, item: Played): Promise<Screened<Capture>> {
  const { serial, attempt = 1, faults = [], station = STATION } = item;
  const clock = handClock();
  const bench = simulatedBench({ station, serial, attempt, faults, clock, pace: 'fast' });
  const waveform = compile(stage.pattern, stage.updates);
  const seconds = waveform.command.length / waveform.rate;
  const expected = Math.round(seconds * station.sampleRate);
  const takes: Take[] = [];
  const gather = async (
    settings: Settings,
    blocks: AsyncIterable<Block>,
    feed: () => void,
  ): Promise<void> => {
    takes.push(await record(blocks, { expected, settings, rate: station.sampleRate }, feed));
  };
  if (stage.power === 'off') {
    for (const settings of stage.takes) {
      await gather(settings, bench.observe(second(seconds), settings), () => undefined);
    }
  } else {
    const now = clock.now();
    const task = { bench: bench.id, serial, attempt, procedureDigest: 'a1' };
    const reply = (hazard: 'crushing' | 'sudden-torque'): Acknowledgement => ({
      hazard,
      by: 'A. Operator',
      at: now,
      serial,
      attempt,
      language: 'en',
      textIssue: 1,
      means: 'typed at the terminal',
    });
    const permit = issuePermit(task, [], [reply('crushing'), reply('sudden-torque')], now);
    if ('outstanding' in permit) throw new Error('no permit');
    const power = await bench.energize(permit, task, newtonMetre(12.5));
    for (const settings of stage.takes) {
      await gather(settings, power.play({ waveform, settings }), () => {
        power.feed();
      });
    }
  }
  await bench.close();
  return { stage: stage.id, takes } as unknown as Screened<Capture>;
}
