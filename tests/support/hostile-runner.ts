import { Socket } from 'node:net';
import modbusLibrary from 'modbus-serial';
import { StallmarkError } from '../../src/base/error.js';
import { hertz, newtonMetre, second } from '../../src/base/units.js';
import type { Channel } from '../../src/bench/bench.js';
import { answerModbus } from '../../src/emulator/modbus-server.js';
import { serveScpi } from '../../src/emulator/scpi-server.js';
import { serveWire } from '../../src/emulator/wire-server.js';
import { ModbusConversation } from '../../src/link/modbus-conversation.js';
import type { Port } from '../../src/link/port.js';
import { ReplySplitter } from '../../src/link/scpi-reply.js';
import { SlcanDecoder } from '../../src/link/slcan.js';
import { FrameDecoder, HEADER_BYTES, MOST_PAYLOAD } from '../../src/link/wire-frame.js';
import { readEnvironment, readIdentity, readReport } from '../../src/link/wire-message.js';
import { WireSession } from '../../src/link/wire-session.js';
import type { ModbusDescription } from '../../src/procedure/links.js';
import { cia402Drive } from '../../src/rig/cia402-drive.js';
import type { DriveLink } from '../../src/rig/rig.js';
import { scpiDigitizer } from '../../src/rig/scpi-digitizer.js';
import { scpiDrive } from '../../src/rig/scpi-drive.js';
import { abilitiesOf } from '../../src/rig/wire-abilities.js';
import { takePower } from '../../src/rig/wire-call.js';
import { loadOrder } from '../../src/rig/wire-load.js';
import { WireTakes } from '../../src/rig/wire-takes.js';
import { cia402Description, loadOf } from './cia402-bed.js';
import { handClock, type HandClock } from './clock.js';
import { described } from './dialects.js';
import { FakeStand } from './fake-stand.js';
import {
  hostileCable,
  outcome,
  settles,
  turn,
  type CableWays,
  type Outcome,
  type Pace,
} from './hostile-cable.js';
import { Mangler, resealed, type Bytes } from './hostile-mutation.js';
import { ScriptedDrive } from './scripted-drive.js';

/** A conversation, and what is mutated in it; without a generator nothing is. */
export interface Trial {
  readonly random?: () => number;
  /** Frames of the device when nothing is mutated; told by a run without a generator. */
  readonly frames: number;
  /** Sees what leaves the runner, for recording. */
  readonly record?: (bytes: Bytes) => void;
}

/** What a run tells: what became of it, and how many frames the device sent. */
export interface Told extends Outcome {
  frames: number;
}

export const GENERATOR = described('generator.yaml', 1);
export const DIGITIZER = described('digitizer.yaml', 1);
export const MODBUS: ModbusDescription = {
  protocol: 'modbus',
  place: { kind: 'tcp', host: '127.0.0.1', port: 502 },
  unit: 3,
  heartbeat: 40,
  lines: { guard: [0, 1], emergencyStop: [2, 3], presence: [10, 11], coupling: [17, 16] },
};
const LIMITS = { ceiling: newtonMetre(5), deadMan: second(0.06) };
export const LOAD = loadOf(Array.from({ length: 40 }, (_, i) => 3 * Math.sin(i / 6)));

/** Watches what leaves the runner once something was garbled. */
class Watch {
  readonly told: Told = { ...outcome(), frames: 0 };
  readonly mangler: Mangler | undefined;
  /** Why nothing but off may leave; empty while all is sound. */
  garbled = '';

  constructor(
    private readonly trial: Trial,
    private readonly torqueIn: (bytes: Bytes) => string | undefined,
    special?: (frame: Bytes, random: () => number) => Bytes,
  ) {
    const { random, frames } = trial;
    this.mangler = random && new Mangler(random, frames, special);
  }

  ways(arriving: (bytes: Bytes) => void): CableWays {
    return {
      toNear: this.mangler,
      arriving,
      leaving: (bytes) => {
        this.leaves(bytes);
      },
      sent: () => (this.told.frames += 1),
    };
  }

  leaves(bytes: Bytes): void {
    this.trial.record?.(Uint8Array.from(bytes));
    const torque = this.garbled === '' ? undefined : this.torqueIn(bytes);
    if (torque === undefined) return;
    this.told.findings.push(`torque: ${torque} left the runner after ${this.garbled}`);
  }

  note(why: string): void {
    if (this.garbled === '') this.garbled = why;
  }

  done(): Told {
    this.told.mutated = this.mangler?.count ?? 0;
    return this.told;
  }
}

type Step = () => unknown;

/** Goes through steps up to the first that is refused; then tries what must not leave, and makes safe. */
async function walk(
  steps: readonly Step[],
  after: readonly Step[],
  rogue: readonly Step[],
  at: Watch,
  pace: Pace,
): Promise<void> {
  for (const step of steps) {
    const how = await settles(step, pace, at.told);
    if (how === 'well') continue;
    at.note('a refusal');
    for (const one of rogue) await settles(one, pace, { ...at.told, codes: new Set() });
    break;
  }
  for (const step of after) await settles(step, pace, at.told);
}

const coarse = (clock: HandClock): Pace => ({ clock, step: (n) => (n < 8 ? 10 : 125) });

/** stallmark-link 1: a session with all that a link asks of it, over a port in memory. */
export async function wireRunner(trial: Trial): Promise<Told> {
  const clock = handClock();
  const stand = new FakeStand();
  const watch = new Watch(trial, wireTorque, resealed);
  const { told } = watch;
  const decoder = new FrameDecoder(() => undefined);
  let arrived = 0;
  const { near, far } = hostileCable(
    watch.ways((bytes) => {
      decoder.push(bytes);
      arrived += bytes.length;
      const most = Math.min(arrived, HEADER_BYTES + MOST_PAYLOAD);
      if (decoder.pending > most) told.findings.push(`${decoder.pending} bytes are kept`);
      if (decoder.fault !== undefined) watch.note('a void frame');
    }),
    told,
  );
  serveWire(far, stand, 'stand', { clock, nanoseconds: () => 0n });
  const takes = new WireTakes();
  const session: WireSession = new WireSession('The link "stand"', near, clock, {
    event: (event, from) => {
      if (event.is === 'end') takes.hearEnd(from, event.take);
    },
    samples: (frame, from) => takes.look(from, frame),
    late: (asked, isDone) => {
      takes.hearLate(asked, isDone);
    },
  });
  const nothing = (): undefined => undefined;
  let channels: readonly Channel[] = [];
  const order = { samples: 440, rate: hertz(20_000), on: 'trigger' } as const;
  const steps: readonly Step[] = [
    async () => {
      const hello = await session.hello();
      ({ channels } = abilitiesOf(session.name, hello, ['drive', 'digitizer', 'interlock']));
    },
    () => takePower(session, 'off'),
    () => session.askLines(),
    () => session.request({ do: 'identify' }, readIdentity),
    () => session.request({ do: 'environment' }, readEnvironment),
    () =>
      session.request({ do: 'arrange', members: { fixture: 'coupled', angle_rad: 0 } }, nothing),
    async () => {
      const members = { ceiling_Nm: LIMITS.ceiling, deadMan_s: LIMITS.deadMan };
      const held = await session.request({ do: 'limit', members }, (from) =>
        from.number('ceiling_Nm', 0),
      );
      if (held > LIMITS.ceiling)
        throw session.fail({ code: 'link/read-back', what: `Holds ${held} N·m.`, fix: 'End.' });
    },
    () => session.request({ do: 'energize' }, nothing),
    () => session.request(loadOrder(LOAD), (from) => from.count('updates')),
    () => takes.arm(session, order, channels),
    () => session.request({ do: 'start' }, nothing),
    () => {
      session.post({ do: 'feed', seq: 0 });
      stand.advance(20);
    },
    () => session.nextSamples(),
    () => session.request({ do: 'status' }, readReport),
    () => {
      session.post({ do: 'feed', seq: 1 });
      stand.advance(2);
    },
    () => session.nextSamples(),
    () => session.readLines(),
    () => session.request({ do: 'finish' }, nothing),
    () => session.request({ do: 'end' }, nothing),
  ];
  const rogue: readonly Step[] = [
    () => {
      if (session.failure !== undefined) session.post({ do: 'feed', seq: 2 });
    },
    () => (session.failure === undefined ? undefined : session.request({ do: 'start' }, nothing)),
    () =>
      session.failure === undefined ? undefined : session.request({ do: 'energize' }, nothing),
  ];
  const after: readonly Step[] = [
    () => takePower(session, 'off'),
    () => session.close(),
    () => session.gone(),
  ];
  await walk(steps, after, rogue, watch, coarse(clock));
  if (stand.isEnergized) told.findings.push('torque: the stand was left energized');
  return watch.done();
}

function wireTorque(frame: Bytes): string | undefined {
  if (frame[1] !== 1) return undefined;
  const told = JSON.parse(Buffer.from(frame.subarray(16)).toString()) as { readonly do?: string };
  return ['energize', 'start', 'feed'].find((act) => act === told.do);
}

/** A drive after SCPI: the whole link, with the emulated generator at the other end of memory. */
export async function scpiDriveRunner(trial: Trial): Promise<Told> {
  const clock = handClock();
  const stand = new FakeStand();
  const watch = new Watch(trial, scpiTorque);
  const heard = { isLimited: false, isPlaying: false };
  const open = (): Promise<Port> => {
    // A new connection is sound, but power over it needs limits over it.
    if (watch.garbled === 'a void reply') watch.garbled = '';
    heard.isLimited = false;
    heard.isPlaying = false;
    const ways = watch.ways(splitting(watch));
    const leaving = (bytes: Bytes): void => {
      const text = Buffer.from(bytes).toString('latin1');
      heard.isLimited ||= text.startsWith('OUTP:LIM ');
      heard.isPlaying = (heard.isPlaying || text === 'INIT\n') && text !== 'OUTP OFF\n';
      if (!heard.isLimited && scpiTorque(bytes) !== undefined) {
        watch.told.findings.push(`torque: ${text.trim()} over a connection without limits`);
      }
      watch.leaves(bytes);
    };
    const cable = hostileCable({ ...ways, leaving }, watch.told);
    serveScpi(cable.far, GENERATOR, stand, clock);
    return Promise.resolve(cable.near);
  };
  const link = scpiDrive('gen', GENERATOR, open, clock);
  const steps: readonly Step[] = [
    ...driveSteps(link),
    () => {
      link.feed();
      stand.advance(10);
    },
    () => link.report(),
    () => link.finish(),
    () => link.makeSafe('ramp'),
  ];
  const after: readonly Step[] = [() => link.makeSafe('off'), () => link.close()];
  const rogue: readonly Step[] = [
    () => {
      if (heard.isPlaying) link.feed();
    },
  ];
  await walk(steps, after, rogue, watch, coarse(clock));
  if (stand.isEnergized) watch.told.findings.push('torque: the stand was left energized');
  return watch.done();
}

function driveSteps(link: DriveLink): readonly Step[] {
  return [
    () => link.open(),
    () => link.identify(),
    async () => {
      const { ceiling } = await link.limit(LIMITS);
      if (ceiling <= LIMITS.ceiling) return;
      throw new StallmarkError([
        { code: 'link/read-back', what: `Holds ${ceiling} N·m.`, fix: 'End.' },
      ]);
    },
    () => link.energize(),
    () => link.load(LOAD),
    () => link.start(),
    () => {
      link.feed();
    },
    () => link.report(),
  ];
}

function splitting(watch: Watch): (bytes: Bytes) => void {
  const splitter = new ReplySplitter(() => undefined, 'watch');
  return (bytes) => {
    try {
      splitter.push(Uint8Array.from(bytes));
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      watch.note('a void reply');
    }
  };
}

function scpiTorque(bytes: Bytes): string | undefined {
  const text = Buffer.from(bytes).toString('latin1');
  return ['OUTP ON', 'INIT', 'FEED'].find((word) => text.includes(word));
}

/** A digitizer after SCPI, as above. It has no torque. */
export async function scpiDigitizerRunner(trial: Trial): Promise<Told> {
  const clock = handClock();
  const stand = new FakeStand();
  const watch = new Watch(trial, () => undefined);
  const open = (): Promise<Port> => {
    const cable = hostileCable(watch.ways(splitting(watch)), watch.told);
    serveScpi(cable.far, DIGITIZER, stand, clock);
    return Promise.resolve(cable.near);
  };
  const channels = new Map([
    ['command', { input: 1, perVolt: 2, at0V: 0 }],
    ['torque', { input: 3, perVolt: 2, at0V: 0 }],
  ]);
  const link = scpiDigitizer('dig', DIGITIZER, channels, open, clock);
  const steps: readonly Step[] = [
    () => link.open(),
    () => link.environment(),
    () => link.arrange({ smoothing: 0, fixture: 'coupled' }),
    () => link.arm({ samples: 440, rate: hertz(20_000), on: 'now' }),
    async () => {
      stand.advance(22);
      let blocks = 0;
      for await (const block of link.blocks()) {
        blocks += 1;
        const odd = Object.values(block.samples).some((all) =>
          all.some((one) => !Number.isFinite(one)),
        );
        if (odd) watch.told.findings.push('a sample that is no number was told');
        if (blocks > 600) throw new Error('more blocks than samples');
      }
    },
  ];
  await walk(steps, [() => link.end(), () => link.close()], [], watch, coarse(clock));
  return watch.done();
}

/** A drive after CiA 402 behind a gateway: the whole link, with a scripted drive at the other end of memory. */
export async function cia402Runner(trial: Trial): Promise<Told> {
  const clock = handClock();
  const drive = new ScriptedDrive();
  const watch = new Watch(trial, canTorque);
  const { told } = watch;
  let openings = 0;
  const decoder = new SlcanDecoder(({ kind }) => {
    if (kind === 'garbled' && openings > 1) watch.note('a void line');
    if (kind === 'refused' && openings > 3) watch.note('a refused frame');
  });
  const { near, far } = hostileCable(
    {
      ...watch.ways((bytes) => {
        decoder.push(bytes);
      }),
      cutAfter: 13,
      leaving: (bytes) => {
        if (bytes[0] === 0x4f)
          openings = 2; // O
        else if (openings === 2) openings = 4; // the first frame: the gateway is open
        watch.leaves(bytes);
      },
    },
    told,
  );
  drive.connect((bytes) => {
    void far.write(bytes);
  });
  far.listen({ bytes: (bytes) => { drive.receive(bytes); }, closed: () => undefined }); // prettier-ignore
  const link = cia402Drive('drive', cia402Description, () => Promise.resolve(near), clock);
  let ms = 0;
  const pace: Pace = {
    clock,
    step: (n) => (n < 40 ? 1 : n < 80 ? 10 : 250),
    tick: (step) => {
      drive.sync();
      ms += step;
      if (ms % 50 < step) drive.beat();
    },
  };
  let isPlaying = false;
  const play: Step = async () => {
    for (let i = 0; i < 12; i++) {
      pace.tick?.(1);
      await clock.advance(1);
      await turn();
      if (i % 4 === 3) link.feed();
    }
  };
  const steps: readonly Step[] = [
    ...driveSteps(link),
    () => (isPlaying = true),
    ...[play, () => link.report(), play, () => link.finish()],
    () => (isPlaying = false),
    () => link.makeSafe('ramp'),
  ];
  const rogue: readonly Step[] = [
    () => {
      if (isPlaying && told.codes.has('link/garbled')) link.feed();
    },
  ];
  await walk(steps, [() => link.makeSafe('off'), () => link.close()], rogue, watch, pace);
  return watch.done();
}

/** Set points with power, feeds, and power on by SDO. */
function canTorque(bytes: Bytes): string | undefined {
  for (const line of Buffer.from(bytes).toString('latin1').split('\r')) {
    const word = /^t205[68](..)(..)/u.exec(line) ?? /^t60582B406000(..)(..)/u.exec(line);
    if (line.startsWith('t764')) return `feed ${line}`;
    const control = word === null ? 0 : Number.parseInt(`${word[2] ?? ''}${word[1] ?? ''}`, 16);
    if ((control & 0x10f) === 0x0f) return `controlword ${line}`;
  }
  return undefined;
}

/** A socket of the library whose other end is in memory. */
class MemorySocket extends Socket {
  private isOver = false;
  constructor(private readonly far: { readonly bytes: (bytes: Bytes) => void }) {
    super();
    Object.defineProperty(this, 'readyState', { get: () => (this.isOver ? 'closed' : 'open') });
  }
  override write(bytes: unknown): boolean {
    if (!this.isOver && bytes instanceof Uint8Array) this.far.bytes(bytes);
    return true;
  }
  override destroy(): this {
    if (this.isOver) return this;
    this.isOver = true;
    this.emit('close', false);
    return this;
  }
  hear(bytes: Bytes): void {
    if (!this.isOver) this.emit('data', Buffer.from(bytes));
  }
}

/** Safety lines by Modbus: the conversation with its library, over a socket in memory. */
export async function modbusRunner(trial: Trial): Promise<Told> {
  const clock = handClock();
  const stand = new FakeStand();
  const watch = new Watch(trial, () => undefined);
  const { told } = watch;
  const { near, far } = hostileCable(
    watch.ways(() => undefined),
    told,
  );
  answerModbus(far, MODBUS, stand, clock);
  const socket = new MemorySocket({ bytes: (bytes) => void near.write(bytes) });
  const conversation = new ModbusConversation('controller', MODBUS.unit, socket, clock);
  near.listen({
    bytes: (bytes) => {
      socket.hear(bytes);
    },
    closed: () => {
      socket.destroy();
    },
  });
  const client = new modbusLibrary.default();
  client.setID(MODBUS.unit);
  client.on('error', (error) => {
    conversation.end('link/closed', String(error));
  });
  await client.linkTCP(socket, { port: 502 });
  conversation.client = client;
  const steps: Step[] = [];
  for (let i = 0; i < 4; i++) {
    steps.push(
      () => conversation.discreteInputs(0, 4),
      () => conversation.discreteInputs(10, 2),
      () => conversation.inputRegister(MODBUS.heartbeat),
      () => clock.advance(20),
    );
  }
  await walk(steps, [() => { conversation.hangUp(); }], [], watch, coarse(clock)); // prettier-ignore
  for (const ask of [() => conversation.discreteInputs(0, 4)]) {
    const how = await settles(ask, coarse(clock), { ...told, codes: new Set() });
    if (how === 'well') told.findings.push('a conversation that was hung up told safety lines');
  }
  socket.destroy();
  return watch.done();
}

/** Runs a conversation that nothing mutates. @returns Frames of the device. */
export async function soundFrames(run: (trial: Trial) => Promise<Told>): Promise<number> {
  const told = await run({ frames: 0 });
  if (told.codes.size > 0 || told.findings.length > 0) {
    const what = [...told.codes, ...told.findings].join('; ');
    throw new Error(`a conversation that nobody mutated went wrong: ${what}`);
  }
  return told.frames;
}
