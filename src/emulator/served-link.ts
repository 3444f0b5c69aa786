import type { Clock } from '../base/clock.js';
import { unreachable } from '../base/error.js';
import type { Interlocks } from '../bench/bench.js';
import type { Port } from '../link/port.js';
import {
  ROLES,
  type LinkDescription,
  type LinkRole,
  type StationLinks,
} from '../procedure/links.js';
import type { Fixture } from '../procedure/procedure.js';
import { listenTcp } from './listening-port.js';
import { type Nastiness, nastyPort, type NastyPort } from './nastiness.js';
import { nastyProxy } from './nasty-proxy.js';
import type { ServePlace } from './serve-place.js';
import type { EmulatedStand } from './stand.js';
import { stdioPort } from './stdio-port.js';

/** How the links of a bench are served. */
export interface ServeOptions {
  readonly links: StationLinks;
  /** How the stand can be arranged. */
  readonly fixtures: readonly Fixture[];
  /** By link: another place than its description says, as `/dev/pts/4` or `127.0.0.1:0`. */
  readonly at: ReadonlyMap<string, string>;
  /** The link that is served on standard input and output. */
  readonly stdio?: string;
  /** By link. */
  readonly nasty: ReadonlyMap<string, Nastiness>;
  readonly seed: number;
  /** Where orders are taken: a Unix domain socket. */
  readonly control?: string;
  readonly clock: Clock;
}

/** The stand that is served, with hands on it. */
export interface ServedStand {
  readonly stand: EmulatedStand;
  move(lines: Partial<Interlocks>): void;
  swap(serial: string): void;
  uncommanded(torque: number): void;
  shaftTorque(): number;
  /** Whether the device hangs: nobody is answered then. */
  isHung(): boolean;
  /** Enters what happened. */
  note(
    what: 'listening' | 'connected' | 'closed',
    members: Readonly<Record<string, unknown>>,
  ): void;
}

/** What a served link stands in. */
export interface Surroundings {
  readonly to: ServedStand;
  readonly options: ServeOptions;
  /** Told when the peer on standard input is gone. */
  readonly hungUp: (reason: string) => void;
}

/** One link that is served. */
export class ServedLink {
  address = '';
  private readonly roles: readonly LinkRole[];
  private readonly cables = new Set<NastyPort>();
  private plan: Nastiness;
  private readonly closing: (() => Promise<void>)[] = [];
  private answer: (port: Port) => void = () => undefined;
  private change: ((nastiness: Nastiness) => void) | undefined;

  constructor(
    private readonly name: string,
    private readonly description: LinkDescription,
    private readonly around: Surroundings,
  ) {
    const { links, nasty } = around.options;
    this.roles = ROLES.filter((role) => links.roles[role] === name);
    this.plan = nasty.get(name) ?? {};
  }

  async serve(place: ServePlace): Promise<void> {
    if (this.description.protocol === 'modbus') {
      await this.serveModbus(place);
      return;
    }
    this.answer = await this.answering(this.description);
    const { clock } = this.around.options;
    switch (place.kind) {
      case 'tcp': {
        const listening = await listenTcp(
          place,
          (port) => {
            this.connect(port);
          },
          { clock },
        );
        this.address = listening.address;
        this.closing.push(() => listening.close());
        return;
      }
      case 'serial': {
        const { openPort } = await import('../link/open-port.js');
        this.address = place.path;
        this.connect(await openPort(place, clock));
        return;
      }
      case 'stdio':
        this.address = 'stdio';
        this.connect(stdioPort(process.stdin, process.stdout, clock), this.around.hungUp);
        return;
      case 'command':
        throw new Error('a link that is a program was let through');
      default:
        unreachable(place);
    }
  }

  misbehave(nastiness: Nastiness): void {
    this.plan = nastiness;
    this.change?.(nastiness);
    for (const cable of this.cables) cable.misbehave(nastiness);
  }

  async close(): Promise<void> {
    await Promise.all([...this.cables].map((cable) => cable.close()));
    await Promise.all(this.closing.splice(0).map((end) => end()));
  }

  /** What answers on a port; only what is spoken is loaded. */
  private async answering(
    description: Exclude<LinkDescription, { readonly protocol: 'modbus' }>,
  ): Promise<(port: Port) => void> {
    const { to, options } = this.around;
    const { stand } = to;
    const { clock, fixtures } = options;
    switch (description.protocol) {
      case 'wire': {
        const { serveWire } = await import('./wire-server.js');
        const how = { roles: this.roles, fixtures, clock };
        return (port) => {
          serveWire(port, stand, this.name, how);
        };
      }
      case 'scpi': {
        const { serveScpi } = await import('./scpi-server.js');
        return (port) => {
          serveScpi(port, description, stand, clock);
        };
      }
      case 'cia402': {
        const { serveCia402 } = await import('./slcan-drive.js');
        return (port) => {
          serveCia402(port, description, stand);
        };
      }
      default:
        return unreachable(description);
    }
  }

  /** Serves a peer that has called. */
  private connect(port: Port, gone: (reason: string) => void = () => undefined): void {
    const { to, options } = this.around;
    const cable = nastyPort(port, this.plan, options.seed, options.clock);
    this.cables.add(cable);
    to.note('connected', { link: this.name, peer: port.name });
    this.answer(
      deviceSide(cable, to, (reason) => {
        this.cables.delete(cable);
        if (this.roles.includes('drive')) to.stand.off(`end of file on ${port.name}: ${reason}`);
        to.note('closed', { link: this.name, peer: port.name, reason });
        gone(reason);
      }),
    );
  }

  private async serveModbus(place: ServePlace): Promise<void> {
    const { description } = this;
    const { to, options } = this.around;
    if (description.protocol !== 'modbus' || place.kind !== 'tcp') {
      throw new Error('a place that is no address was let through');
    }
    const { serveModbus } = await import('./modbus-server.js');
    const isStraight = !options.nasty.has(this.name) && options.control === undefined;
    const inside = isStraight ? place : { ...place, host: '127.0.0.1', port: 0 };
    const server = await serveModbus(inside, description, to.stand, options.clock);
    this.closing.push(() => server.close());
    this.address = server.address;
    if (isStraight) return;
    const target = { host: '127.0.0.1', port: Number(server.address.split(':').at(-1)) };
    const plan = { nastiness: this.plan, seed: options.seed, clock: options.clock };
    const proxy = await nastyProxy(place, target, plan);
    this.closing.push(() => proxy.close());
    this.address = proxy.address;
    this.change = (nastiness) => {
      proxy.misbehave(nastiness);
    };
  }
}

/** A port as a device has it: deaf and dumb while it hangs; its end is told to another one too. */
function deviceSide(
  port: Port,
  to: Pick<ServedStand, 'isHung'>,
  ended: (reason: string) => void,
): Port {
  return {
    name: port.name,
    tellsEnd: port.tellsEnd,
    write: (bytes) => (to.isHung() ? Promise.resolve() : port.write(bytes)),
    close: () => port.close(),
    listen: (listener) => {
      port.listen({
        bytes: (chunk) => {
          if (!to.isHung()) listener.bytes(chunk);
        },
        closed: (reason) => {
          try {
            listener.closed(reason);
          } finally {
            ended(reason); // whatever becomes of whoever answered
          }
        },
      });
    },
  };
}
