import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { readFileSync, writeFileSync } from 'node:fs';
import { connect } from 'node:net';
import { join } from 'node:path';
import type { Readable } from 'node:stream';
import { fileURLToPath } from 'node:url';
import { expect, onTestFinished, test } from 'vitest';
import { type Frame, FrameDecoder, FrameEncoder } from '../../src/link/wire-frame.js';
import { temporaryFolder } from '../support/folder.js';
import { wireText } from '../support/linked-station.js';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));
type Message = Readonly<Record<string, unknown>>;

interface Started {
  readonly child: ChildProcess & {
    readonly stdin: NodeJS.WritableStream;
    readonly stdout: Readable;
    readonly stderr: Readable;
  };
  readonly folder: string;
  readonly journal: () => readonly Message[];
}

/** Starts the program on a bench with one link that has every role. */
function emulating(args: readonly string[], bench = wireText('tcp: "127.0.0.1:5055"')): Started {
  const folder = temporaryFolder();
  const [file, journal] = [join(folder, 'tw-2.yaml'), join(folder, 'journal')];
  writeFileSync(file, bench);
  const command = ['--import', 'tsx', 'src/cli/main.ts', 'emulate', file, '--journal', journal];
  const child = spawn(process.execPath, [...command, ...args], { cwd: ROOT });
  onTestFinished(() => void child.kill('SIGKILL'));
  const lines = (): readonly Message[] =>
    readFileSync(journal, 'utf8')
      .split('\n')
      .filter((line) => line !== '')
      .map((line) => JSON.parse(line) as Message);
  return { child, folder, journal: lines };
}

async function lineOf(stream: Readable): Promise<string> {
  let text = '';
  for await (const chunk of stream.iterator({ destroyOnReturn: false }) as AsyncIterable<Buffer>) {
    text += chunk.toString();
    if (text.includes('\n')) break;
  }
  return text.trim();
}

async function exitOf(child: ChildProcess): Promise<number | null> {
  if (child.exitCode === null) await once(child, 'exit');
  return child.exitCode;
}

/** Speaks to an adapter, one request after another. */
class Caller {
  private readonly encoder = new FrameEncoder();
  private readonly messages: Message[] = [];
  private told: () => void = () => undefined;
  readonly decoder = new FrameDecoder((frame) => {
    this.hear(frame);
  });
  private id = 0;

  constructor(
    private readonly to: NodeJS.WritableStream,
    from: Readable,
  ) {
    from.on('data', (chunk: Buffer) => {
      this.decoder.push(chunk);
      this.told();
    });
  }

  async ask(act: string, members: Message = {}): Promise<Message> {
    this.id += 1;
    const id = this.id;
    this.to.write(this.frame({ id, do: act, ...members }));
    return this.until(({ re }) => re === id);
  }

  frame(message: Message): Uint8Array {
    return this.encoder.next('control', Buffer.from(JSON.stringify(message)));
  }

  async until(is: (message: Message) => boolean): Promise<Message> {
    for (;;) {
      const found = this.messages.find(is);
      if (found !== undefined) return found;
      await new Promise<void>((resolve) => (this.told = resolve));
    }
  }

  async energize(): Promise<void> {
    await this.ask('hello', { protocol: [1], runner: 'stallmark' });
    await this.ask('limit', { ceiling_Nm: 1, deadMan_s: 0.05 });
    expect(await this.ask('energize')).toMatchObject({ ok: true });
  }

  private hear({ kind, payload }: Frame): void {
    if (kind === 'control') {
      this.messages.push(JSON.parse(Buffer.from(payload).toString()) as Message);
    }
  }
}

const offs = (journal: readonly Message[]): readonly unknown[] =>
  journal.filter(({ what }) => what === 'off').map(({ reason }) => reason);

test('on standard output comes nothing but protocol; the end of input takes power off, tells it, and exits 0', async () => {
  const { child, journal } = emulating(['--stdio', 'stand']);
  const ready: unknown = JSON.parse(await lineOf(child.stderr));
  expect(ready).toEqual({ ready: true, pid: child.pid, links: { stand: 'stdio' } });
  const caller = new Caller(child.stdin, child.stdout);
  await caller.energize();
  child.stdin.end();
  expect(await caller.until(({ event }) => event === 'off')).toBeDefined();
  expect(await exitOf(child)).toBe(0);
  expect(caller.decoder.fault).toBeUndefined();
  expect(offs(journal())[0]).toBe(
    'end of file on standard input and output: the other end hung up',
  );
});

test('the end of input is heeded while nobody reads 200,000 samples', async () => {
  const { child, journal } = emulating(['--stdio', 'stand', '--pace', 'patient']);
  await lineOf(child.stderr);
  const caller = new Caller(child.stdin, child.stdout);
  await caller.ask('hello', { protocol: [1], runner: 'stallmark' });
  await caller.ask('arm', { samples: 200_000, rate_Hz: 20_000, on: 'now' });
  child.stdout.pause();
  child.stdin.end();
  expect(await exitOf(child)).toBe(0);
  const closed = journal().find(({ what }) => what === 'closed');
  expect(closed?.['reason']).toBe('the other end hung up');
});

test('an interruption takes power off before the program ends', async () => {
  const { child, journal } = emulating(['--at', 'stand=127.0.0.1:0', '--pace', 'patient']);
  const ready = JSON.parse(await lineOf(child.stdout)) as { links: { stand: string } };
  const socket = connect(Number(ready.links.stand.split(':')[1]), '127.0.0.1');
  onTestFinished(() => void socket.destroy());
  const caller = new Caller(socket, socket);
  await caller.energize();
  child.kill('SIGTERM');
  expect(await caller.until(({ event }) => event === 'off')).toBeDefined();
  expect(await exitOf(child)).toBe(0);
  expect(offs(journal())[0]).toBe('SIGTERM');
});

test.each<[string, readonly string[], string | undefined]>([
  ['a bench without links', [], readFileSync('procedures/benches/tw-1.yaml', 'utf8')],
  ['a link that is not there', ['--stdio', 'camera'], undefined],
  ['a nasty spec that is none', ['--nasty', 'stand:slow'], undefined],
  ['a fault that is not there', ['--fault', 'gremlins'], undefined],
  ['an attempt that is no number', ['--attempt', 'first'], undefined],
])('%s is refused as usage with an order, and nothing is served', async (_, args, bench) => {
  const { child } = emulating(args, bench);
  const text = lineOf(child.stderr);
  expect(await exitOf(child)).toBe(64);
  expect(await text).toContain('usage/argument');
});
