import { fork, type ChildProcess } from 'node:child_process';
import type { Problem } from '../base/error.js';
import type { Session } from '../people/people.js';
import type { FromNest, ToNest } from './nest-message.js';
import type { Frame, NestCommand, NestView, Phase } from './nest-view.js';
import type { LoggedSite, Site } from './site.js';

/** Times that the process is started again after it ended by itself. */
const MOST_RESTARTS = 3;

type Watch<T> = (told: T) => void;

/**
 * The server's end of the process that drives the bench. When that process ends by itself the page is
 * told so, with the power unknown, and another one is started.
 */
export class NestLink {
  #child: ChildProcess;
  #view: NestView;
  #next = 1;
  #restarts = 0;
  #isClosing = false;
  readonly #waiting = new Map<number, Watch<readonly Problem[]>>();
  readonly #views = new Set<Watch<NestView>>();
  readonly #frames = new Set<Watch<Frame>>();

  constructor(private readonly site: LoggedSite) {
    this.#view = {
      ...{ bench: '', nest: 0, simulated: true, power: 'unknown', checks: [], mayTest: false },
      ...{ checkedAt: 0, phase: { kind: 'waiting' } },
    };
    this.#child = this.#started();
  }

  get view(): NestView {
    return this.#view;
  }

  /** @returns Why nothing was done; empty when it was. What comes of it is shown. */
  do(command: NestCommand, session: Session): Promise<readonly Problem[]> {
    const id = this.#next;
    this.#next += 1;
    return new Promise((resolve) => {
      this.#waiting.set(id, resolve);
      this.#tell({ kind: 'do', id, command, session });
    });
  }

  /** The page that holds the nest gave a sign of life. */
  alive(): void {
    this.#tell({ kind: 'alive' });
  }

  /** @returns A function that ends the watch. */
  onView(watch: Watch<NestView>): () => void {
    this.#views.add(watch);
    return () => this.#views.delete(watch);
  }

  /** @returns A function that ends the watch. */
  onFrame(watch: Watch<Frame>): () => void {
    this.#frames.add(watch);
    return () => this.#frames.delete(watch);
  }

  /** Has the bench made safe and waits until its process has ended. */
  async close(): Promise<void> {
    this.#isClosing = true;
    const child = this.#child;
    if (child.exitCode !== null || child.signalCode !== null) return;
    const gone = new Promise((resolve) => child.once('exit', resolve));
    this.#tell({ kind: 'close' });
    await gone;
  }

  #started(phase?: Phase): ChildProcess {
    const child = fork(new URL('./nest-process.js', import.meta.url), [], {
      stdio: ['ignore', 'inherit', 'inherit', 'ipc'],
    });
    child.on('message', (message) => {
      this.#told(message as FromNest); // only the process that was started here can send
    });
    child.on('error', (error) => {
      this.site.log.error({ error: String(error) }, 'the process of the bench cannot be reached');
    });
    child.once('exit', (code, signal) => {
      this.#ended(code ?? signal);
    });
    this.#child = child;
    this.#tell({
      kind: 'open',
      site: plainSite(this.site),
      ...(phase === undefined ? {} : { phase }),
    });
    this.#tell({ kind: 'look' });
    return child;
  }

  #tell(message: ToNest): void {
    if (this.#child.connected) this.#child.send(message);
  }

  #told(message: FromNest): void {
    switch (message.kind) {
      case 'view':
        this.#show(message.view);
        return;
      case 'frame':
        for (const watch of this.#frames) watch(message.frame);
        return;
      case 'done':
        this.#waiting.get(message.id)?.(message.problems);
        this.#waiting.delete(message.id);
        return;
    }
  }

  #show(view: NestView): void {
    this.#view = view;
    for (const watch of this.#views) watch(view);
  }

  /** The process is gone: whoever waits is told, and the page too. */
  #ended(how: number | string | null): void {
    if (this.#isClosing) return;
    this.site.log.error({ how }, 'the process of the bench ended by itself');
    const problem: Problem = {
      code: 'bench/unreachable',
      what: `The process that drives the bench ended by itself (${String(how)}). The device drops torque without it.`,
      fix: 'Press the emergency stop, look at the stand, then scan the item again.',
    };
    for (const resolve of this.#waiting.values()) resolve([problem]);
    this.#waiting.clear();
    const at = this.site.clock.now();
    const phase: Phase = { kind: 'ended', how: 'broken off', problems: [problem], at };
    this.#show({ ...this.#view, power: 'unknown', mayTest: false, phase });
    this.#restarts += 1;
    if (this.#restarts <= MOST_RESTARTS) this.#started(phase);
  }
}

/** A site without what cannot be sent to another process. */
export function plainSite({ root, keys, bench, procedure, limits, pace }: Site): Site {
  return {
    ...{ root, keys, pace },
    ...(bench === undefined ? {} : { bench }),
    ...(procedure === undefined ? {} : { procedure }),
    ...(limits === undefined ? {} : { limits }),
  };
}
