import { createInterface } from 'node:readline';
import { Writable, type Readable } from 'node:stream';
import { StallmarkError } from '../base/error.js';
import type { Terminal } from './terminal.js';

/** Asks for one secret; the variable of the environment answers when it is set. */
export type AskSecret = (question: string, variable: string) => Promise<string>;

/**
 * Makes what asks for secrets: a variable of the environment, a person at the terminal who does not
 * see what is typed, or else the next line of standard input.
 */
export function secretAsker(
  to: Terminal,
  input: Readable = process.stdin,
  environment: NodeJS.ProcessEnv = process.env,
): AskSecret {
  let lines: AsyncIterator<string> | undefined;
  return async (question, variable) => {
    const given = environment[variable];
    if (given !== undefined && given !== '') return given;
    if (to.isInteractive) return askUnseen(question, to, input);
    lines ??= createInterface({ input })[Symbol.asyncIterator]();
    const line = await lines.next();
    if (line.done !== true) return line.value;
    const what = `Nobody can answer "${question.trim()}": this is not an interactive terminal.`;
    const fix = `Run the command in a terminal, or give the secret in ${variable} or on standard input.`;
    throw new StallmarkError([{ code: 'usage/argument', what, fix }]);
  };
}

/** The terminal shows only what its owner writes back, and nobody writes back here. */
function askUnseen(question: string, to: Terminal, input: Readable): Promise<string> {
  const nowhere = new Writable({
    write: (_, __, done) => {
      done();
    },
  });
  const lines = createInterface({ input, output: nowhere, terminal: true });
  to.err(question.trimEnd());
  return new Promise<string>((resolve, reject) => {
    const leave = (): void => {
      const what = 'The question was left unanswered.';
      reject(new StallmarkError([{ code: 'run/stopped', what, fix: 'Begin again when ready.' }]));
    };
    lines.once('SIGINT', leave);
    lines.once('close', leave);
    lines.once('line', resolve);
  }).finally(() => {
    lines.close();
  });
}
