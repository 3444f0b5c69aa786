import type { Problem } from '../base/error.js';
import type { Warning } from './procedure.js';

/**
 * Names every warning that has no text in a language: nobody is asked to acknowledge what they cannot
 * read, so nothing starts then.
 *
 * @param language - Language tag, e.g. "pl".
 */
export function languageProblems(
  warnings: readonly Warning[],
  language: string,
): readonly Problem[] {
  return warnings
    .filter(({ texts }) => !texts.has(language))
    .map(({ hazard, texts }) => ({
      code: 'procedure/warning',
      what: `The warning "${hazard}" has no text in language "${language}".`,
      fix: `Give one of: ${[...texts.keys()].join(', ')}; or add the text to the procedure.`,
    }));
}
