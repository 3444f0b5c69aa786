import { systemClock } from '../base/clock.js';
import { StallmarkError, throwIfAny } from '../base/error.js';
import type { Acknowledgement, Task } from '../bench/permit.js';
import type { Warning } from '../procedure/procedure.js';
import { languageProblems } from '../procedure/warning-language.js';
import { warningPanel } from './panel.js';
import type { Terminal } from './terminal.js';

/** In which language warnings are shown, and what the command line answers for a simulated bench. */
export interface AnswerOptions {
  readonly language: string;
  readonly acknowledge: readonly string[];
}

/** Who answers as well. */
export interface Answering extends AnswerOptions {
  readonly operator: string;
}

/**
 * Shows a warning and takes the reply. On a simulated bench the command line may answer; a person
 * types the hazard in words, which no scanner and no bare Enter does.
 */
export async function answerTo(
  warning: Warning,
  task: Task,
  options: Answering,
  to: Terminal,
): Promise<Acknowledgement> {
  const { hazard } = warning;
  const { language } = options;
  throwIfAny(languageProblems([warning], language));
  to.err(warningPanel(warning, language));
  const reply = (means: Acknowledgement['means']): Acknowledgement => ({
    hazard,
    by: options.operator,
    at: systemClock.now(),
    serial: task.serial,
    attempt: task.attempt,
    language,
    textIssue: warning.issue,
    means,
  });
  if (options.acknowledge.includes(hazard)) return reply('command-line option, simulated bench');
  const typed = await to.ask(`Type "${hazard}" when hands are clear and the guard is closed: `);
  if (typed.trim() === hazard) return reply('typed at the terminal');
  const what = `The warning "${hazard}" was answered with "${typed.trim()}".`;
  const fix = `Read it, then type ${hazard}; the bench stays off until then.`;
  throw new StallmarkError([{ code: 'bench/outstanding-warnings', what, fix }]);
}

/** Asks a person to arrange the stand by hand, and waits until it is said to be done. */
export async function arranged(instruction: string, to: Terminal): Promise<void> {
  const typed = await to.ask(`${instruction} Power is off. Type "done" when hands are clear: `);
  if (typed.trim() === 'done') return;
  const what = `"${instruction}" was answered with "${typed.trim()}".`;
  const fix = 'Arrange the stand, then begin again.';
  throw new StallmarkError([{ code: 'run/stopped', what, fix }]);
}
