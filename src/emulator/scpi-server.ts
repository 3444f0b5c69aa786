import { type Clock, systemClock } from '../base/clock.js';
import { unreachable } from '../base/error.js';
import type { Port } from '../link/port.js';
import type { ScpiDescription } from '../procedure/links.js';
import { ScpiDigitizer } from './scpi-digitizer-server.js';
import { ScpiDrive } from './scpi-drive-server.js';
import { type ScpiDevice, ScpiInstrument } from './scpi-instrument.js';
import type { EmulatedStand } from './stand.js';

/**
 * Answers on a port as the instrument would that a link of a bench talks to, with a stand behind it.
 * When the port closes, a drive takes the torque away and a digitizer ends its take.
 *
 * @param description - Its dialect says whether it is a digitizer or a drive.
 */
export function serveScpi(
  port: Port,
  description: ScpiDescription,
  stand: EmulatedStand,
  clock: Clock = systemClock,
): void {
  port.listen(new ScpiInstrument(port, deviceOf(description, stand, clock), clock));
}

function deviceOf({ dialect }: ScpiDescription, stand: EmulatedStand, clock: Clock): ScpiDevice {
  switch (dialect.role) {
    case 'digitizer':
      return new ScpiDigitizer(stand, clock);
    case 'drive':
      return new ScpiDrive(stand);
    default:
      return unreachable(dialect.role);
  }
}
