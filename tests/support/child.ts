import { spawn, type ChildProcessWithoutNullStreams } from 'node:child_process';
import { once } from 'node:events';
import { fileURLToPath } from 'node:url';

const root = fileURLToPath(new URL('../..', import.meta.url));

/** How a program ended. */
export interface Ended {
  readonly status: number | null;
  readonly signal: NodeJS.Signals | null;
  readonly stderr: string;
}

/** Starts a program of tests/support in a process of its own. */
export function startChild(
  program: string,
  args: readonly string[],
): ChildProcessWithoutNullStreams {
  const script = fileURLToPath(new URL(program, import.meta.url));
  return spawn(process.execPath, ['--import', 'tsx', script, ...args], { cwd: root });
}

/** Waits until a started program has ended. */
export async function endOf(child: ChildProcessWithoutNullStreams): Promise<Ended> {
  const errors: Buffer[] = [];
  child.stderr.on('data', (piece: Buffer) => errors.push(piece));
  child.stdout.resume();
  await once(child, 'close');
  const stderr = Buffer.concat(errors).toString();
  return { status: child.exitCode, signal: child.signalCode, stderr };
}
