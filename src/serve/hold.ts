import type { Clock } from '../base/clock.js';
import type { Problem } from '../base/error.js';
import { isOnItsWay, type NestDesk } from './nest-desk.js';
import { PAGE_PATIENCE } from './nest-view.js';

/** One tab of one session: what can hold the nest. */
export interface Tab {
  /** Number of the session. */
  readonly session: number;
  /** Chosen by the page at random, another one in each tab. */
  readonly tab: string;
  /** As records name the person. */
  readonly person: string;
}

/** What a page is told of who holds the nest. */
export interface HoldView {
  readonly hold: 'free' | 'yours' | 'another';
  readonly holder?: string;
  /** false on another machine, and for a person who may not use the bench. */
  readonly mayHold: boolean;
}

/** ms without a sign of life after which another tab may have the nest, while nothing is on its way. */
export const HOLD_PATIENCE = 3 * PAGE_PATIENCE;

/**
 * Who works at the nest: one tab, so that two never answer for one item. A tab that gives no sign of
 * life loses it, but not while an item is on its way: that tab alone may come back to it.
 */
export class Hold {
  #holder: Tab | undefined;
  /** Monotonic ms of its last sign of life. */
  #seen = 0;

  constructor(
    private readonly desk: Pick<NestDesk, 'view'>,
    private readonly clock: Clock,
  ) {}

  /** Who holds the nest now; undefined when nobody does. */
  get holder(): Tab | undefined {
    const silence = this.clock.monotonic() - this.#seen;
    if (silence >= HOLD_PATIENCE && !isOnItsWay(this.desk.view)) this.#holder = undefined;
    return this.#holder;
  }

  /** @returns Why the tab does not get the nest; undefined when it has it now. */
  take(tab: Tab): Problem | undefined {
    const problem = this.holder === undefined ? undefined : this.problem(tab);
    if (problem !== undefined) return problem;
    this.#holder = tab;
    this.#seen = this.clock.monotonic();
    return undefined;
  }

  /** @returns Why the tab cannot give the nest back. */
  release(tab: Tab): Problem | undefined {
    const problem = this.problem(tab);
    if (problem !== undefined) return problem;
    if (isOnItsWay(this.desk.view)) {
      const what = 'The nest cannot be given back while an item is on its way.';
      return { code: 'page/not-now', what, fix: 'Stop the test or wait for its end.' };
    }
    this.#holder = undefined;
    return undefined;
  }

  /** The tab gave a sign of life. @returns Why it does not count. */
  alive(tab: Tab): Problem | undefined {
    const problem = this.problem(tab);
    if (problem === undefined) this.#seen = this.clock.monotonic();
    return problem;
  }

  /** Says that a tab does not hold the nest. */
  problem(tab: Tab): Problem | undefined {
    const { holder } = this;
    if (holder !== undefined && isSame(holder, tab)) return undefined;
    const who =
      holder === undefined
        ? 'This page does not hold the nest.'
        : holder.session === tab.session
          ? 'Another page of yours holds the nest.'
          : `The nest is held by ${holder.person}.`;
    const fix =
      holder === undefined ? 'Take the bench first.' : 'Have that page give the bench back.';
    return { code: 'page/held', what: who, fix };
  }

  /** A session has ended: what it held is free, unless an item is on its way. */
  leave(session: number): void {
    if (this.#holder?.session === session && !isOnItsWay(this.desk.view)) this.#holder = undefined;
  }

  /** What a tab is told; one that is only watched from has no tab. */
  view(tab: Pick<Tab, 'session' | 'tab'>, mayHold: boolean): HoldView {
    const { holder } = this;
    if (holder === undefined) return { hold: 'free', mayHold };
    return { hold: isSame(holder, tab) ? 'yours' : 'another', holder: holder.person, mayHold };
  }
}

const isSame = (a: Pick<Tab, 'session' | 'tab'>, b: Pick<Tab, 'session' | 'tab'>): boolean =>
  a.session === b.session && a.tab === b.tab;
