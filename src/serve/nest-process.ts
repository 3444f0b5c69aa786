/**
 * The process that drives the bench, started by the server. Nothing that a browser asks for can keep
 * its control loop waiting, and when the server ends it brings torque to zero by itself.
 */
import { systemClock } from '../base/clock.js';
import { Nest } from './nest.js';
import type { FromNest, ToNest } from './nest-message.js';

let nest: Nest | undefined;
let isEnding = false;

/** ms between two readiness lists while nothing is on its way: calibrations fall due, disks fill up. */
const LOOK_AGAIN = 60_000;

function tell(message: FromNest): void {
  if (process.connected) process.send?.(message);
}

async function end(): Promise<void> {
  if (isEnding) return;
  isEnding = true;
  await nest?.close();
  process.exit(0); // whatever else may still be waiting, e.g. for acknowledgements to lapse
}

function told(message: ToNest): void {
  switch (message.kind) {
    case 'open':
      nest = new Nest(
        message.site,
        systemClock,
        {
          view: (view) => {
            tell({ kind: 'view', view });
          },
          frame: (frame) => {
            tell({ kind: 'frame', frame });
          },
        },
        message.phase,
      );
      return;
    case 'alive':
      nest?.alive();
      return;
    case 'look':
      void nest?.look();
      return;
    case 'do': {
      const { id, command, session } = message;
      void nest?.do(command, session).then((problems) => {
        tell({ kind: 'done', id, problems });
      });
      return;
    }
    case 'close':
      void end();
      return;
  }
}

setInterval(() => void nest?.look(), LOOK_AGAIN).unref();
process.on('message', (message) => {
  told(message as ToNest); // only the server that started this process can send
});
// The server has gone: nobody watches any more.
process.on('disconnect', () => {
  void end();
});
// Ctrl-C reaches the whole group; the server says when to end.
process.on('SIGINT', () => undefined);
process.on('SIGTERM', () => {
  void end();
});
