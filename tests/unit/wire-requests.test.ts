import { expect, test } from 'vitest';
import { StallmarkError } from '../../src/base/error.js';
import { WireRequests } from '../../src/link/wire-requests.js';
import { handClock } from '../support/clock.js';

const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

function begun() {
  const sent: string[] = [];
  const clock = handClock();
  const requests = new WireRequests('It', clock, (_, payload) => {
    sent.push(Buffer.from(payload).toString());
    return Promise.resolve();
  });
  const codeOf = async (act: Promise<unknown>): Promise<string> => {
    try {
      await act;
    } catch (error) {
      if (error instanceof StallmarkError) return error.problems[0].code;
      throw error;
    }
    return 'done';
  };
  return { sent, clock, requests, codeOf };
}

test('the reply to a request that was given up is told as late, once', async () => {
  const { clock, requests, codeOf } = begun();
  const asked = codeOf(requests.ask({ do: 'arm' }));
  await turn();
  await clock.advance(250);
  expect(await asked).toBe('link/silent');
  expect([requests.isOwed('arm'), requests.isOwed('load')]).toEqual([true, false]);
  const reply = { kind: 'reply', re: 1, members: {} } as const;
  expect(requests.hear(reply)).toEqual({ late: 'arm' });
  expect(requests.hear(reply)).toBeUndefined();
  expect(requests.isOwed('arm')).toBe(false);
  expect(requests.hear({ ...reply, re: 2 })).toBe('unasked');
  expect(requests.hear({ ...reply, re: 0 })).toBe('unasked');
});

test('a deadline of 10 s is kept to the millisecond', async () => {
  const { clock, requests, codeOf } = begun();
  let code = '';
  void codeOf(requests.ask({ do: 'arrange', deadline: 10_000 })).then((c) => (code = c));
  await turn();
  await clock.advance(9999);
  expect(code).toBe('');
  await clock.advance(1);
  await turn();
  expect(code).toBe('link/silent');
});

test('with 32 requests left unanswered nothing more is asked', async () => {
  const { clock, requests, codeOf, sent } = begun();
  for (let i = 0; i < 32; i++) {
    const asked = codeOf(requests.ask({ do: 'status' }));
    await turn();
    await clock.advance(250);
    expect(await asked).toBe('link/silent');
  }
  expect(await codeOf(requests.ask({ do: 'status' }))).toBe('link/stalled');
  expect(sent).toHaveLength(32);
});

test('a stop is never refused, however many requests wait', async () => {
  const { requests, codeOf, sent } = begun();
  const waiting = Array.from({ length: 40 }, () => codeOf(requests.ask({ do: 'status' })));
  await turn();
  const stop = codeOf(requests.ask({ do: 'makeSafe', isStop: true }));
  await turn();
  expect(sent.at(-1)).toBe('{"id":2,"do":"makeSafe"}');
  requests.hear({ kind: 'reply', re: 2, members: {} });
  expect(await stop).toBe('done');
  const codes = await Promise.all(waiting);
  expect(codes.filter((code) => code === 'bench/permit-void')).toHaveLength(32);
});

test('a refusal for the version is one of the version', async () => {
  const { requests, codeOf } = begun();
  const asked = codeOf(requests.ask({ do: 'hello' }));
  await turn();
  requests.hear({ kind: 'refusal', re: 1, code: 'link/version', what: 'only 2' });
  expect(await asked).toBe('link/version');
});
