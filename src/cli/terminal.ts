import { StallmarkError } from '../base/error.js';

/** Where a command writes. Results go to standard output, everything about the way there to standard error. */
export interface Terminal {
  out(text: string): void;
  err(text: string): void;
  /** Columns of the window; 140 when it is not a window. */
  readonly width: number;
  readonly isInteractive: boolean;
  /** Asks a person and returns the line typed, without its end. Refuses when nobody can answer. */
  ask(question: string): Promise<string>;
}

/** The terminal this process was started from. */
export function processTerminal(): Terminal {
  const isInteractive = process.stdin.isTTY && process.stderr.isTTY;
  return {
    out: (text) => void process.stdout.write(`${text}\n`),
    err: (text) => void process.stderr.write(`${text}\n`),
    width: process.stdout.columns || 140,
    isInteractive,
    ask: isInteractive ? askPerson : refuse,
  };
}

async function askPerson(question: string): Promise<string> {
  const { createInterface } = await import('node:readline/promises');
  const lines = createInterface({ input: process.stdin, output: process.stderr });
  const away = new Promise<never>((_, reject) => {
    const leave = (): void => {
      const what = 'The question was left unanswered; nothing was energized for it.';
      const fix = 'Begin again when ready.';
      reject(new StallmarkError([{ code: 'run/stopped', what, fix }]));
    };
    lines.once('SIGINT', leave);
    lines.once('close', leave); // also the end of input: Ctrl-D, or a terminal that is gone
  });
  try {
    return await Promise.race([lines.question(question), away]);
  } finally {
    lines.close();
  }
}

function refuse(question: string): Promise<string> {
  const what = `Nobody can answer "${question.trim()}": this is not an interactive terminal.`;
  const fix = 'Run the command in a terminal, or on a simulated bench give --acknowledge.';
  return Promise.reject(new StallmarkError([{ code: 'usage/argument', what, fix }]));
}
