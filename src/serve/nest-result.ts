import type { Certificate } from '../certificate/certificate.js';
import { badness, gateWords, measuredWords, rowWords } from '../certificate/words.js';
import type { Result } from '../decision/decision.js';
import type { ResultView } from './nest-view.js';

/** Causes told to the operator; the certificate has all of them. */
const MOST_CAUSES = 8;

/** A verdict as the operator needs it. */
export function resultView(certificate: Certificate): ResultView {
  const { serial, number, attempt, issued, decision } = certificate;
  const closed = decision.gates.filter((gate) => !gate.holds);
  const rows = decision.results.filter(({ verdict }) => verdict.outcome !== 'conforming');
  const causes = [...closed.map(gateCause), ...[...rows].sort(worstFirst).map(rowCause)];
  const blames = decision.itemFault === undefined ? closed[0]?.blames : 'item';
  return {
    ...{ serial, number, attempt, issued },
    word: decision.verdict.word,
    reason: decision.reason,
    ...(blames === undefined ? {} : { blames }),
    stages: [...new Set(causes.map(({ stage }) => stage))],
    causes: causes.slice(0, MOST_CAUSES),
  };
}

type Cause = ResultView['causes'][number];

const worstFirst = (a: Result, b: Result): number => badness(b) - badness(a);

function gateCause(gate: Certificate['decision']['gates'][number]): Cause {
  const { found, allowed } = gateWords(gate);
  return { stage: gate.scope === 'run' ? '' : gate.scope, label: gate.name, found, allowed };
}

function rowCause(result: Result): Cause {
  const words = rowWords(result);
  const found = result.outcome.kind === 'measured' ? measuredWords(words) : result.outcome.reason;
  return { stage: result.limit.stage, label: result.name, found, allowed: words.allowed };
}
