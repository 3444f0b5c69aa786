import type { JSX } from 'preact';
import type { Role } from '../people/people.js';
import { Bar } from './bar.js';
import type { Start } from './link.js';

interface Offered {
  readonly address: string;
  readonly name: string;
  readonly what: string;
  /** Who finds something to do there. */
  readonly roles: readonly Role[];
}

const PAGES: readonly Offered[] = [
  {
    address: '/operator',
    name: 'Bench',
    what: 'Test items; look at what is being tested.',
    roles: ['operator', 'maintenance', 'quality engineer', 'auditor'],
  },
  {
    address: '/quality',
    name: 'Limits and traces',
    what: 'Edit limits, look at traces, lag and grain, reference items.',
    roles: ['quality engineer'],
  },
  {
    address: '/auditor',
    name: 'Records',
    what: 'Find, show and verify records; the audit trail.',
    roles: ['auditor', 'quality engineer'],
  },
];

/** What is at the address without a name: the pages for whoever is there. */
export function Choice({ start }: { readonly start: Start }): JSX.Element {
  const roles = start.person?.roles ?? [];
  const offered = PAGES.filter((page) => page.roles.some((role) => roles.includes(role)));
  return (
    <div class="choice">
      <Bar title="Stallmark" start={start} />
      <main>
        {offered.map(({ address, name, what }) => (
          <a key={address} href={address}>
            <b>{name}</b>
            <span>{what}</span>
          </a>
        ))}
      </main>
    </div>
  );
}
