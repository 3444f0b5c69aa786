import type { Clerk } from './clerk.js';
import type { Entrance } from './entrance.js';
import type { Events } from './events.js';
import type { Hold } from './hold.js';
import type { NestDesk } from './nest-desk.js';
import type { ReadQuestion } from './reader.js';
import type { LoggedSite } from './site.js';
import type { Asker } from './thread.js';
import type { Judge } from './visit.js';

/** Everything that requests are answered with. */
export interface Served {
  readonly site: LoggedSite;
  readonly desk: NestDesk;
  readonly reader: Asker<ReadQuestion>;
  readonly clerk: Clerk;
  readonly entrance: Entrance;
  readonly hold: Hold;
  readonly events: Events;
  readonly judge: Judge;
  /** Name of the cookie. */
  readonly cookie: string;
}
