import { openSync } from 'node:fs';
import type { FaultName } from '../bench/fault.js';
import { ratingsOf } from '../bench/nameplate.js';
import { problem } from '../bench/refusal.js';
import type { StationLinks } from '../procedure/links.js';
import type { Station } from '../procedure/station.js';
import { FileJournal, type Journal } from './journal.js';
import { emulatedStand } from './plant-stand.js';
import { type Emulation, serveLinks } from './serve-links.js';
import type { ServedStand, ServeOptions } from './served-link.js';

/** Which bench is emulated, how, and with which item in its nest. */
export interface EmulateOptions extends Omit<ServeOptions, 'links' | 'fixtures'> {
  readonly station: Station & { readonly links: StationLinks };
  readonly serial: string;
  readonly attempt: number;
  readonly faults: readonly FaultName[];
  readonly pace: 'real' | 'patient';
  /** File to which the journal is added; none is kept where it is left out. */
  readonly journal?: string;
}

/**
 * Serves the far side of every link of a bench over one simulated item. When the port of the link that
 * drives closes, the torque is taken away.
 *
 * @throws usage/argument, link/unreachable, storage/unwritable; nothing is served then.
 */
export async function emulate(options: EmulateOptions): Promise<Emulation> {
  const { station, serial, attempt, faults, clock, pace } = options;
  const journal = openJournal(options.journal);
  const stand = emulatedStand({ station, serial, attempt, faults, clock, pace, journal });
  const to: ServedStand = {
    stand,
    move: (lines) => {
      stand.move(lines);
    },
    swap: (item) => {
      stand.swap(item);
    },
    uncommanded: (torque) => {
      stand.uncommanded(torque);
    },
    shaftTorque: () => stand.shaftTorque(),
    isHung: () => stand.isHung,
    note: (what, members) => {
      journal.write(what, members);
    },
  };
  const letGo = (): void => {
    stand.close();
    journal.close();
  };
  try {
    const { fixtures } = ratingsOf(station);
    const emulation = await serveLinks(to, { ...options, links: station.links, fixtures });
    return {
      ...emulation,
      close: async (reason) => {
        await emulation.close(reason);
        letGo();
      },
    };
  } catch (error) {
    letGo();
    throw error;
  }
}

function openJournal(file: string | undefined): Journal {
  if (file === undefined) return new FileJournal((bytes) => bytes.length); // nobody wants one
  try {
    return new FileJournal(openSync(file, 'a'));
  } catch (cause) {
    if (!(cause instanceof Error && 'syscall' in cause)) throw cause;
    const what = `The journal cannot be written to ${file}: ${cause.message}.`;
    throw problem('storage/unwritable', what, 'Name a file that can be written.');
  }
}
