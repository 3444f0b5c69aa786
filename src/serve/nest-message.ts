import type { Problem } from '../base/error.js';
import type { Session } from '../people/people.js';
import type { Frame, NestCommand, NestView, Phase } from './nest-view.js';
import type { Site } from './site.js';

/** What the server tells the process that drives the bench. */
export type ToNest =
  /** First of all; the phase is where a process left off that ended by itself. */
  | { readonly kind: 'open'; readonly site: Site; readonly phase?: Phase }
  | {
      readonly kind: 'do';
      readonly id: number;
      readonly command: NestCommand;
      readonly session: Session;
    }
  | { readonly kind: 'look' }
  | { readonly kind: 'alive' }
  | { readonly kind: 'close' };

/** What that process tells the server. */
export type FromNest =
  | { readonly kind: 'view'; readonly view: NestView }
  | { readonly kind: 'frame'; readonly frame: Frame }
  | { readonly kind: 'done'; readonly id: number; readonly problems: readonly Problem[] };
