import type { JSX } from 'preact';
import { useState } from 'preact/hooks';
import type { RecordView } from '../../serve/auditor-views.js';
import { fileAddress } from '../link.js';
import { digestText, grouped } from './told.js';

/** What files are, for people; a file of another name is told by its name alone. */
const ABOUT: readonly (readonly [name: RegExp, words: string])[] = [
  [/^certificate\.pdf$/u, 'page, its seal inside'],
  [/^certificate\.csv$/u, 'table'],
  [/^certificate\.csv\.p7s$/u, 'seal of the table'],
  [/^capture\.parquet$/u, 'traces'],
  [/^log\.jsonl$/u, 'log of the run'],
  [/^SHA256SUMS$/u, 'digests of all'],
  [/^signature-\d+\.json$/u, 'what a person signed'],
  [/^signature-\d+\.json\.p7s$/u, 'signature of a person'],
];

/** Files to take away, the printed page in a frame, and how to repeat the checks elsewhere. */
export function FilesOf({
  number,
  record,
}: {
  readonly number: string;
  readonly record: RecordView;
}): JSX.Element {
  const [isShown, show] = useState(false);
  const hasPage = record.files.some(({ name }) => name === 'certificate.pdf');
  return (
    <section class="a-part a-files">
      <h3>Files and seals</h3>
      <p class="a-quiet">Handing out a file is entered in the audit trail, with your name.</p>
      <ul>
        {record.files.map(({ name, bytes, digest }) => (
          <li key={name}>
            <a href={fileAddress(number, name)} download={name}>
              {name}
            </a>
            <span>{ABOUT.find(([known]) => known.test(name))?.[1] ?? ''}</span>
            <small>
              {grouped(bytes)} bytes, SHA-256 {digestText(digest)}
            </small>
          </li>
        ))}
      </ul>
      {hasPage ? (
        <button
          type="button"
          aria-expanded={isShown}
          onClick={() => {
            show(!isShown);
          }}
        >
          {isShown ? 'Put the printed page away' : 'Show the printed page here'}
        </button>
      ) : null}
      {isShown ? (
        <iframe
          class="a-frame"
          title={`Printed page of ${number}`}
          src={fileAddress(number, 'certificate.pdf')}
        />
      ) : null}
      <details>
        <summary>How to repeat the checks without this program</summary>
        <p>
          Save the files in one folder, with the root certificate that the plant gave you, and run:
        </p>
        <pre>
          {`sha256sum -c SHA256SUMS
openssl cms -verify -binary -inform DER -in certificate.csv.p7s \\
  -content certificate.csv -CAfile root.pem -out /dev/null
pdfsig certificate.pdf   # must say: Total document signed, Signature is Valid`}
        </pre>
      </details>
    </section>
  );
}
