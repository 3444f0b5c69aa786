import type { Clock } from '../base/clock.js';
import { StallmarkError, throwIfAny, unreachable, type Problem } from '../base/error.js';
import { celsius, newtonMetre, second, volt } from '../base/units.js';
import type { DeviceReport, Environment, Identity, Interlocks, Load } from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import type { MessageReader } from '../link/message-reader.js';
import {
  readEnvironment,
  readIdentity,
  readReport,
  type Hello,
  type WireEvent,
} from '../link/wire-message.js';
import type { Order } from '../link/wire-requests.js';
import type { SessionListener, WireSession } from '../link/wire-session.js';
import type { LinkRole, PortPlace } from '../procedure/links.js';
import type { Settings } from '../procedure/procedure.js';
import type {
  DigitizerLink,
  DriveLink,
  InterlockLink,
  PowerLimits,
  SampleBlock,
  TakeOrder,
} from './rig.js';
import { DriveNews } from './drive-news.js';
import type { WireAbilities } from './wire-abilities.js';
import { breakOff, callAdapter, isBreach, takePower, type Called } from './wire-call.js';
import { armProblems, loadOrder, loadProblems, peakOf } from './wire-load.js';
import { samplesOf } from './wire-take.js';
import { WireTakes } from './wire-takes.js';

/** ms: a stand turns its shaft, a device takes in a waveform. */
const ARRANGE_DEADLINE = 10_000;
const LOAD_DEADLINE = 2000;

/** What is wanted of one adapter. */
export interface WireUse {
  /** Roles that a bench gives it; absent: those that it says it has. */
  readonly roles?: readonly LinkRole[];
  /** Told what the adapter writes to its standard error, and its `log` events. */
  readonly log?: (line: string) => void;
}

/** One adapter in all its roles. */
export interface WireLink extends DriveLink, DigitizerLink, InterlockLink {
  open(): Promise<WireAbilities>;
}

/**
 * Makes a link to an adapter after `procedures/links/README.md`, whatever of drive, digitizer and
 * interlock it is. It is called by the first `open` and shared by the others; the first `close`, in
 * whichever role, lets go of it, so that nothing keeps a device from making itself safe.
 *
 * What is not as it was agreed ends the conversation: the adapter then takes its torque away, every
 * later request is refused with the reason, safety lines read as open, and `open` calls anew.
 */
export function wireLink(
  name: string,
  place: PortPlace,
  clock: Clock,
  use: WireUse = {},
): WireLink {
  return new Adapter(name, place, clock, use);
}

/** All open: what is read where nobody tells. */
const UNKNOWN_LINES: Interlocks = {
  ...({ guard: 'open', emergencyStop: 'pressed', presence: 'released' } as const),
  age: Infinity,
};

class Adapter implements WireLink {
  private opening: Promise<Called> | undefined;
  private opened: Called | undefined;
  /** Who answered the first call. */
  private known: Hello | undefined;
  /** Counts closings: what was being opened meanwhile is let go. */
  private closings = 0;
  /** The conversation that was ended here while it was sound. */
  private letGo: WireSession | undefined;
  private newestStop: Promise<void> | undefined;
  private takes = new WireTakes();
  private readonly news: DriveNews;
  /** Whether somebody reads the take, so that its blocks are news. */
  private isRead = false;
  /** Feeds since the start; undefined while nothing plays. */
  private fed: number | undefined;

  constructor(
    readonly name: string,
    private readonly place: PortPlace,
    private readonly clock: Clock,
    private readonly use: WireUse,
  ) {
    this.news = new DriveNews(clock);
  }

  async open(): Promise<WireAbilities> {
    if (this.opened?.session.failure !== undefined) this.opening = undefined;
    this.opening ??= this.call();
    const { opening } = this;
    try {
      return (await opening).abilities;
    } catch (error) {
      if (this.opening === opening) this.opening = undefined;
      throw error;
    }
  }

  identify(): Promise<Identity> {
    return this.ask('drive', { do: 'identify' }, readIdentity);
  }

  async environment(): Promise<Partial<Environment>> {
    const told = await this.ask('digitizer', { do: 'environment' }, readEnvironment);
    return { ...told, ambient: celsius(told.ambient), supply: volt(told.supply) };
  }

  async limit({ ceiling, deadMan }: PowerLimits): Promise<PowerLimits> {
    const members = { ceiling_Nm: ceiling, deadMan_s: deadMan };
    const held = await this.ask('drive', { do: 'limit', members }, (from) => ({
      ceiling: from.number('ceiling_Nm', 0),
      deadMan: from.number('deadMan_s', 0),
    }));
    return { ceiling: newtonMetre(held.ceiling), deadMan: second(held.deadMan) };
  }

  async energize(): Promise<void> {
    this.news.complaint = '';
    await this.change({ do: 'energize' });
  }

  async load(load: Load): Promise<void> {
    const { session, abilities } = this.inRole('drive');
    this.refuse(loadProblems(load, abilities));
    const order = { ...loadOrder(load), deadline: LOAD_DEADLINE };
    const held = await session.request(order, (from) => ({
      updates: from.count('updates'),
      peak: from.number('peak_Nm'),
    }));
    const updates = load.waveform.command.length;
    const peak = peakOf(load.waveform.command);
    if (held.updates === updates && held.peak === peak) return;
    const what = `was sent ${updates} updates with a peak of ${peak} N·m, but reads back ${held.updates} with ${held.peak} N·m`;
    throw breakOff(session, 'link/read-back', what);
  }

  async start(): Promise<void> {
    this.inRole('drive');
    this.fed = 0; // the device wants to be fed from its start on, not from its reply
    try {
      await this.change({ do: 'start' });
    } catch (error) {
      this.fed = undefined;
      throw error;
    }
  }

  feed(): void {
    if (this.fed === undefined) return; // the device counts feeds from its start
    this.opened?.session.post({ do: 'feed', seq: this.fed });
    this.fed += 1;
  }

  async report(): Promise<DeviceReport> {
    const { session } = this.inRole('drive');
    const { fresh } = this.news;
    if (fresh !== undefined) return fresh;
    const { complaint = '', ...report } = await session.request({ do: 'status' }, readReport);
    if (complaint !== '') this.news.complaint = complaint;
    return this.news.inOurCodes(report);
  }

  get complaint(): string {
    return this.news.complaint;
  }

  async finish(): Promise<void> {
    await this.change({ do: 'finish' });
    this.fed = undefined;
  }

  async makeSafe(how: 'ramp' | 'off'): Promise<void> {
    this.fed = undefined;
    const stop = this.stop(how);
    this.newestStop = stop;
    try {
      await stop;
    } catch (error) {
      // A stop that was overtaken by another is over when that one is.
      if (this.newestStop === stop) throw error;
      await this.newestStop;
    }
  }

  async arrange({ fixture, angle }: Settings): Promise<void> {
    const members = { fixture, angle_rad: angle ?? 0 };
    const order = { do: 'arrange', members, deadline: ARRANGE_DEADLINE };
    await this.ask('digitizer', order, () => undefined);
  }

  async arm(order: TakeOrder): Promise<void> {
    const { session, abilities, channels } = this.inRole('digitizer');
    this.refuse(armProblems(order, abilities));
    await this.takes.arm(session, order, channels);
  }

  async *blocks(): AsyncGenerator<SampleBlock> {
    const { session, channels } = this.inRole('digitizer');
    const { current: take } = this.takes;
    this.isRead = true;
    try {
      // Each turn takes a block, and a take has no more blocks than samples.
      while (take !== undefined && take === this.takes.current) {
        const frame = await session.nextSamples();
        if (frame === undefined) return;
        const { start, clock, opened, report } = frame;
        const device = this.isWanted('drive') ? { device: this.news.inOurCodes(report) } : {};
        const stop = opened === undefined ? {} : { opened };
        yield { start, samples: samplesOf(frame, channels), clock, ...device, ...stop };
        if (take.isWholeWith(frame)) return;
      }
    } finally {
      // Blocks that were held up somewhere arrive together, long after what they tell.
      this.isRead = false;
      this.news.forget();
    }
  }

  async end(): Promise<void> {
    const { current: take } = this.takes;
    this.takes.drop();
    this.opened?.session.samples.end();
    if (take === undefined || take.isOver) return;
    await this.ask('digitizer', { do: 'end' }, () => undefined);
  }

  async read(): Promise<Interlocks> {
    const { opened } = this;
    const isTold = opened?.hello.roles.includes('interlock') === true;
    return isTold ? opened.session.readLines() : UNKNOWN_LINES;
  }

  async close(): Promise<void> {
    this.closings += 1;
    this.opening = undefined;
    this.takes.drop();
    this.fed = undefined;
    const session = this.opened?.session;
    if (session === undefined) return;
    if (session.failure === undefined) {
      this.letGo = session;
      try {
        await this.newestStop;
        await session.request({ do: 'bye', isStop: true }, () => undefined);
      } catch (error) {
        if (!(error instanceof StallmarkError)) throw error; // it is hung up on all the same
      }
    }
    await session.close();
  }

  private async call(): Promise<Called> {
    const { closings, name, place, clock, known } = this;
    const takes = new WireTakes();
    this.takes = takes;
    this.news.forget();
    const { roles = [], log = (): void => undefined } = this.use;
    const listener: SessionListener = {
      event: (event, session) => {
        this.hear(session, event);
      },
      samples: (frame, session) => {
        const isKept = takes.look(session, frame);
        if (isKept && this.isRead && this.isWanted('drive')) this.news.tell(frame.report);
        return isKept;
      },
      late: (asked, isDone) => {
        takes.hearLate(asked, isDone);
      },
    };
    const called = await callAdapter({ name, place, clock, roles, known, listener, log });
    if (closings !== this.closings) {
      await called.session.close();
      throw this.notOpen();
    }
    this.known ??= called.hello;
    this.opened = called;
    return called;
  }

  private async stop(how: 'ramp' | 'off'): Promise<void> {
    const session = this.opened?.session;
    if (session === undefined) throw this.notOpen();
    const { failure } = session;
    if (failure !== undefined) {
      // Who learned that the conversation is over took its torque away; who was only silent may not know.
      const isTold = session === this.letGo || isBreach(failure.problems[0].code);
      if (!(isTold && session.tellsEnd)) throw failure;
      await session.gone();
      return;
    }
    this.news.forget();
    try {
      await takePower(session, how);
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      if (error.problems[0].code === 'bench/permit-void') throw error; // another stop overtook it
      throw session.fail(...error.problems); // hung up on, so that it takes the torque away by itself
    }
    this.news.forget();
  }

  /** Asks for what changes power or motion: what was reported before is no news any more. */
  private async change(order: Order): Promise<void> {
    this.news.forget();
    await this.ask('drive', order, () => undefined);
    this.news.forget();
  }

  /** Asks at once, in the order of the calls: what was asked before a stop must not go out after it. */
  private async ask<T>(role: LinkRole, order: Order, read: (from: MessageReader) => T): Promise<T> {
    return await this.inRole(role).session.request(order, read);
  }

  /** The conversation, sound and with an adapter in this role. */
  private inRole(role: LinkRole): Called {
    const { opened } = this;
    if (opened === undefined) throw this.notOpen();
    const { session, hello } = opened;
    if (session.failure !== undefined) throw session.failure;
    if (hello.roles.includes(role)) return opened;
    const what = `${session.name} is no ${role}, only ${hello.roles.join(' and ')}.`;
    throw problem('link/ability', what, 'Give this role to another link.');
  }

  private isWanted(role: LinkRole): boolean {
    return (this.use.roles ?? this.opened?.hello.roles ?? []).includes(role);
  }

  private notOpen(): StallmarkError {
    return problem('link/closed', `The link "${this.name}" is not open.`, 'Open it first.');
  }

  /** Refuses what the adapter did not say that it can do; nothing was asked of it, so it stays. */
  private refuse(found: readonly string[]): void {
    throwIfAny(
      found.map((what): Problem => ({
        code: 'link/ability',
        what: `The link "${this.name}" ${what}.`,
        fix: 'Leave it out of the procedure, or use another bench.',
      })),
    );
  }

  private hear(session: WireSession, event: WireEvent): void {
    switch (event.is) {
      case 'fault':
        this.news.complaint = event.what;
        this.news.forget(); // the drive is asked anew
        return;
      case 'off':
        this.news.forget();
        return;
      case 'lines':
        return;
      case 'end':
        this.takes.hearEnd(session, event.take);
        return;
      case 'log':
        this.use.log?.(event.what);
        return;
      default:
        unreachable(event);
    }
  }
}
