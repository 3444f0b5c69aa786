import type { Problem } from '../base/error.js';
import type { Session } from '../people/people.js';
import type { Frame, NestCommand, NestView } from './nest-view.js';

/** The bench as the server asks it and is told by it; `NestLink` is the one in another process. */
export interface NestDesk {
  readonly view: NestView;
  /** @returns Why nothing was done; empty when it was. What comes of it is shown. */
  do(command: NestCommand, session: Session): Promise<readonly Problem[]>;
  /** The page that holds the nest gave a sign of life. */
  alive(): void;
  /** @returns A function that ends the watch. */
  onView(watch: (view: NestView) => void): () => void;
  /** @returns A function that ends the watch. */
  onFrame(watch: (frame: Frame) => void): () => void;
  /** Has the bench made safe. */
  close(): Promise<void>;
}

/** Whether an item is on its way in the nest, or power is not known to be off. */
export function isOnItsWay({ power, phase }: Pick<NestView, 'power' | 'phase'>): boolean {
  return power === 'on' || !AT_REST.has(phase.kind);
}

const AT_REST: ReadonlySet<NestView['phase']['kind']> = new Set(['waiting', 'verdict', 'ended']);
