import type { JSX } from 'preact';
import type { Problem } from '../../base/error.js';
import type { Words } from '../words/words.js';
import { problemKind } from './problem-kind.js';

/** Most problems that are shown at once; the number of the others is told. */
const MOST = 4;

/**
 * Tells why something was refused: what it means and what to do in the person's language, and below it
 * what exactly was found, as it stands in the record.
 */
export function ProblemList({
  problems,
  words,
}: {
  readonly problems: readonly Problem[];
  readonly words: Words;
}): JSX.Element {
  const more = problems.length - MOST;
  return (
    <ul tabIndex={0} class={`problems ${problems.length > 1 ? 'many' : ''}`}>
      {problems.slice(0, MOST).map((problem, index) => (
        <li key={`${problem.code}-${index}`}>
          <h2>{words.problems[problemKind(problem.code)].what}</h2>
          <p class="do">{words.problems[problemKind(problem.code)].do}</p>
          <p class="detail">
            <span>{words.scan.detail}: </span>
            <span lang="en">
              {problem.what} {problem.fix} <code>{problem.code}</code>
            </span>
          </p>
        </li>
      ))}
      {more > 0 && <li class="more">+ {more}</li>}
    </ul>
  );
}
