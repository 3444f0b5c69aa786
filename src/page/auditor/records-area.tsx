import type { JSX } from 'preact';
import { useState } from 'preact/hooks';
import type { AttemptView, FoundPage } from '../../serve/auditor-views.js';
import { useSearching, type Asked } from './asking.js';
import { AttemptSheet } from './attempt-sheet.js';
import { AskForm, NOTHING_ASKED, type AskedFor } from './ask-form.js';
import { FoundList } from './found-list.js';
import { NoAnswer } from './told.js';

/** Finding attempts on the left, the one that is open on the right. */
export function RecordsArea({ entry }: { readonly entry: number | undefined }): JSX.Element {
  const [wish, setWish] = useState<AskedFor>(NOTHING_ASKED);
  const [page, setPage] = useState(1);
  const found = useSearching<FoundPage>('find', { ...wish, page: String(page) });
  const opened = useSearching<AttemptView>(
    'attempt',
    entry === undefined ? undefined : { entry: String(entry) },
  );
  const choices = found.kind === 'answer' ? found.answer.choices : undefined;
  return (
    <main class="a-two">
      <section class="a-find" aria-label="Find">
        <AskForm
          {...{ wish, choices }}
          change={(next) => {
            setPage(1);
            setWish(next);
          }}
        />
        <NoAnswer asked={found} />
        {found.kind === 'answer' ? (
          <FoundList
            {...{ page, entry }}
            found={found.answer}
            turn={setPage}
            refuted={refutedIn(opened)}
            showAll={
              wish === NOTHING_ASKED
                ? undefined
                : () => {
                    setPage(1);
                    setWish(NOTHING_ASKED);
                  }
            }
          />
        ) : null}
      </section>
      <section class="a-one" aria-label="Attempt" tabIndex={0}>
        {entry === undefined ? (
          <p class="a-note">
            Choose an attempt on the left. Its record is verified anew each time it is opened.
          </p>
        ) : (
          <NoAnswer asked={opened} />
        )}
        {entry !== undefined && opened.kind === 'answer' && opened.answer.line.entry === entry ? (
          <AttemptSheet view={opened.answer} />
        ) : null}
      </section>
    </main>
  );
}

function refutedIn(opened: Asked<AttemptView>): number | undefined {
  if (opened.kind !== 'answer') return undefined;
  const { line, record, lost } = opened.answer;
  return record?.intact === false || lost !== undefined ? line.entry : undefined;
}
