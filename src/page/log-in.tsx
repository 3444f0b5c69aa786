import type { JSX } from 'preact';
import { useEffect, useRef, useState } from 'preact/hooks';
import type { Problem } from '../base/error.js';
import { Mark } from './bar.js';
import { logIn, problemsIn, type LogIn, type SessionPlace, type Start } from './link.js';
import { languageOf, WORDS_OF } from './words/languages.js';
import { LANGUAGES, type Language } from './words/words.js';

/** Where the operator page keeps what a person chose; the language is the same one. */
const PLACE = 'stallmark-operator';

/** Asks who is there: id and secret, or the name alone where nobody has a secret. */
export function LogInForm({
  start,
  place,
  done,
}: {
  readonly start: Start;
  readonly place: SessionPlace;
  readonly done: (start: Start) => void;
}): JSX.Element {
  const [language, setLanguage] = useLanguage();
  const [id, setId] = useState('');
  const [secret, setSecret] = useState('');
  const [at, setAt] = useState<SessionPlace>(place);
  const [problems, setProblems] = useState<readonly Problem[]>([]);
  const [isAsking, setAsking] = useState(false);
  const words = WORDS_OF[language].logIn;
  const first = useRef<HTMLInputElement>(null);
  const second = useRef<HTMLInputElement>(null);
  useEffect(() => {
    first.current?.focus();
  }, []);
  const { hasRegister, bench, simulated, trouble } = start.site;
  // Reads the fields themselves: the Enter of a scanner comes before anything is drawn anew.
  const ask = (event: Event): void => {
    event.preventDefault();
    const empty = [first, second].find(({ current }) => current?.value.trim() === '');
    empty?.current?.focus();
    if (isAsking || empty !== undefined) return;
    const name = first.current?.value.trim() ?? '';
    send(
      hasRegister
        ? { id: name, secret: second.current?.value ?? '', place: at }
        : { name, place: at },
    );
  };
  const send = (who: LogIn): void => {
    setAsking(true);
    setProblems([]);
    logIn(who)
      .then(done, (error: unknown) => {
        setProblems(problemsIn(error));
      })
      .finally(() => {
        setSecret('');
        setAsking(false);
      });
  };
  return (
    <div class="log-in">
      {simulated && <Mark />}
      <main>
        <Languages language={language} choose={setLanguage} />
        <form onSubmit={ask} autocomplete="off">
          <h1>
            {words.heading} <span class="mono">{bench}</span>
          </h1>
          {trouble !== undefined && <p role="alert">{trouble}</p>}
          <label for="who">{hasRegister ? words.id : words.name}</label>
          <input
            id="who"
            ref={first}
            class={hasRegister ? 'mono' : ''}
            value={id}
            spellcheck={false}
            autocapitalize="characters"
            onInput={(event) => {
              setId(event.currentTarget.value);
            }}
          />
          {hasRegister ? (
            <>
              <label for="secret">{words.secret}</label>
              <input
                id="secret"
                ref={second}
                type="password"
                value={secret}
                onInput={(event) => {
                  setSecret(event.currentTarget.value);
                }}
              />
            </>
          ) : (
            <p class="soft">{words.simulatedOnly}</p>
          )}
          <Places {...{ at, words }} choose={setAt} />
          <div role="alert">
            {problems.length > 0 && <b>{words.refused}</b>}
            {problems.map(({ code, what, fix }) => (
              <p key={code}>
                {what} {fix}
              </p>
            ))}
          </div>
          <button type="submit" disabled={isAsking}>
            {words.logIn}
          </button>
        </form>
      </main>
    </div>
  );
}

function Places({
  at,
  words,
  choose,
}: {
  readonly at: SessionPlace;
  readonly words: Readonly<Record<'atBench' | 'atDesk', string>>;
  readonly choose: (place: SessionPlace) => void;
}): JSX.Element {
  return (
    <div class="two" role="group">
      {(['bench', 'desk'] as const).map((place) => (
        <button
          key={place}
          type="button"
          aria-pressed={at === place}
          onClick={() => {
            choose(place);
          }}
        >
          {place === 'bench' ? words.atBench : words.atDesk}
        </button>
      ))}
    </div>
  );
}

function Languages({
  language,
  choose,
}: {
  readonly language: Language;
  readonly choose: (language: Language) => void;
}): JSX.Element {
  return (
    <nav class="languages">
      {LANGUAGES.map((one) => (
        <button
          key={one}
          type="button"
          lang={one}
          aria-pressed={one === language}
          onClick={() => {
            choose(one);
          }}
        >
          {WORDS_OF[one].language}
        </button>
      ))}
    </nav>
  );
}

function useLanguage(): readonly [Language, (language: Language) => void] {
  const [language, set] = useState<Language>(() => {
    const { language: tag } = kept();
    return languageOf(typeof tag === 'string' ? tag : navigator.language) ?? 'en';
  });
  useEffect(() => {
    document.documentElement.lang = language;
  }, [language]);
  return [
    language,
    (chosen) => {
      localStorage.setItem(PLACE, JSON.stringify({ ...kept(), language: chosen }));
      set(chosen);
    },
  ];
}

/** What was chosen before; what cannot be read is as if nobody had chosen. */
function kept(): Readonly<Record<string, unknown>> {
  try {
    const value: unknown = JSON.parse(localStorage.getItem(PLACE) ?? '{}');
    return typeof value === 'object' && value !== null ? (value as Record<string, unknown>) : {};
  } catch (error) {
    if (error instanceof SyntaxError) return {};
    throw error;
  }
}
