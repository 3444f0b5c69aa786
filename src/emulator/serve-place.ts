import { problem } from '../bench/refusal.js';
import type { LinkDescription, PortPlace } from '../procedure/links.js';
import type { ServeOptions } from './served-link.js';

/** Where a link is served. */
export type ServePlace = PortPlace | { readonly kind: 'stdio' };

/** A link with the place where it is served. */
export interface Placed {
  readonly name: string;
  readonly description: LinkDescription;
  readonly place: ServePlace;
}

/** Where each link is served. @throws usage/argument, all that apply. */
export function placesOf({ links, at, stdio, nasty }: ServeOptions): readonly Placed[] {
  for (const name of [...at.keys(), ...nasty.keys(), ...(stdio === undefined ? [] : [stdio])]) {
    if (links.links.has(name)) continue;
    const names = [...links.links.keys()].join(', ');
    throw problem('usage/argument', `The bench has no link "${name}".`, `Name one of ${names}.`);
  }
  return [...links.links].map(([name, description]) => {
    const place = placeOf(description, at.get(name), stdio === name);
    if (place.kind === 'command' || (description.protocol === 'modbus' && place.kind !== 'tcp')) {
      const what = `The link "${name}" cannot be served at its place.`;
      const fix =
        description.protocol === 'modbus'
          ? `Give --at ${name}=127.0.0.1:0.`
          : `Give --stdio ${name}, or --at ${name}=127.0.0.1:0.`;
      throw problem('usage/argument', what, fix);
    }
    return { name, description, place };
  });
}

/** bit/s where a serial device stands in for another place. */
const USUAL_BAUD = 115_200;

function placeOf({ place }: LinkDescription, at: string | undefined, isStdio: boolean): ServePlace {
  if (isStdio) return { kind: 'stdio' };
  if (at === undefined) return place;
  if (at.startsWith('/')) {
    return { kind: 'serial', path: at, baud: place.kind === 'serial' ? place.baud : USUAL_BAUD };
  }
  const colon = at.lastIndexOf(':');
  const [host, port] = [at.slice(0, colon), Number(at.slice(colon + 1))];
  if (colon > 0 && Number.isInteger(port) && port >= 0 && port <= 65_535) {
    return { kind: 'tcp', host, port };
  }
  const what = `"${at}" is no place.`;
  throw problem(
    'usage/argument',
    what,
    'Give a device as /dev/pts/4 or an address as 127.0.0.1:0.',
  );
}
