import { problem } from '../bench/refusal.js';
import type { Controlled } from './control.js';
import { placesOf } from './serve-place.js';
import { ServedLink, type ServedStand, type ServeOptions } from './served-link.js';

/** Links that are being served. */
export interface Emulation {
  /** By link: where it is, as `127.0.0.1:40123`, `/dev/pts/4` or `stdio`. */
  readonly links: Readonly<Record<string, string>>;
  /** Resolves with the reason once the peer on standard input is gone; never without one. */
  readonly ended: Promise<string>;
  /** Torque off, then every link ends. */
  close(reason: string): Promise<void>;
}

/**
 * Serves the far side of every link of a bench over one stand. When the port of the link that drives
 * closes, the torque is taken away.
 *
 * @throws usage/argument, link/unreachable; nothing is served then.
 */
export async function serveLinks(to: ServedStand, options: ServeOptions): Promise<Emulation> {
  const { control } = options;
  let hungUp: (reason: string) => void = () => undefined;
  const ended = new Promise<string>((resolve) => (hungUp = resolve));
  const served = new Map<string, ServedLink>();
  const closing: (() => Promise<void>)[] = [];
  const close = async (reason: string): Promise<void> => {
    to.stand.off(reason);
    await Promise.all(closing.splice(0).map((end) => end()));
  };
  try {
    for (const { name, description, place } of placesOf(options)) {
      const one = new ServedLink(name, description, { to, options, hungUp });
      closing.push(() => one.close());
      await one.serve(place);
      served.set(name, one);
      to.note('listening', { link: name, at: one.address });
    }
    if (control !== undefined) {
      const { serveControl } = await import('./control.js');
      const taking = await serveControl(control, controlledOf(to, served));
      closing.push(() => taking.close());
    }
  } catch (error) {
    await close('not all links could be served');
    throw error;
  }
  const where = [...served].map(([name, { address }]) => [name, address] as const);
  return { links: Object.fromEntries(where), ended, close };
}

function controlledOf(to: ServedStand, served: ReadonlyMap<string, ServedLink>): Controlled {
  return {
    lines: (lines) => {
      to.move(lines);
    },
    item: (serial) => {
      to.swap(serial);
    },
    uncommanded: (torque) => {
      to.uncommanded(torque);
    },
    nasty: (link, nastiness) => {
      const one = served.get(link);
      if (one === undefined) {
        const fix = `Name one of ${[...served.keys()].join(', ')}.`;
        throw problem('usage/argument', `The bench has no link "${link}".`, fix);
      }
      one.misbehave(nastiness);
    },
    report: () => ({
      energized: to.stand.isEnergized,
      shaftTorque: to.shaftTorque(),
      fault: to.stand.report().fault,
    }),
  };
}
