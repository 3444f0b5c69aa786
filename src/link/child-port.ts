import { spawn, type ChildProcessByStdio } from 'node:child_process';
import type { Readable, Writable } from 'node:stream';
import { systemClock, type Clock } from '../base/clock.js';
import { StallmarkError } from '../base/error.js';
import type { NonEmpty } from '../base/numbers.js';
import { plainText } from './message-reader.js';
import { OPEN_DEADLINE, type Port } from './port.js';
import { StreamPort } from './stream-port.js';

/** ms that a program gets to end by itself after its input ended. */
export const END_DEADLINE = 500;
/** ms after its end in which the rest of what it wrote is waited for. */
const REST_DEADLINE = 100;
/** Characters of a line, lines kept for the reason, and lines handed on of one program, at most. */
const MOST_CHARACTERS = 400;
const LAST_LINES = 5;
const MOST_LINES = 1000;

type Child = ChildProcessByStdio<Writable, Readable, Readable>;

/**
 * Starts a program and speaks with it over its standard input and output. No shell comes between. It
 * is in a group of its own, so that Ctrl-C at the terminal reaches this program alone, which then
 * brings the torque down in order.
 *
 * @param log - Told each line that the program writes to its standard error.
 * @throws link/unreachable
 */
export async function openChildPort(
  command: NonEmpty<string>,
  clock: Clock = systemClock,
  log: (line: string) => void = () => undefined,
): Promise<Port> {
  const child = await started(command, clock);
  const name = `program ${command[0]}`;
  const lines = new LineKeeper(log);
  child.stderr.on('data', (chunk: Uint8Array) => {
    lines.push(chunk);
  });
  child.stderr.on('error', () => undefined); // nothing more to log
  const isGone = (): boolean => child.exitCode !== null || child.signalCode !== null;
  const gone = isGone() ? Promise.resolve() : toldOf(child, 'exit');
  const whole = toldOf(child, 'close');
  const ended = gone.then(() => Promise.race([whole, clock.wait(REST_DEADLINE)]));
  const reason = async (how: string): Promise<string> => {
    await Promise.race([ended, clock.wait(END_DEADLINE)]);
    return `${endOf(child) ?? how}${lines.lastWords}`;
  };
  const release = async (): Promise<void> => {
    child.stdin.end();
    await Promise.race([gone, clock.wait(END_DEADLINE)]);
    if (!isGone()) {
      kill(child);
      await Promise.race([gone, clock.wait(END_DEADLINE)]);
    }
    for (const stream of [child.stdin, child.stdout, child.stderr]) stream.destroy();
  };
  const { stdout: input, stdin: output } = child;
  const port = new StreamPort({ name, tellsEnd: true, input, output, reason, release }, clock);
  // What the program started may hold its output open after it has gone.
  void ended.then(() => {
    port.hungUp('it ended');
  });
  return port;
}

async function started([program, ...args]: NonEmpty<string>, clock: Clock): Promise<Child> {
  let child: Child;
  try {
    child = spawn(program, args, { stdio: ['pipe', 'pipe', 'pipe'], detached: true });
  } catch (cause) {
    throw refusal(program, cause);
  }
  await new Promise<void>((resolve, reject) => {
    child.once('spawn', resolve);
    child.on('error', (error) => {
      reject(refusal(program, error));
    });
    void clock.wait(OPEN_DEADLINE).then(() => {
      const what = `The program ${program} did not start within ${OPEN_DEADLINE} ms.`;
      reject(unreachable(what, 'See what keeps this computer busy.'));
    });
  });
  return child;
}

function refusal(program: string, cause: unknown): StallmarkError {
  const code = cause instanceof Error && 'code' in cause ? cause.code : undefined;
  if (code === 'ENOENT') {
    const fix = 'Install it, or correct command: name the program first, then each argument.';
    return unreachable(`There is no program ${program}.`, fix);
  }
  if (code === 'EACCES' || code === 'EPERM') {
    return unreachable(`The program ${program} may not be run.`, 'Give it leave to be executed.');
  }
  const why = cause instanceof Error ? cause.message : String(cause);
  return unreachable(`The program ${program} cannot be started: ${why}.`, 'Correct command.');
}

/** Ends a program that does not end by itself, and what it started. */
function kill(child: Child): void {
  try {
    if (child.pid !== undefined) process.kill(-child.pid, 'SIGKILL');
  } catch {
    child.kill('SIGKILL'); // it left its group, or is gone already
  }
}

/** Unlike `once` of node:events, an error of the process does not break the waiting. */
function toldOf(child: Child, event: 'exit' | 'close'): Promise<void> {
  return new Promise((resolve) => {
    child.once(event, () => {
      resolve();
    });
  });
}

function endOf({ exitCode, signalCode }: Child): string | undefined {
  if (exitCode !== null) return `it ended with status ${exitCode}`;
  return signalCode === null ? undefined : `it was ended by ${signalCode}`;
}

/** Takes text apart into lines, hands them on and keeps the last; long lines are cut. */
class LineKeeper {
  private readonly decoder = new TextDecoder();
  private readonly last: string[] = [];
  private open = '';
  private told = 0;

  constructor(private readonly log: (line: string) => void) {}

  push(chunk: Uint8Array): void {
    const [rest = '', ...more] = this.decoder.decode(chunk, { stream: true }).split('\n');
    this.add(rest);
    for (const line of more) {
      this.complete();
      this.add(line);
    }
  }

  /** The last lines, to stand after a clause. */
  get lastWords(): string {
    const lines = [...this.last, plainText(this.open, MOST_CHARACTERS)].filter((l) => l !== '');
    return lines.length === 0
      ? ''
      : `; its last words were: ${lines.slice(-LAST_LINES).join(' / ')}`;
  }

  private add(text: string): void {
    this.open += text.slice(0, MOST_CHARACTERS + 1 - this.open.length);
  }

  private complete(): void {
    const line = plainText(this.open, MOST_CHARACTERS);
    this.open = '';
    if (line === '') return;
    this.last.push(line);
    if (this.last.length > LAST_LINES) this.last.shift();
    this.told += 1;
    if (this.told < MOST_LINES) this.log(line);
    else if (this.told === MOST_LINES) this.log(`${MOST_LINES} lines are logged, the rest is not`);
  }
}

function unreachable(what: string, fix: string): StallmarkError {
  return new StallmarkError([{ code: 'link/unreachable', what, fix }]);
}
