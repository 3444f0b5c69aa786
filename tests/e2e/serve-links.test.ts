import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { systemClock } from '../../src/base/clock.js';
import type { Session } from '../../src/people/people.js';
import type * as NestModule from '../../src/serve/nest.js';
import type { NestView } from '../../src/serve/nest-view.js';
import { emulated } from '../support/emulated.js';
import { temporaryFolder } from '../support/folder.js';
import { shortDocuments } from '../support/short-documents.js';

const SERIAL = 'H12-26-04711';
const OPERATOR: Session = {
  ...{ id: '', name: 'operator 17', roles: ['operator'], at: 0, means: 'stated' },
  ...{ training: [], zone: 'UTC' },
};

test('the nest takes an item to its verdict over links, and says so when they are gone', async () => {
  const far = await emulated('wire-tcp');
  const folder = temporaryFolder();
  const documents = shortDocuments(folder);
  writeFileSync(documents.bench, far.text);
  let view: NestView | undefined;
  let tell: () => void = () => undefined;
  // The built one, whose scoring thread is built too.
  const built: string = new URL('../../dist/serve/nest.js', import.meta.url).href;
  const { Nest } = (await import(built)) as typeof NestModule;
  const nest = new Nest(
    {
      ...{ root: join(folder, 'records'), keys: join(folder, 'keys'), pace: 'fast', ...documents },
    },
    systemClock,
    {
      view: (shown) => {
        view = shown;
        tell();
      },
      frame: () => undefined,
    },
  );
  const phase = async (kind: NestView['phase']['kind']): Promise<NestView> => {
    for (;;) {
      if (view?.phase.kind === kind) return view;
      if (view?.phase.kind === 'ended') throw new Error(JSON.stringify(view.phase));
      await new Promise<void>((resolve) => {
        tell = resolve;
      });
    }
  };
  const alive = setInterval(() => {
    nest.alive();
  }, 200);
  try {
    await nest.look();
    expect(nest.view).toMatchObject({ bench: 'TW-2', simulated: true, power: 'off' });
    expect(nest.view.checks.find(({ name }) => name === 'abilities of the bench')?.state).toBe(
      'ok',
    );

    await nest.do({ kind: 'scan', text: SERIAL, language: 'en' }, OPERATOR);
    await phase('warnings');
    for (const hazard of ['crushing', 'sudden-torque'] as const) {
      const answer = { kind: 'acknowledge', hazard, heldFor: 2000, language: 'en' } as const;
      expect(await nest.do(answer, OPERATOR)).toEqual([]);
    }
    await phase('start');
    expect(await nest.do({ kind: 'start' }, OPERATOR)).toEqual([]);
    const { power } = await phase('verdict');
    expect(power).toBe('off');
    expect(far.journal().map((line) => line['what'])).toContain('energized');

    await far.end();
    // The job draws up readiness itself once it has ended; it may be at it, and then nobody else is.
    for (let tries = 0; tries < 200 && nest.view.mayTest; tries += 1) {
      await nest.look();
      await systemClock.wait(20);
    }
    expect(nest.view.mayTest).toBe(false);
    expect(JSON.stringify(nest.view.checks)).toContain('nobody listens there');
  } finally {
    clearInterval(alive);
    await nest.close();
  }
  expect(readFileSync(documents.bench, 'utf8')).toBe(far.text);
});
