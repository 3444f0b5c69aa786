import { afterEach, expect, test } from 'vitest';
import { StallmarkError, type Problem } from '../../src/base/error.js';
import { oneBlock, oneNumber, texts } from '../../src/link/scpi-form.js';
import { PATIENT, ScpiSession } from '../../src/link/scpi-session.js';
import { handClock, type HandClock } from '../support/clock.js';
import { pumped, turns } from '../support/pumped.js';
import { ScriptedPeer, type Answer } from '../support/scripted-peer.js';
import { tcpPort } from '../support/tcp-port.js';

const MARKER = '*ESE';
const open: { close(): Promise<void> }[] = [];

afterEach(async () => {
  for (const one of open.splice(0)) await one.close();
});

interface Bench {
  readonly peer: ScriptedPeer;
  readonly session: ScpiSession;
  readonly clock: HandClock;
}

async function benchOf(answer?: Answer, prepare: readonly string[] = []): Promise<Bench> {
  const peer = await ScriptedPeer.start(answer);
  const clock = handClock();
  const session = new ScpiSession({
    ...{ name: 'gen', clock, prepare, identity: '*IDN?', error: 'SYST:ERR?' },
    open: () => tcpPort(peer.port),
  });
  open.push(session, peer);
  return { peer, session, clock };
}

async function problemsOf(promise: Promise<unknown>): Promise<readonly Problem[]> {
  try {
    await promise;
    return [];
  } catch (error) {
    if (error instanceof StallmarkError) return error.problems;
    throw error;
  }
}

const codesOf = async (promise: Promise<unknown>): Promise<readonly string[]> =>
  (await problemsOf(promise)).map(({ code }) => code);

test('it is called, put in step, asked who it is and prepared, in this order', async () => {
  const { peer, session } = await benchOf(undefined, ['*CLS', 'FORM REAL,32']);
  expect(await session.open()).toBe('SIMULATED,Test,1,1.0');
  expect(peer.heard.map((message) => message.slice(0, 12))).toEqual([
    expect.stringContaining(MARKER),
    ...['*IDN?', 'SYST:ERR?', '*CLS', 'FORM REAL,32', 'SYST:ERR?'],
  ]);
  expect(session.connections).toBe(1);
});

test('errors of whoever talked with it before refuse nothing', async () => {
  const { peer, session } = await benchOf();
  peer.errors = ['-113,"Undefined header"'];
  await session.open();
  expect(session.remarks.join()).toContain('-113 "Undefined header"');
});

for (const [name, set] of [
  ['in pieces of one byte', { piece: 1 }],
  ['ended by CR LF', { ending: '\r\n' }],
  ['ended by blanks and CR LF in pieces of three bytes', { piece: 3, ending: '  \r\n' }],
] as const) {
  test(`replies ${name} are read`, async () => {
    const { peer, session } = await benchOf((message) =>
      message === 'A?' ? '+1.50E+00' : message === 'B?' ? '"a,b",c' : undefined,
    );
    Object.assign(peer, set);
    expect(await session.ask('A?', oneNumber)).toBe(1.5);
    expect(await session.ask('B?', texts)).toEqual(['a,b', 'c']);
  });
}

test('a block that holds LF in pieces of seven bytes is read', async () => {
  const bytes = Uint8Array.from({ length: 500 }, (_, i) => (i % 3 === 0 ? 10 : i % 256));
  const { peer, session } = await benchOf((message) =>
    message === 'D?' ? Buffer.concat([Buffer.from('#3500'), bytes]) : undefined,
  );
  peer.piece = 7;
  expect(Buffer.from(await session.ask('D?', oneBlock)).equals(bytes)).toBe(true);
});

test('requests made at once are sent one by one, each when the one before is answered', async () => {
  const seen: string[] = [];
  const { session } = await benchOf((message) => {
    seen.push(message);
    return message.startsWith('Q') ? message.slice(1, 2) : undefined;
  });
  const all = [1, 2, 3, 4].map((n) => session.ask(`Q${n}?`, oneNumber));
  expect(await Promise.all(all)).toEqual([1, 2, 3, 4]);
  expect(seen.filter((one) => one.startsWith('Q'))).toEqual(['Q1?', 'Q2?', 'Q3?', 'Q4?']);
});

test('silence is link/silent at its deadline, not before', async () => {
  const { peer, session, clock } = await benchOf();
  await session.open();
  let isOver = false;
  const asked = codesOf(session.ask('LATE?', oneNumber, 240)).finally(() => (isOver = true));
  await peer.hears('LATE?');
  await clock.advance(239);
  await turns();
  expect(isOver).toBe(false);
  await clock.advance(1);
  expect(await asked).toEqual(['link/silent']);
});

test('a late reply is not taken for that to the next question, though it would fit', async () => {
  const { peer, session, clock } = await benchOf((message) =>
    message === 'NEXT?' ? '2' : undefined,
  );
  await session.open();
  const late = codesOf(session.ask('LATE?', oneNumber, 240));
  await peer.hears('LATE?');
  await clock.advance(240);
  expect(await late).toEqual(['link/silent']);
  peer.send('1\n'); // the answer to LATE?
  await turns();
  expect(await session.ask('NEXT?', oneNumber)).toBe(2);
  expect(peer.calls).toBe(1);
});

test('a late reply that comes when the next message was sent is not taken either', async () => {
  let isOwed = false;
  const { peer, session, clock } = await benchOf((message, self) => {
    if (isOwed) self.send('1\n2;3\n4\n'); // whatever is heard next, the late replies come before its own
    isOwed = message === 'LATE?';
    return message === 'NEXT?' ? '7' : undefined;
  });
  await session.open();
  const late = codesOf(session.ask('LATE?', oneNumber, 240));
  await peer.hears('LATE?');
  await clock.advance(240);
  expect(await late).toEqual(['link/silent']);
  expect(await session.ask('NEXT?', oneNumber)).toBe(7);
});

test('the reply to an earlier marker is not taken for that to a later one', async () => {
  const replyTo = (marker = ''): string =>
    [...marker.matchAll(/\*ESE (\d+);/gu)].map((match) => match[1]).join(';');
  const { peer, session, clock } = await benchOf((message, self) => {
    const [earlier, later] = self.heard.filter((one) => one.startsWith(MARKER));
    if (message === later) return replyTo(earlier);
    return message === 'NEXT?' ? '7' : undefined;
  });
  await session.open();
  const late = codesOf(session.ask('LATE?', oneNumber, 240));
  await peer.hears('LATE?');
  await clock.advance(240);
  await late;
  const next = session.ask('NEXT?', oneNumber);
  await peer.hears(MARKER, 2);
  await turns();
  expect(peer.heard.at(-1)).toContain(MARKER); // nothing was asked after the wrong reply
  const later = peer.heard.at(-1);
  peer.send(`5\n${replyTo(later)}\n`);
  expect(await next).toBe(7);
  expect(peer.calls).toBe(1);
});

test('who does not answer the marker is hung up on, called again and asked who it is', async () => {
  const { peer, session, clock } = await benchOf((message) =>
    message === 'NEXT?' ? '7' : undefined,
  );
  await session.open();
  const late = codesOf(session.ask('LATE?', oneNumber, 240));
  await peer.hears('LATE?');
  await clock.advance(240);
  await late;
  peer.isMute = true;
  const next = session.ask('NEXT?', oneNumber);
  await peer.hears(MARKER, 2);
  peer.isMute = false;
  await clock.advance(500);
  expect(await next).toBe(7);
  expect(peer.calls).toBe(2);
  expect(session.connections).toBe(2);
  expect(peer.heard.filter((message) => message === '*IDN?')).toHaveLength(2);
});

test('an instrument that does not know the marker is refused at the call', async () => {
  const { peer, session, clock } = await benchOf();
  peer.isInStep = false;
  const called = codesOf(session.open());
  await peer.hears(MARKER);
  await clock.advance(500);
  expect(await called).toEqual(['link/silent']);
});

test('another instrument behind the same address is link/identity, and nothing more is sent', async () => {
  const { peer, session } = await benchOf();
  await session.open();
  peer.identity = 'SIMULATED,Test,2,1.0';
  peer.hangUp();
  await turns();
  const [problem] = await problemsOf(session.ask('A?', oneNumber));
  expect(problem?.code).toBe('link/identity');
  expect(problem?.what).toContain('SIMULATED,Test,2,1.0');
  expect(problem?.what).toContain('SIMULATED,Test,1,1.0');
  expect(await codesOf(session.act(['OUTP ON']))).toEqual(['link/identity']);
  expect(peer.heard).not.toContain('A?');
  expect(peer.heard).not.toContain('OUTP ON');
});

test('hanging up while a reply is waited for is link/closed; the next request calls again', async () => {
  const { peer, session } = await benchOf((message) => (message === 'A?' ? '3' : undefined));
  await session.open();
  const asked = codesOf(session.ask('GONE?', oneNumber));
  await peer.hears('GONE?');
  peer.hangUp();
  expect(await asked).toEqual(['link/closed']);
  expect(await session.ask('A?', oneNumber)).toBe(3);
  expect(peer.calls).toBe(2);
});

test('garbage is link/garbled and ends the connection; the next request is answered', async () => {
  const { peer, session } = await benchOf((message) => {
    if (message === 'A?') return Uint8Array.of(1, 2, 3, 0, 255);
    return message === 'B?' ? '4' : undefined;
  });
  await session.open();
  expect(await codesOf(session.ask('A?', oneNumber))).toEqual(['link/garbled']);
  expect(await session.ask('B?', oneNumber)).toBe(4);
  expect(peer.calls).toBe(2);
});

test('a reply of another form is link/garbled, and the replies are put in step before the next', async () => {
  const { peer, session } = await benchOf((message) => {
    if (message === 'A?') return '1,5';
    if (message === 'C?') return '1;2';
    return message === 'B?' ? '4' : undefined;
  });
  await session.open();
  const before = peer.heard.filter((message) => message.startsWith(MARKER)).length;
  expect(await codesOf(session.ask('A?', oneNumber))).toEqual(['link/garbled']);
  expect(await session.ask('B?', oneNumber)).toBe(4);
  expect(await codesOf(session.ask('C?', texts))).toEqual(['link/garbled']);
  expect(await session.ask('B?', oneNumber)).toBe(4);
  expect(peer.heard.filter((message) => message.startsWith(MARKER))).toHaveLength(before + 2);
  expect(peer.calls).toBe(1);
});

test('a reply that nobody asked for is not taken for the next one', async () => {
  const { peer, session } = await benchOf((message) => (message === 'B?' ? '4' : undefined));
  await session.open();
  peer.send('99\n');
  await turns();
  expect(await session.ask('B?', oneNumber)).toBe(4);
});

test('two replies to one question: the second is not taken for the next one', async () => {
  const { session } = await benchOf((message) => {
    if (message === 'A?') return '1\n99';
    return message === 'B?' ? '4' : undefined;
  });
  await session.open();
  expect(await session.ask('A?', oneNumber)).toBe(1);
  expect(await session.ask('B?', oneNumber)).toBe(4);
});

test('after 1000 replies to nothing it hangs up', async () => {
  const { peer, session } = await benchOf();
  await session.open();
  peer.send('0\n'.repeat(1001));
  await turns(200);
  await session.ask('SYST:ERR?', texts);
  expect(peer.calls).toBe(2);
});

test('every error of the queue refuses an act, and −350, −410, −420 say what they mean', async () => {
  const { peer, session } = await benchOf();
  await session.open();
  peer.errors = [
    '-222,"Data out of range"',
    '-350,"Queue overflow"',
    '-410,"Query INTERRUPTED"',
    '-420,"Query UNTERMINATED"',
  ];
  const problems = await problemsOf(session.act(['OUTP:LIM 99']));
  expect(problems.map(({ code }) => code)).toEqual(Array(4).fill('link/refused'));
  expect(problems[0]?.what).toBe(
    'The link "gen" answers "OUTP:LIM 99" with -222 "Data out of range".',
  );
  expect(problems[1]?.what).toContain('errors are lost');
  expect(problems[2]?.what).toContain('dropped a reply');
  expect(problems[3]?.what).toContain('without a whole question');
  await session.act(['OUTP:LIM 1']);
});

test('a queue that never ends is read 32 times', async () => {
  const { peer, session } = await benchOf();
  await session.open();
  peer.errors = Array.from({ length: 100 }, (_, i) => `-222,"number ${i}"`);
  const problems = await problemsOf(session.act(['X']));
  expect(problems).toHaveLength(33);
  expect(problems.at(-1)?.what).toContain('more than 32 errors');
  expect(peer.errors).toHaveLength(68);
});

test('what is told goes out while a reply is waited for', async () => {
  const { peer, session } = await benchOf((message, self) => {
    if (message === 'FEED') self.send('5\n'); // only now the question is answered
    return undefined;
  });
  await session.open();
  const asked = session.ask('SLOW?', oneNumber);
  await peer.hears('SLOW?');
  session.tell('FEED');
  expect(await asked).toBe(5);
});

test('nothing is told within a block that is being sent', async () => {
  const { peer, session } = await benchOf();
  await session.open();
  const block = Buffer.from(`#6100000${'x'.repeat(100_000)}`);
  const sent = session.act([{ head: 'DATA ', block }]);
  let feeds = 0;
  const feeding = setInterval(() => {
    session.tell('FEED');
    feeds += 1;
  }, 0);
  await sent;
  clearInterval(feeding);
  session.tell('FEED');
  await peer.hears('FEED');
  expect(peer.heard).toContain(`DATA ${block.toString()}`);
  expect(feeds).toBeGreaterThan(0);
});

test('telling is quiet when nobody is connected', async () => {
  const { peer, session } = await benchOf();
  session.tell('FEED');
  await session.open();
  peer.hangUp();
  await turns();
  session.tell('FEED');
  await session.close();
  session.tell('FEED');
  await turns();
  expect(peer.heard).not.toContain('FEED');
});

test('what is urgent goes ahead of a question that is waited for', async () => {
  const { peer, session, clock } = await benchOf();
  await session.open();
  const asked = codesOf(session.ask('SLOW?', oneNumber));
  await peer.hears('SLOW?');
  await session.urge(['OUTP OFF']);
  await peer.hears('OUTP OFF');
  await clock.advance(PATIENT);
  expect(await asked).toEqual(['link/silent']);
});

test('after it was let go, every request is link/closed and nobody is called', async () => {
  const { peer, session } = await benchOf();
  await session.open();
  await session.close();
  expect(await codesOf(session.ask('A?', oneNumber))).toEqual(['link/closed']);
  expect(peer.calls).toBe(1);
});

test('letting go ends a question that is waited for', async () => {
  const { peer, session } = await benchOf();
  await session.open();
  const asked = codesOf(session.ask('SLOW?', oneNumber));
  await peer.hears('SLOW?');
  await session.close();
  expect(await asked).toEqual(['link/closed']);
});

test('a peer that floods while it is put in step ends in a problem at a deadline', async () => {
  const { session, clock } = await benchOf((message, self) => {
    if (message.startsWith(MARKER)) self.send('1;2\n'.repeat(500));
    return message.startsWith(MARKER) ? '9' : undefined;
  });
  expect(await codesOf(pumped(clock, session.open()))).toEqual(['link/silent']);
});
