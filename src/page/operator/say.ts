import { unreachable } from '../../base/error.js';
import type { HoldView } from '../../serve/hold.js';
import type { NestView, Phase, ResultView, WarningView } from '../../serve/nest-view.js';
import { fill, type Blamed, type Language, type Words } from '../words/words.js';
import { inOrderOfNeed, isBlocking } from './check-groups.js';

/** Sounds by their meaning. */
export type Cue = 'accept' | 'hold' | 'reject' | 'attention' | 'countdown' | 'power';

/** The one sentence of a moment, and the sound that belongs to it. */
export interface Said {
  readonly sentence: string;
  readonly cue?: Cue;
}

/** Whom the place of a verdict points at, to choose words by. */
export const blamedBy = (result: ResultView): Blamed => result.blames ?? 'nobody';

/** Warnings without a text in a language; with one of them nothing may begin. */
export function untold(
  warnings: readonly WarningView[],
  language: Language,
): readonly WarningView[] {
  return warnings.filter(({ texts }) => texts[language] === undefined);
}

/** Chooses the sentence for what the nest tells: an order of at most eight words. */
export function said(view: NestView, hold: HoldView, words: Words, language: Language): Said {
  const { say } = words;
  const isQuiet = view.phase.kind === 'waiting' || view.phase.kind === 'ended';
  if (hold.hold === 'another' && view.phase.kind === 'waiting') {
    return { sentence: fill(say.another, { name: hold.holder ?? '–' }) };
  }
  if (hold.hold === 'free' && isQuiet) {
    return { sentence: hold.mayHold ? say.take : say.look };
  }
  return saidOf(view, view.phase, words, language);
}

function saidOf(view: NestView, phase: Phase, words: Words, language: Language): Said {
  const { say } = words;
  switch (phase.kind) {
    case 'waiting':
      return waiting(view, phase, words);
    case 'checking':
      return { sentence: say.checking };
    case 'warnings':
      return untold(phase.warnings, language).length > 0
        ? { sentence: say.noText, cue: 'attention' }
        : { sentence: say.warnings, cue: 'attention' };
    case 'start':
      return { sentence: say.start };
    case 'arrange':
      return { sentence: say.arrange, cue: 'attention' };
    case 'countdown':
      return { sentence: say.countdown };
    case 'running':
      return { sentence: view.power !== 'off' ? say.on : say.off };
    case 'deciding':
      return { sentence: view.power !== 'off' ? say.on : say.deciding };
    case 'verdict':
      return verdict(phase.result, words);
    case 'ended':
      return ended(view, phase, words);
    default:
      return unreachable(phase);
  }
}

function waiting(view: NestView, phase: Phase & { kind: 'waiting' }, words: Words): Said {
  if (phase.refused !== undefined) return { sentence: words.say.refused, cue: 'attention' };
  if (view.mayTest || view.checkedAt === 0) return { sentence: words.say.scan };
  const first = inOrderOfNeed(view.checks).find(isBlocking);
  if (first === undefined || first.clear === 'operator') return { sentence: words.say.clear };
  return { sentence: fill(words.say.call, { who: words.roles[first.clear] }) };
}

function verdict(result: ResultView, { next }: Words): Said {
  switch (result.word) {
    case 'ACCEPT':
      return { sentence: next.accept, cue: 'accept' };
    case 'REJECT':
      return { sentence: next.reject, cue: 'reject' };
    case 'HOLD':
      return { sentence: next[`hold-${blamedBy(result)}`], cue: 'hold' };
    default:
      return unreachable(result.word);
  }
}

function ended(view: NestView, { how }: Phase & { kind: 'ended' }, { say }: Words): Said {
  // Whatever ended it: as long as there may be power, nothing else matters.
  if (view.power !== 'off') return { sentence: say.on, cue: 'attention' };
  switch (how) {
    case 'stopped':
      return { sentence: say.stopped, cue: 'attention' };
    case 'page lost':
      return { sentence: say.pageLost, cue: 'attention' };
    case 'refused':
      return { sentence: say.notBegun, cue: 'attention' };
    case 'broken off':
      return { sentence: say.brokenOff, cue: 'attention' };
    default:
      return unreachable(how);
  }
}
