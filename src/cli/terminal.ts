import { StallmarkError } from '../base/error.js';

/** Where a command writes. Results go to standard output, everything about the way there to standard error. */
export interface Terminal {
  out(text: string): void;
  err(text: string): void;
  /** Columns of the window; 100 when it is not a window. */
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
    width: process.stdout.columns || 100,
    isInteractive,
    ask: isInteractive ? askPerson : refuse,
  };
}

async function askPerson(question: string): Promise<string> {
  const { createInterface } = await import('node:readline/promises');
  const lines = createInterface({ input: process.stdin, output: process.stderr });
  try {
    return await lines.question(question);
  } finally {
    lines.close();
  }
}

function refuse(question: string): Promise<string> {
  const what = `Nobody can answer "${question.trim()}": this is not an interactive terminal.`;
  const fix = 'Run the command in a terminal, or on a simulated bench give --acknowledge.';
  return Promise.reject(new StallmarkError([{ code: 'usage/argument', what, fix }]));
}
