import { render, type ComponentType, type JSX } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import { Choice } from './choice.js';
import { onLeft, onReach, Refused, start as askStart, type Start } from './link.js';
import { LogInForm } from './log-in.js';
import './page.css';
import { Told } from './told.js';

type PageOf = ComponentType<{ readonly start: Start }>;

/** The three pages by their address; each is fetched only by whoever opens it. */
const PAGES: Readonly<Record<string, () => Promise<PageOf>>> = {
  '/operator': async () => (await import('./operator/operator-page.js')).OperatorPage,
  '/quality': async () => (await import('./quality/quality-page.js')).QualityPage,
  '/auditor': async () => (await import('./auditor/auditor-page.js')).AuditorPage,
};

type State =
  | { readonly kind: 'waiting' }
  | { readonly kind: 'unreached'; readonly why: string }
  | { readonly kind: 'there'; readonly start: Start };

/** ms until a server that was not reached is asked again. */
const AGAIN = 2000;

/** Everything: log-in when nobody is there, else the page of the address. */
function Page(): JSX.Element {
  const [state, set] = useState<State>({ kind: 'waiting' });
  const [page, setPage] = useState<PageOf>();
  const address = location.pathname.replace(/\/$/u, '');
  const ask = (): void => {
    askStart().then(
      (start) => {
        set({ kind: 'there', start });
      },
      (error: unknown) => {
        set({ kind: 'unreached', why: whyOf(error) });
      },
    );
  };
  useEffect(() => {
    ask();
    void PAGES[address]?.().then((found) => {
      setPage(() => found);
    });
    return onLeft(ask);
  }, []);
  useEffect(() => {
    if (state.kind !== 'unreached') return undefined;
    const timer = setTimeout(ask, AGAIN);
    return () => {
      clearTimeout(timer);
    };
  }, [state]);
  if (state.kind === 'waiting') return <Told text="…" />;
  if (state.kind === 'unreached') return <Told text={state.why} />;
  const { start } = state;
  if (start.person === undefined) {
    const place = address === '/operator' ? 'bench' : 'desk';
    return (
      <LogInForm
        {...{ start, place }}
        done={(told) => {
          set({ kind: 'there', start: told });
        }}
      />
    );
  }
  if (PAGES[address] === undefined) return <Choice start={start} />;
  const Chosen = page;
  return (
    <>
      {address !== '/operator' && <Lost />}
      {Chosen === undefined ? <Told text="…" /> : <Chosen start={start} />}
    </>
  );
}

/** Stands above a page at a desk while the server does not answer; the page of the bench says so itself. */
function Lost(): JSX.Element {
  const [isReached, set] = useState(true);
  useEffect(() => onReach(set), []);
  useEffect(() => {
    if (isReached) return undefined;
    const timer = setInterval(() => {
      askStart().catch(() => undefined); // told to every watch of onReach
    }, AGAIN);
    return () => {
      clearInterval(timer);
    };
  }, [isReached]);
  return (
    <div role="alert">
      {!isReached && (
        <p class="lost-banner">
          Connection lost. What is shown may be old; nothing is saved until it is back.
        </p>
      )}
    </div>
  );
}

function whyOf(error: unknown): string {
  if (error instanceof Refused) return error.problems.map((p) => `${p.what} ${p.fix}`).join(' ');
  return 'The server is not reached. It is asked again and again.';
}

const place = document.getElementById('page');
if (place !== null) render(<Page />, place);
