import { spawnSync } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { afterAll, describe, expect, test } from 'vitest';
import { linkCheck } from '../../src/cli/link-check.js';
import type { NonEmpty } from '../../src/base/numbers.js';
import { AdapterProcess } from '../../src/link/conformance-adapter.js';
import { callAdapter } from '../../src/link/conformance-hello.js';
import { holding, type Playing } from '../../src/link/conformance-power.js';
import { type Conformance, conform, CONFORMANCE_CHECKS } from '../../src/link/conformance.js';
import type { CheckFinding, CheckOutcome } from '../../src/link/conformance-check.js';

const SHIPPED = fileURLToPath(new URL('../../procedures/links/adapter.py', import.meta.url));
const BROKEN = fileURLToPath(new URL('../support/broken-adapter.py', import.meta.url));

/** The interpreter itself: what is found under its name may be a script that looks for it each time. */
const found = spawnSync('python3', ['-c', 'import sys; print(sys.executable)']);
const hasPython = found.status === 0;
const PYTHON = hasPython ? found.stdout.toString().trim() : 'python3';
if (!hasPython && process.env['CI'] === undefined) {
  console.log('skipped: adapters are not held against the protocol, there is no python3 here');
}
const mayRun = hasPython || process.env['CI'] !== undefined;

/** Runs checks against an adapter; power may always be applied. */
function check(adapter: readonly string[], only?: readonly string[]): Promise<Conformance> {
  return conform({
    command: [PYTHON, ...adapter],
    ...(only === undefined ? {} : { only }),
    beforePower: () => Promise.resolve(),
  });
}

const started: AdapterProcess[] = [];
afterAll(() => Promise.all(started.map((adapter) => adapter.dispose())));

/** Brings an adapter to 0.5 N·m and feeds it. */
async function heldBy(command: NonEmpty<string>): Promise<Playing> {
  const start = (): AdapterProcess => {
    const adapter = new AdapterProcess(command);
    started.push(adapter);
    return adapter;
  };
  return holding({ start, hello: await callAdapter(start()), ceiling: 1 }, 150);
}

type WayOut = readonly [
  way: string,
  command: readonly string[],
  act: (adapter: AdapterProcess) => void,
];
const WAYS_OUT: readonly WayOut[] = [
  [
    'SIGTERM',
    [SHIPPED],
    (adapter) => {
      adapter.terminate();
    },
  ],
  ['a device that fails under torque', [BROKEN, 'device-that-fails'], () => undefined],
  [
    'a request without an id',
    [SHIPPED],
    (adapter) => {
      adapter.control({ do: 'status' });
    },
  ],
  [
    'a control frame that is no object',
    [SHIPPED],
    (adapter) => {
      adapter.raw(adapter.frame(1, Buffer.from('[1]')));
    },
  ],
];

const outcomes = (
  findings: readonly CheckFinding[],
): readonly (readonly [string, CheckOutcome])[] =>
  findings.map(({ check: name, outcome }) => [name, outcome]);

/** What is broken, and the check that must find it, with a part of what it must say. */
const BROKEN_VARIANTS: readonly (readonly [variant: string, check: string, says: RegExp])[] = [
  ['no-version', 'hello', /version is \./u],
  ['simulated-in-words', 'hello', /simulated is yes/u],
  ['any-version', 'other-version', /granted with protocol 2/u],
  ['silence-untold', 'abilities', /silence is nothing/u],
  ['rates-untold', 'abilities', /rates_Hz is nothing/u],
  ['wrong-units', 'units', /"torque" is in mN·m, not in N·m/u],
  ['changing-identity', 'identity', /H12-1.*then.*H12-2/u],
  ['humidity-in-percent', 'environment', /humidity is 45, not from 0 to 1/u],
  ['old-lines', 'interlocks', /age_s is 0\.4, not from 0 to 0\.2/u],
  ['slow-lines', 'interlocks', /longest silence was \d{3} ms/u],
  ['rude-end', 'bye', /status 3/u],
  ['lying-read-back', 'limits', /Asked for 1 N·m, it reads back 1000000 N·m/u],
  ['echoes-limits', 'limits', /reads back 1000000 N·m, 10000 s/u],
  ['lying-read-back', 'make-safe-off', /link\/read-back: A ceiling of 1 N·m was set; 1000000/u],
  ['takes-odd-limits', 'odd-limits', /A ceiling of -1 was taken/u],
  ['power-before-limits', 'power-before-limits', /granted before any limit/u],
  ['limits-under-power', 'ceiling-under-power', /2 N·m were taken over 1 N·m/u],
  ['another-peak', 'waveform-read-back', /peak of 0\.31 N·m; read back 152 and 0\.15 N·m/u],
  ['looks-at-positive-torque-only', 'waveform-above-ceiling', /-1\.2 N·m were taken under 1 N·m/u],
  ['starts-nothing', 'out-of-place', /granted start/u],
  ['loses-a-block', 'samples', /Block 8 came where block 7 was due/u],
  ['hides-a-lost-block', 'samples', /of 20000 samples came|Sample \d+ came/u],
  ['ends-too-late', 'samples', /2000\d of 20000 samples came/u],
  ['unsteady-clock', 'samples', /tells 20000 Hz; this computer sees 1[12]\d{3} Hz/u],
  ['wrong-clock', 'samples', /its clock says/u],
  ['takes-odd-takes', 'odd-takes', /"samples":0/u],
  ['wrong-sign', 'torque-follows', /it measured -0\.\d+ and 0\.\d+ N·m/u],
  ['wrong-scale', 'torque-follows', /it measured 0\.6/u],
  ['no-dead-man', 'dead-man', /power is on/u],
  ['naive-heartbeat', 'dead-man', /power is on/u],
  ['any-request-feeds', 'dead-man-other-requests', /power is on|Torque was there/u],
  ['dead-man-that-writes', 'dead-man-unread', /Torque was there \d+ ms later/u],
  ['late-feed-revives', 'late-feed', /Torque was there|power is on/u],
  ['any-feed-counts', 'feed-out-of-order', /power is on|Torque was there/u],
  ['safe-in-words', 'make-safe-off', /answered, and power is still on/u],
  ['slow-ramp', 'make-safe-ramp', /answered after 6\d\d ms/u],
  ['ignores-end-of-file', 'end-of-file', /still ran after 500 ms/u],
  ['last-words-first', 'runner-gone', /still ran after 500 ms/u],
  ['takes-damaged-frames', 'damaged-frame', /still ran after 500 ms/u],
  ['takes-any-first-byte', 'wrong-first-byte', /still ran after 500 ms/u],
  ['takes-any-kind', 'unknown-kind', /still ran after 500 ms/u],
  ['takes-any-sequence', 'skipped-sequence', /still ran after 500 ms/u],
  ['waits-for-what-is-announced', 'oversized-length', /still ran after 500 ms/u],
  ['ends-without-a-word', 'damaged-frame', /without telling that power is off/u],
  ['dies-of-the-unknown', 'unknown-request', /link\/closed: The adapter ended with status 1/u],
  ['trusts-requests', 'random-requests', /link\/closed: .*KeyError|TypeError/u],
];

describe.skipIf(!mayRun)('the conformance suite', () => {
  test('the shipped adapter compiles', () => {
    const compiled = spawnSync(PYTHON, [
      '-c',
      'import sys; compile(open(sys.argv[1], encoding="utf-8").read(), sys.argv[1], "exec")',
      SHIPPED,
    ]);
    expect(compiled.stderr.toString()).toBe('');
    expect(compiled.status).toBe(0);
  });

  test('the shipped adapter conforms in every check, under 1 N·m of 15', async () => {
    const found = await check([SHIPPED]);
    expect(outcomes(found.findings)).toEqual(CONFORMANCE_CHECKS.map(({ name }) => [name, 'ok']));
    expect(found).toMatchObject({ ceiling: 1, conforms: true, hello: { simulated: true } });
  });

  describe.concurrent('finds what is broken', () => {
    for (const [variant, name, says] of BROKEN_VARIANTS) {
      test(`${variant}: ${name} is not ok`, async () => {
        const { findings, conforms } = await check([BROKEN, variant], [name]);
        expect(outcomes(findings)).toEqual([[name, 'not ok']]);
        expect(findings[0]?.found).toMatch(says);
        expect(conforms).toBe(false);
      });
    }

    test('a check that can fail stands behind every name', () => {
      const found = new Set(BROKEN_VARIANTS.map(([, name]) => name));
      const unproven = CONFORMANCE_CHECKS.map(({ name }) => name).filter(
        (name) => !found.has(name),
      );
      expect(unproven).toEqual(['device-dead-man']); // told only; the next test
    });

    test('a device without a dead-man has nothing to check there, and that is told', async () => {
      const names = ['device-dead-man', 'dead-man', 'late-feed'];
      const { findings, conforms } = await check([BROKEN, 'untold-dead-man'], names);
      expect(findings.map(({ outcome }) => outcome)).toEqual(names.map(() => 'not applicable'));
      expect(findings[0]?.found).toMatch(/has none; it may be given a safe-to-touch torque/u);
      expect(conforms).toBe(true);
    });

    for (const [variant, code] of [
      ['writes-text', 'link/garbled'],
      ['wrong-check-sum', 'link/garbled'],
      ['counts-by-two', 'link/gap'],
    ] as const) {
      test(`${variant}: refused with ${code} at the first call`, async () => {
        const checked = check([BROKEN, variant], ['hello', 'bye']).then(
          ({ findings }) => findings.map(({ found }) => found).join(' '),
          (error: unknown) => String(error),
        );
        expect(await checked).toContain(code);
      });
    }

    for (const [way, command, act] of WAYS_OUT) {
      test(`the shipped adapter tells off, then ends within 500 ms after ${way}`, async () => {
        const play = await heldBy([PYTHON, ...command]);
        const { adapter } = play;
        const from = adapter.now();
        act(adapter);
        const exit = await adapter.ends(1000);
        play.stop();
        expect(exit?.status).toBe(1);
        expect((exit?.at ?? Infinity) - from).toBeLessThan(500);
        expect(adapter.event('off')?.message).toMatchObject({ event: 'off' });
      });
    }

    test('a program that is not there is link/unreachable', async () => {
      const nobody = conform({
        command: ['/no/such/adapter'],
        beforePower: () => Promise.resolve(),
      });
      await expect(nobody).rejects.toThrow(/link\/unreachable: "\/no\/such\/adapter"/u);
    });

    test('a program that says nothing is link/silent after 2000 ms', async () => {
      const silent = conform({
        command: [PYTHON, '-c', 'import sys; sys.stdin.read()'],
        beforePower: () => Promise.resolve(),
      });
      await expect(silent).rejects.toThrow(
        /link\/silent: "hello" was not answered within 2000 ms/u,
      );
    });

    test('a stop ends it: no further check is begun', async () => {
      const stop = new AbortController();
      const seen: string[] = [];
      const stopped = conform({
        command: [PYTHON, SHIPPED],
        only: ['hello', 'other-version', 'units'],
        beforePower: () => Promise.resolve(),
        tell: ({ check: name }) => {
          seen.push(name);
          stop.abort();
        },
        stop: stop.signal,
      });
      await expect(stopped).rejects.toThrow(/run\/stopped/u);
      expect(seen).toEqual(['hello']);
    });
  });
});

/** A terminal that keeps what is written, where a person answers with `typed`. */
function fakeTerminal(typed?: string): {
  readonly to: Parameters<typeof linkCheck>[2];
  readonly said: string[];
} {
  const said: string[] = [];
  const keep = (text: string): void => void said.push(text);
  const ask = (question: string): Promise<string> => {
    said.push(question);
    return Promise.resolve(typed ?? '');
  };
  return {
    said,
    to: { out: keep, err: keep, width: 140, isInteractive: typed !== undefined, ask },
  };
}

describe.skipIf(!mayRun).concurrent('link check', () => {
  test('a real device is not energized when another name is typed', async () => {
    const { to, said } = fakeTerminal('y');
    const checked = linkCheck([PYTHON, BROKEN, 'real'], { ceiling: '0.2 N·m' }, to);
    await expect(checked).rejects.toThrow(/bench\/outstanding-warnings: .*answered with "y"/u);
    const text = said.join('\n');
    expect(text).toMatch(/Type "example-torque-unit" when hands are clear/u);
    expect(text).toMatch(/at most 0\.2 N·m/u);
    expect(text).not.toMatch(/power-before-limits/u);
  });

  test('a real device is not energized where nobody can type', async () => {
    const { to, said } = fakeTerminal();
    const checked = linkCheck([PYTHON, BROKEN, 'real'], {}, to);
    await expect(checked).rejects.toThrow(/nobody at a terminal can confirm power/u);
    expect(said[0]).toMatch(/^CAUTION: this check applies power and torque/u);
    expect(said[2]).toMatch(/^CAUTION: neither this program nor an adapter is a safety function/u);
    expect(said.join('\n')).not.toMatch(/power-before-limits/u);
  });

  test('no adapter and an odd ceiling are usage errors', async () => {
    const { to, said } = fakeTerminal();
    await expect(linkCheck([], {}, to)).rejects.toThrow(/usage\/argument/u);
    await expect(linkCheck(['true'], { ceiling: '3 V' }, to)).rejects.toThrow(
      /"3 V" is no torque/u,
    );
    await expect(linkCheck(['true'], { ceiling: '0 N·m' }, to)).rejects.toThrow(
      /no torque above 0/u,
    );
    expect(said).toEqual([]);
  });
});
