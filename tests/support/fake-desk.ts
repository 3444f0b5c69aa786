import type { Problem } from '../../src/base/error.js';
import { nameOf, type Session } from '../../src/people/people.js';
import type { NestDesk } from '../../src/serve/nest-desk.js';
import type { Frame, NestCommand, NestView } from '../../src/serve/nest-view.js';

/** A bench that does at once what it is asked, as far as a page can see. */
export class FakeDesk implements NestDesk {
  view: NestView = {
    ...{ bench: 'TW-1', nest: 2, simulated: true, power: 'off', checks: [], mayTest: true },
    ...{ checkedAt: 1, phase: { kind: 'waiting' } },
  };
  /** What it was asked, by whom. */
  readonly asked: { readonly command: NestCommand; readonly by: string }[] = [];
  alives = 0;
  isClosed = false;
  readonly #views = new Set<(view: NestView) => void>();
  readonly #frames = new Set<(frame: Frame) => void>();

  do(command: NestCommand, session: Session): Promise<readonly Problem[]> {
    this.asked.push({ command, by: nameOf(session) });
    switch (command.kind) {
      case 'start':
        this.show({ power: 'on', phase: { kind: 'running', stage: 0, since: 0, end: 1000 } });
        return Promise.resolve([]);
      case 'stop':
        if (this.view.power === 'off') return Promise.resolve([NOTHING]);
        this.show({
          power: 'off',
          phase: { kind: 'ended', how: 'stopped', problems: [], at: 0 },
        });
        return Promise.resolve([]);
      case 'scan':
      case 'acknowledge':
      case 'arranged':
      case 'next':
      case 'look':
        return Promise.resolve([]);
    }
  }

  alive(): void {
    this.alives += 1;
  }

  show(change: Partial<NestView>): void {
    this.view = { ...this.view, ...change };
    for (const told of this.#views) told(this.view);
  }

  frame(frame: Frame): void {
    for (const told of this.#frames) told(frame);
  }

  onView(watch: (view: NestView) => void): () => void {
    this.#views.add(watch);
    return () => this.#views.delete(watch);
  }

  onFrame(watch: (frame: Frame) => void): () => void {
    this.#frames.add(watch);
    return () => this.#frames.delete(watch);
  }

  close(): Promise<void> {
    this.isClosed = true;
    return Promise.resolve();
  }
}

const NOTHING: Problem = {
  code: 'page/not-now',
  what: '"stop" is not possible at this moment.',
  fix: 'Look at the page.',
};
