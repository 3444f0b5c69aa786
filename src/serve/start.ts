import type { Role } from '../people/people.js';

/** Where a session was begun: at the bench, which only its own computer is, or at a desk. */
export type SessionPlace = 'bench' | 'desk';

/** What a page is told first of all. */
export interface Start {
  /** As records name it, with a digest of the files that run. */
  readonly version: string;
  /** false for software that was not released for production. */
  readonly released: boolean;
  readonly site: {
    /** Empty while no description of the bench can be read. */
    readonly bench: string;
    readonly simulated: boolean;
    /** Whether people log in with id and secret; else a name is enough, on a simulated bench. */
    readonly hasRegister: boolean;
    /** Languages of the operator page and of log-in. */
    readonly languages: readonly string[];
    /** Why the bench is not known; absent when it is. */
    readonly trouble?: string;
  };
  /** Absent when nobody is logged in. */
  readonly person?: {
    readonly id: string;
    readonly name: string;
    readonly roles: readonly Role[];
    readonly place: SessionPlace;
  };
  /** Goes with every request that changes something; absent when nobody is logged in. */
  readonly token?: string;
}

/** Languages of the operator page and of log-in, as tags of warnings. */
export const PAGE_LANGUAGES = ['en', 'de', 'es', 'pl', 'zh'] as const;

/** Whether a version is one that was released: not before 1.0.0, not one marked as a trial. */
export function isReleased(version: string): boolean {
  return /^[1-9]\d*\.\d+\.\d+(?:\+|$)/u.test(version);
}
