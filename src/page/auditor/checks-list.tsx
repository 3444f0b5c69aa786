import type { JSX } from 'preact';
import type { Check, FileFacts, RecordView } from '../../serve/auditor-views.js';
import { digestText, grouped } from './told.js';

/** Groups of checks: how their names begin, what they are about, and the file that is the evidence. */
const GROUPS: readonly (readonly [begins: RegExp, words: string, file?: string])[] = [
  [/^files$|^sums$/u, 'The files', 'SHA256SUMS'],
  [/^table|^decisions/u, 'The table', 'certificate.csv'],
  [/^page/u, 'The page', 'certificate.pdf'],
  [/^capture/u, 'The traces', 'capture.parquet'],
  [/^ledger/u, 'The ledger'],
  [/^signature/u, 'Signatures of persons'],
  [/^/u, 'Other'],
];

/** Every check as a sentence: what is broken first and alone, then group by group with its evidence. */
export function ChecksList({ record }: { readonly record: RecordView }): JSX.Element {
  const { checks, conclusion, files } = record;
  const broken = checks.filter(({ outcome }) => outcome === 'broken');
  const groupOf = ({ name }: Check): number => GROUPS.findIndex(([begins]) => begins.test(name));
  return (
    <section class="a-part a-checks" aria-label="Verification">
      <p class={broken.length > 0 ? 'a-conclusion no' : 'a-conclusion'} role="status">
        {conclusion}
      </p>
      <ul class="a-broken">
        {broken.map((check) => (
          <li key={check.name + check.sentence}>
            <Mark outcome="broken" />
            <div>
              {check.sentence}
              <small>
                {check.name}, <span class="mono">{check.finding}</span>
              </small>
            </div>
          </li>
        ))}
      </ul>
      {GROUPS.map(([, words, file], i) => {
        const own = checks.filter((check) => check.outcome !== 'broken' && groupOf(check) === i);
        if (own.length === 0) return null;
        return (
          <div key={words} class="a-group">
            <h3>
              {words} <small>{evidence(files, file)}</small>
            </h3>
            <ul>
              {own.map((check) => (
                <li key={check.name + check.sentence} class={check.outcome}>
                  <Mark outcome={check.outcome} />
                  <span>{check.sentence}</span>
                </li>
              ))}
            </ul>
          </div>
        );
      })}
      {checks.some(({ name }) => name.startsWith('signature')) ? null : (
        <p class="a-quiet">
          No person has signed this record. The bench sealed it; a seal is not the signature of a
          person.
        </p>
      )}
    </section>
  );
}

function evidence(files: readonly FileFacts[], name: string | undefined): string {
  const file = files.find((one) => one.name === name);
  if (file === undefined) return '';
  return `${file.name}, ${grouped(file.bytes)} bytes, SHA-256 ${digestText(file.digest)}`;
}

const WORDS = { holds: 'holds:', broken: 'does not hold:', open: 'not judged:' } as const;
const PATHS = {
  holds: 'M3 10l5 5.2L17 4',
  broken: 'M4.5 4.5l11 11m0 -11l-11 11',
  open: 'M5 10h10',
} as const;

function Mark({ outcome }: { readonly outcome: Check['outcome'] }): JSX.Element {
  return (
    <svg class="a-tick" viewBox="0 0 20 20" role="img" aria-label={WORDS[outcome]}>
      <path d={PATHS[outcome]} />
    </svg>
  );
}
