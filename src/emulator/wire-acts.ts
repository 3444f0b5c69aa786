import { CHANNEL_UNITS, type Environment, type Identity } from '../bench/bench.js';
import { problem } from '../bench/refusal.js';
import { radian } from '../base/units.js';
import type { LinkRole } from '../procedure/links.js';
import type { Fixture, Settings } from '../procedure/procedure.js';
import type { EmulatedStand, EmulatedTake } from './stand.js';
import { LoadParts, partsOf } from './wire-load.js';
import { type Members, numberIn, optionalIn, shown, unreadable, wordIn } from './wire-request.js';
import { reportAsTold } from './wire-speaker.js';

/** The version of the protocol. */
const PROTOCOL = 1;
const FIXTURES: readonly Fixture[] = ['coupled', 'uncoupled', 'shunt', 'timing'];
const SOME = { from: Number.MIN_VALUE, to: Number.MAX_VALUE };
const COUNT = { from: 0, to: 2 ** 40, whole: true } as const;
/** What only one role is asked for. */
const ROLE_OF: Readonly<Record<string, LinkRole>> = {
  ...{ limit: 'drive', energize: 'drive', load: 'drive', start: 'drive', finish: 'drive' },
  ...{ makeSafe: 'drive', status: 'drive', arrange: 'digitizer', arm: 'digitizer' },
  ...{ end: 'digitizer', interlocks: 'interlock' },
};

type Reply = Readonly<Record<string, unknown>>;
type Act = (members: Members) => Reply | Promise<Reply>;

/** What an adapter is asked for, done on a stand. */
export class WireActs {
  /** Why power went last, where no fault says so. */
  reason = 'another link';
  private arranged: Pick<Settings, 'fixture' | 'angle'> = { fixture: 'coupled' };
  private parts: LoadParts | undefined;
  private partsDone: ((error?: Error) => void) | undefined;
  /** The take armed last. */
  take: EmulatedTake | undefined;
  /** Its number, from 1. */
  takes = 0;
  /** Whether limits were set over this link: those of others do not count. */
  private isLimited = false;
  /** Feeds since the last start. */
  private fed = 0;
  private readonly acts: ReadonlyMap<string, Act>;

  constructor(
    private readonly stand: EmulatedStand,
    private readonly name: string,
    readonly roles: readonly LinkRole[],
    private readonly fixtures: readonly Fixture[] = FIXTURES,
  ) {
    this.acts = new Map<string, Act>([
      ['hello', (members) => this.hello(members)],
      ['identify', () => identityAsTold(stand.identity())],
      ['environment', () => environmentAsTold(stand.environment())],
      ['interlocks', () => this.interlocks()],
      ['arrange', (members) => this.arrange(members)],
      ['limit', (members) => this.limit(members)],
      ['energize', () => this.energize()],
      ['load', (members) => this.load(members)],
      ['arm', (members) => this.arm(members)],
      [
        'start',
        () =>
          this.plain(() => {
            this.fed = 0;
            stand.start();
          }),
      ],
      [
        'finish',
        () =>
          this.plain(() => {
            stand.finish();
          }),
      ],
      [
        'end',
        () =>
          this.plain(() => {
            this.take?.end();
          }),
      ],
      ['makeSafe', (members) => this.makeSafe(members)],
      ['status', () => reportAsTold(stand.report())],
      [
        'bye',
        () =>
          this.plain(() => {
            this.off('bye');
          }),
      ],
    ]);
  }

  /** Does what was asked. @throws StallmarkError */
  do(name: string, members: Members): Reply | Promise<Reply> {
    const act = this.acts.get(name);
    if (act === undefined) throw unreadable(`There is no request "${name.slice(0, 40)}".`);
    const role = ROLE_OF[name];
    if (role !== undefined && !this.roles.includes(role)) {
      const what = `"${name}" is asked of a ${role}, which this link is not.`;
      throw problem('link/ability', what, 'Ask the link that is.');
    }
    return act(members);
  }

  /** Feeds the dead-man. @returns What is wrong with it; then the torque must go. */
  feed(members: Members): string | undefined {
    const { seq } = members;
    if (seq !== this.fed) return `Feed ${shown(seq)} came where feed ${this.fed} was due.`;
    this.fed += 1;
    this.stand.feed();
    return undefined;
  }

  /** Takes a frame of the load that is being gathered. @returns Whether there is one. */
  takePart(payload: Uint8Array): boolean {
    const { parts } = this;
    if (parts === undefined) return false;
    if (parts.take(payload)) {
      this.parts = undefined;
      this.partsDone?.();
    }
    return true;
  }

  /** Lets go of everything. */
  end(): void {
    this.take?.end();
    this.abandon('The link ended.');
    this.parts = undefined;
  }

  private plain(act: () => void): Reply {
    act();
    return {};
  }

  private hello({ protocol }: Members): Reply {
    if (!Array.isArray(protocol) || !protocol.includes(PROTOCOL)) {
      const what = `The runner speaks ${shown(protocol)}; this adapter speaks ${PROTOCOL}.`;
      throw problem('link/version', what, 'Use an adapter of the same version.');
    }
    const { stand, roles } = this;
    const drive = {
      ...{ deadMan_s: stand.deadMan, maximumUpdates_Hz: stand.mostUpdates },
      ...{ smoothing: [0, 1, 2, 3, 4, 5], setsSlew: true, silence: true, closedLoop: true },
      ceilingStep_Nm: 0,
    };
    const digitizer = {
      rates_Hz: [stand.rate],
      channels: stand.channels.map((name) => ({ name, unit: CHANNEL_UNITS[name] })),
      ...{ fixtures: this.fixtures, indexing: 'bench', trigger: true, marksStop: true },
    };
    const abilities = {
      ...(roles.includes('drive') ? { drive } : {}),
      ...(roles.includes('digitizer') ? { digitizer } : {}),
    };
    const who = { name: this.name, maker: 'SIMULATED', version: '1', simulated: true };
    return { protocol: PROTOCOL, ...who, roles, abilities };
  }

  private interlocks(): Reply {
    const { age, ...lines } = this.stand.lines();
    return { ...lines, age_s: age };
  }

  private async arrange(members: Members): Promise<Reply> {
    const fixture = wordIn(members, 'fixture', this.fixtures);
    const turn = optionalIn(members, 'angle_rad', { from: -2 * Math.PI, to: 2 * Math.PI });
    const arranged = { fixture, ...(turn === undefined ? {} : { angle: radian(turn) }) };
    await this.stand.arrange({ smoothing: 0, ...arranged });
    this.arranged = arranged;
    return {};
  }

  private limit(members: Members): Reply {
    const asked = numberIn(members, 'ceiling_Nm', SOME);
    const held = this.stand.limit(asked, numberIn(members, 'deadMan_s', SOME));
    this.isLimited = true;
    return { ceiling_Nm: held.ceiling, deadMan_s: held.deadMan };
  }

  private energize(): Reply {
    if (!this.isLimited) {
      const what = 'Power was asked for before limits were set in this conversation.';
      throw problem('link/refused', what, 'Set the limits first.');
    }
    this.stand.energize();
    return {};
  }

  private async load(members: Members): Promise<Reply> {
    const parts = new LoadParts(members, partsOf(members));
    this.parts = parts;
    await new Promise<void>((resolve, reject) => {
      this.partsDone = (error) => {
        if (error === undefined) resolve();
        else reject(error);
      };
    });
    const { waveform, smoothing, slew } = parts.load;
    if (!this.stand.isEnergized) {
      throw problem('link/refused', 'A waveform came with power off.', 'Energize first.');
    }
    const settings = { ...this.arranged, smoothing, ...(slew === undefined ? {} : { slew }) };
    await this.stand.load(waveform, settings);
    const peak = waveform.command.reduce((most, level) => Math.max(most, Math.abs(level)), 0);
    return { updates: waveform.command.length, peak_Nm: peak };
  }

  private arm(members: Members): Reply {
    const samples = numberIn(members, 'samples', { ...COUNT, from: 1 });
    const on = wordIn(members, 'on', ['trigger', 'now']);
    const afterStop = optionalIn(members, 'afterStop', COUNT);
    const rate = numberIn(members, 'rate_Hz', SOME);
    if (rate !== this.stand.rate) {
      const what = `${rate} Hz were asked for; the digitizer samples at ${this.stand.rate} Hz.`;
      throw problem('link/ability', what, 'Ask for one of the rates that hello told.');
    }
    this.take = this.stand.arm(samples, on, afterStop);
    this.takes += 1;
    return {};
  }

  private async makeSafe(members: Members): Promise<Reply> {
    this.abandon('The bench was made safe before the load was whole.');
    if (members['how'] !== 'ramp') {
      this.off('made safe');
      wordIn(members, 'how', ['ramp', 'off']);
      return {};
    }
    this.reason = 'made safe by a ramp';
    await this.stand.rampOut();
    return {};
  }

  private off(reason: string): void {
    this.reason = reason;
    if (this.roles.includes('drive')) this.stand.off(reason);
  }

  /** Waits no longer for the rest of a load; frames that were announced are still taken. */
  private abandon(what: string): void {
    this.partsDone?.(unreadable(what));
    this.partsDone = undefined;
  }
}

function identityAsTold(identity: Identity): Reply {
  return { ...identity };
}

function environmentAsTold({ ambient, humidity, supply, poweredFor, adapter }: Environment): Reply {
  return {
    ...{ ambient_C: ambient, humidity, supply_V: supply },
    ...(poweredFor === undefined ? {} : { poweredFor_s: poweredFor }),
    ...(adapter === undefined ? {} : { adapter }),
  };
}
