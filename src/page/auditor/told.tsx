import type { JSX } from 'preact';
import type { Asked } from './asking.js';

/** What is to be said while there is no answer; nothing when there is one. */
export function NoAnswer({ asked }: { readonly asked: Asked<unknown> }): JSX.Element | null {
  switch (asked.kind) {
    case 'answer':
      return null;
    case 'waiting':
      return (
        <p class="a-note" role="status">
          Reading …
        </p>
      );
    case 'making':
      return (
        <p class="a-note" role="status">
          The index of the ledger is being made: {grouped(asked.seen)} of {grouped(asked.of)}{' '}
          entries. This happens once; later only new entries are read.
        </p>
      );
    case 'refused':
      return (
        <div class="a-refused" role="alert">
          {asked.problems.map(({ code, what, fix }) => (
            <p key={code + what}>
              <b>{what}</b> {fix} <small class="mono">{code}</small>
            </p>
          ))}
        </div>
      );
    default:
      return asked satisfies never;
  }
}

/** Digits in groups of three, with thin spaces. */
export function grouped(value: number): string {
  return String(value).replace(/\B(?=(?:\d{3})+$)/gu, '\u202f');
}

/** "2026-11-25 14:05:18" out of an instant in UTC. */
export const instantText = (iso: string): string => iso.slice(0, 19).replace('T', ' ');

/** The first and last characters of a digest. */
export const digestText = (digest: string): string => `${digest.slice(0, 8)} … ${digest.slice(-4)}`;
