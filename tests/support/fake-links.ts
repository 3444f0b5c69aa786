import { celsius, hertz, second, volt } from '../../src/base/units.js';
import type { Channel, DeviceReport, Interlocks, Load } from '../../src/bench/bench.js';
import { SAFE_LINES } from '../../src/bench/incident.js';
import type {
  DigitizerLink,
  DriveLink,
  InterlockLink,
  PowerLimits,
  SampleBlock,
  TakeOrder,
} from '../../src/rig/rig.js';

/** Links that do what they are told and remember it; members may be exchanged. */
export interface FakeLinks {
  readonly drive: DriveLink;
  readonly digitizer: DigitizerLink;
  readonly interlock: InterlockLink;
  /** What was asked of them, in order. */
  readonly acts: string[];
  report: DeviceReport;
  lines: Interlocks;
  held: (limits: PowerLimits) => PowerLimits;
}

const QUIET: DeviceReport = { updates: 100, missing: 0, time: 0, fault: 0, torqueEnabled: false };
const CHANNELS: readonly Channel[] = ['command', 'current', 'torque', 'supply', 'winding'];

/** Makes links to an ideal item: torque follows the command at once. */
export function fakeLinks(serial = 'H12-26-04711'): FakeLinks {
  const acts: string[] = [];
  let load: Load | undefined;
  let take: TakeOrder | undefined;
  const links: FakeLinks = {
    acts,
    report: QUIET,
    lines: SAFE_LINES,
    held: (limits) => limits,
    drive: {
      name: 'drive',
      complaint: '',
      open: () => {
        acts.push('open drive');
        return Promise.resolve({
          ...{ simulated: true, maximumUpdates: hertz(1000), smoothing: [0, 1, 2, 3, 4, 5] },
          ...{ setsSlew: true, silence: true, closedLoop: false, paced: 'device', ceilingStep: 0 },
          deadMan: { from: second(0.01), to: second(0.1) },
        });
      },
      identify: () =>
        Promise.resolve({ model: 'H12', serial, firmware: '2.4.1', firmwareDigest: 'f' }),
      limit: (limits) => {
        acts.push(`limit ${limits.ceiling} N·m, ${limits.deadMan} s`);
        return Promise.resolve(links.held(limits));
      },
      energize: () => {
        acts.push('energize');
        links.report = { ...links.report, fault: 0, torqueEnabled: true };
        return Promise.resolve();
      },
      load: (given) => {
        acts.push('load');
        load = given;
        return Promise.resolve();
      },
      start: () => {
        acts.push('start');
        return Promise.resolve();
      },
      feed: () => {
        acts.push('feed');
      },
      report: () => Promise.resolve(links.report),
      finish: () => {
        acts.push('finish');
        return Promise.resolve();
      },
      makeSafe: (how) => {
        acts.push(`make safe ${how}`);
        links.report = { ...links.report, torqueEnabled: false };
        return Promise.resolve();
      },
      close: () => {
        acts.push('close drive');
        return Promise.resolve();
      },
    },
    digitizer: {
      name: 'digitizer',
      open: () =>
        Promise.resolve({
          ...{ simulated: true, rates: [20_000], channels: CHANNELS, indexing: 'none' },
          ...{ fixtures: ['coupled'], trigger: true, marksStop: false },
        }),
      arrange: () => Promise.resolve(),
      environment: () => Promise.resolve({ ambient: celsius(23), humidity: 0.4, supply: volt(48) }),
      arm: (given) => {
        acts.push(`arm ${given.samples} on ${given.on}`);
        take = given;
        return Promise.resolve();
      },
      blocks: () => blocksOf(take, load),
      end: () => {
        acts.push('end');
        load = undefined;
        return Promise.resolve();
      },
      close: () => Promise.resolve(),
    },
    interlock: {
      name: 'guard',
      open: () => Promise.resolve({}),
      read: () => Promise.resolve(links.lines),
      close: () => Promise.resolve(),
    },
  };
  return links;
}

async function* blocksOf(
  take: TakeOrder | undefined,
  load: Load | undefined,
): AsyncGenerator<SampleBlock> {
  if (take === undefined) throw new Error('no take is armed');
  for (let start = 0; start < take.samples; start += 400) {
    const count = Math.min(400, take.samples - start);
    const command = Float32Array.from({ length: count }, (_, i) =>
      load === undefined
        ? 0
        : (load.waveform.command[Math.floor(((start + i) / take.rate) * load.waveform.rate)] ?? 0),
    );
    const flat = (value: number): Float32Array => new Float32Array(count).fill(value);
    await Promise.resolve();
    yield {
      start,
      samples: {
        ...{ torque: command, command, current: command.map((torque) => torque / 0.6) },
        ...{ winding: flat(25), supply: flat(48) },
      },
    };
  }
}
