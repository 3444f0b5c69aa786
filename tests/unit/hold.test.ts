import { expect, test } from 'vitest';
import { Hold, HOLD_PATIENCE, type Tab } from '../../src/serve/hold.js';
import { isOnItsWay } from '../../src/serve/nest-desk.js';
import type { NestView, Phase } from '../../src/serve/nest-view.js';
import { handClock } from '../support/clock.js';
import { FakeDesk } from '../support/fake-desk.js';

const one: Tab = { session: 1, tab: 'a', person: 'O. Operator (OP-1)' };
const twin: Tab = { ...one, tab: 'b' };
const other: Tab = { session: 2, tab: 'a', person: 'P. Åsberg, jun. (OP-2)' };

const phases: readonly (readonly [Phase, NestView['power'], boolean])[] = [
  [{ kind: 'waiting' }, 'off', false],
  [{ kind: 'waiting' }, 'unknown', false],
  [{ kind: 'waiting' }, 'on', true],
  [{ kind: 'checking' }, 'off', true],
  [{ kind: 'warnings', warnings: [] }, 'off', true],
  [{ kind: 'start', warnings: [], until: 0 }, 'off', true],
  [{ kind: 'arrange', instruction: '' }, 'off', true],
  [{ kind: 'countdown', stage: 0, at: 0 }, 'off', true],
  [{ kind: 'running', stage: 0, since: 0, end: 0 }, 'on', true],
  [{ kind: 'deciding' }, 'off', true],
  [{ kind: 'ended', how: 'stopped', problems: [], at: 0 }, 'off', false],
  [{ kind: 'ended', how: 'stopped', problems: [], at: 0 }, 'on', true],
];
for (const [phase, power, isBusy] of phases) {
  test(`${phase.kind} with power ${power}: a silent tab ${isBusy ? 'keeps' : 'loses'} the nest`, async () => {
    const clock = handClock();
    const desk = new FakeDesk();
    const hold = new Hold(desk, clock);
    expect(hold.take(one)).toBeUndefined();
    desk.show({ phase, power });
    expect(isOnItsWay(desk.view)).toBe(isBusy);
    await clock.advance(HOLD_PATIENCE - 1);
    expect(hold.take(other)?.code).toBe('page/held');
    await clock.advance(1);
    expect(hold.take(other)?.code).toBe(isBusy ? 'page/held' : undefined);
    expect(hold.alive(one)?.code).toBe(isBusy ? undefined : 'page/held');
  });
}

test('each tab is told who holds the nest', () => {
  const hold = new Hold(new FakeDesk(), handClock());
  expect(hold.view(one, true)).toEqual({ hold: 'free', mayHold: true });
  hold.take(one);
  const holder = one.person;
  expect(hold.view(one, true)).toEqual({ hold: 'yours', holder, mayHold: true });
  expect(hold.view(twin, true)).toEqual({ hold: 'another', holder, mayHold: true });
  expect(hold.view(other, false)).toEqual({ hold: 'another', holder, mayHold: false });
  expect(hold.problem(other)?.what).toBe('The nest is held by O. Operator (OP-1).');
  expect(hold.problem(twin)?.what).toBe('Another page of yours holds the nest.');
});

test('taking again is a sign of life; giving back frees; a session that ends frees what it held', async () => {
  const clock = handClock();
  const desk = new FakeDesk();
  const hold = new Hold(desk, clock);
  hold.take(one);
  await clock.advance(HOLD_PATIENCE - 1);
  hold.take(one);
  await clock.advance(HOLD_PATIENCE - 1);
  expect(hold.holder).toEqual(one);
  expect(hold.release(twin)?.code).toBe('page/held');
  expect(hold.release(one)).toBeUndefined();
  expect(hold.take(other)).toBeUndefined();
  hold.leave(one.session);
  expect(hold.holder).toEqual(other);
  desk.show({ phase: { kind: 'deciding' } });
  hold.leave(other.session);
  expect(hold.release(other)?.code).toBe('page/not-now');
  expect(hold.holder).toEqual(other);
  desk.show({ phase: { kind: 'waiting' } });
  hold.leave(other.session);
  expect(hold.holder).toBeUndefined();
});
