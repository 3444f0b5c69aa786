import { spawn, type ChildProcess } from 'node:child_process';
import { fileURLToPath } from 'node:url';

const MAIN = fileURLToPath(new URL('../../dist/cli/main.js', import.meta.url));

/** What a finished program left behind. */
export interface Ended {
  readonly status: number | null;
  readonly signal: NodeJS.Signals | null;
  readonly out: string;
  readonly err: string;
}

/** The built program, running. */
export interface Running {
  readonly child: ChildProcess;
  /** Resolves once standard error or output contains the text; rejects when the program ends before. */
  readonly says: (text: string) => Promise<void>;
  readonly ended: Promise<Ended>;
}

/**
 * Starts the built program as a user would, with nobody at its terminal.
 *
 * @param fileLimit - Greatest file it may write, in blocks of 1 024 bytes; the system enforces it.
 */
export function start(
  args: readonly string[],
  environment: NodeJS.ProcessEnv = {},
  fileLimit?: number,
): Running {
  const command = [process.execPath, MAIN, ...args];
  const limited = ['bash', '-c', `ulimit -f ${String(fileLimit)} && exec "$@"`, '-', ...command];
  const [program = '', ...rest] = fileLimit === undefined ? command : limited;
  const child = spawn(program, rest, {
    env: { ...process.env, NO_COLOR: '1', ...environment },
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  let out = '';
  let err = '';
  const waiting = new Set<() => void>();
  const heard = (): void => {
    for (const look of waiting) look();
  };
  child.stdout.on('data', (bytes: Buffer) => {
    out += bytes.toString();
    heard();
  });
  child.stderr.on('data', (bytes: Buffer) => {
    err += bytes.toString();
    heard();
  });
  const ended = new Promise<Ended>((resolve, reject) => {
    child.on('error', reject);
    child.on('close', (status, signal) => {
      resolve({ status, signal, out, err });
    });
  });
  const says = (text: string): Promise<void> =>
    new Promise((resolve, reject) => {
      const look = (): void => {
        if (!`${err}${out}`.includes(text)) return;
        waiting.delete(look);
        resolve();
      };
      waiting.add(look);
      look();
      void ended.then(() => {
        if (waiting.has(look)) reject(new Error(`ended without saying "${text}":\n${err}${out}`));
      });
    });
  return { child, says, ended };
}

/** Runs the built program to its end. */
export function stallmark(
  args: readonly string[],
  environment: NodeJS.ProcessEnv = {},
  fileLimit?: number,
): Promise<Ended> {
  return start(args, environment, fileLimit).ended;
}
