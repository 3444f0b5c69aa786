import type { ComponentChildren, JSX } from 'preact';
import { useState } from 'preact/hooks';
import { logOut, Refused, type Start } from './link.js';

/** The head of a page at a desk: what it is, who is there, the way out. */
export function Bar({
  title,
  start,
  children,
}: {
  readonly title: string;
  readonly start: Start;
  readonly children?: ComponentChildren;
}): JSX.Element {
  const [refused, setRefused] = useState('');
  const { person, site, released } = start;
  const leave = (): void => {
    logOut().catch((error: unknown) => {
      setRefused(error instanceof Refused ? error.message : 'The server is not reached.');
    });
  };
  return (
    <>
      {site.simulated && <Mark />}
      <header class="bar">
        <h1>{title}</h1>
        {children}
        <span class="right">
          {refused !== '' && <span role="alert">{refused}</span>}
          {!released && <span class="soft">not released software</span>}
          <span>
            {person?.name}, {person?.roles.join(', ')}
          </span>
          <button type="button" onClick={leave}>
            Log out
          </button>
        </span>
      </header>
    </>
  );
}

/** Stands on every page of a simulated bench. */
export function Mark(): JSX.Element {
  return <aside class="simulated-mark">SIMULATED – NOT A PRODUCT RECORD</aside>;
}
