import type { AttemptProgress } from '../run/attempt.js';
import type { Terminal } from './terminal.js';

/** Prints what goes on during an attempt, one line per thing a person may want to know. */
export function showProgress(progress: AttemptProgress, to: Terminal): void {
  switch (progress.kind) {
    case 'recovered':
      for (const sentence of progress.sentences) to.err(`! ${sentence}`);
      return;
    case 'ready': {
      const notable = progress.checks.filter((c) => c.state !== 'ok');
      const ok = progress.checks.length - notable.length;
      to.err(`Ready: ${ok} of ${progress.checks.length} checks ok.`);
      for (const c of notable) to.err(`  ${c.name} ${c.state}: ${c.found} (${c.clear})`);
      return;
    }
    case 'chosen': {
      const { procedure, limits } = progress.documents;
      const documents = `${procedure.title}, issue ${procedure.issue}; limits ${limits.id} issue ${limits.issue}`;
      to.err(`${documents}; attempt ${progress.attempt} of ${progress.attemptsAllowed}.`);
      return;
    }
    case 'sample':
      to.err(`Sample item: ${progress.words}.`);
      return;
    case 'permitted':
      for (const a of progress.acknowledgements) {
        to.err(`Acknowledged: ${a.hazard}, by ${a.by}, ${a.means}.`);
      }
      to.err(`Attempt ${progress.attempt}, record ${progress.number}.`);
      return;
    case 'stage':
      to.err(
        `${String(progress.index + 1).padStart(4)}/${progress.of}  ${progress.stage.id.padEnd(16)}${progress.stage.title}`,
      );
      return;
    case 'power':
      to.err(progress.on ? '■ ENERGIZED — keep hands clear' : '□ DE-ENERGIZED');
      return;
    case 'scored': {
      const broken = progress.outcome.gates.filter((g) => !g.holds);
      for (const gate of broken) to.err(`      ${gate.name} does not hold: ${gate.evidence}`);
      return;
    }
  }
}
