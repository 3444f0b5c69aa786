import { systemClock, type Clock } from '../base/clock.js';
import { unreachable } from '../base/error.js';
import type { PortPlace } from '../procedure/links.js';
import { openChildPort } from './child-port.js';
import type { Port } from './port.js';
import { openSerialPort } from './serial-port.js';
import { openTcpPort } from './tcp-port.js';

/**
 * Opens the port at a place.
 *
 * @param log - Told what a program writes to its standard error, line by line.
 * @throws link/unreachable when it is missing, in use, refused, or not open to this account.
 */
export function openPort(
  place: PortPlace,
  clock: Clock = systemClock,
  log?: (line: string) => void,
): Promise<Port> {
  switch (place.kind) {
    case 'tcp':
      return openTcpPort(place.host, place.port, clock);
    case 'serial':
      return openSerialPort(place.path, place.baud, clock);
    case 'command':
      return openChildPort(place.command, clock, log);
    default:
      return unreachable(place);
  }
}
