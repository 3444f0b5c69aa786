import type { Terminal } from './terminal.js';

/** Does work that Ctrl-C, or the end of the terminal, stops: the signal brings torque to zero. */
export async function stoppable<T>(
  to: Terminal,
  work: (stop: AbortSignal) => Promise<T>,
): Promise<T> {
  const stop = new AbortController();
  const interrupt = (): void => {
    to.err('Stopping: torque to zero, then power off.');
    stop.abort();
  };
  process.on('SIGINT', interrupt);
  process.on('SIGTERM', interrupt);
  try {
    return await work(stop.signal);
  } finally {
    process.off('SIGINT', interrupt);
    process.off('SIGTERM', interrupt);
  }
}
