import type { JSX } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import { Bar } from '../bar.js';
import type { Start } from '../link.js';
import './auditor.css';
import { FolderArea } from './folder-area.js';
import { RecordsArea } from './records-area.js';
import { TrailArea } from './trail-area.js';

const AREAS = [
  ['records', 'Records'],
  ['trail', 'Audit trail'],
  ['folder', 'Whole folder'],
] as const;
type Area = (typeof AREAS)[number][0];

/** Where a page is: its area, and the entry of the attempt that is open, as its address says. */
interface Place {
  readonly area: Area;
  readonly entry?: number;
}

/** The page of the auditor: records, audit trail, the whole folder. It only reads. */
export function AuditorPage({ start }: { readonly start: Start }): JSX.Element {
  const [place, setPlace] = useState(placeIn(location.hash));
  useEffect(() => {
    const follow = (): void => {
      setPlace(placeIn(location.hash));
    };
    addEventListener('hashchange', follow);
    return () => {
      removeEventListener('hashchange', follow);
    };
  }, []);
  const { area, entry } = place;
  return (
    <div class="a-page">
      <Bar title="Auditor" start={start}>
        <nav class="a-areas" aria-label="Areas">
          {AREAS.map(([id, words]) => (
            <a key={id} href={`#${id}`} aria-current={area === id ? 'page' : undefined}>
              {words}
            </a>
          ))}
        </nav>
        <span class="a-reading">reading only; nothing here can be altered</span>
      </Bar>
      {area === 'records' ? <RecordsArea entry={entry} /> : null}
      {area === 'trail' ? <TrailArea /> : null}
      {area === 'folder' ? <FolderArea /> : null}
    </div>
  );
}

/** Reads "#records/8". */
function placeIn(hash: string): Place {
  const [name = '', entry = ''] = hash.replace(/^#/u, '').split('/');
  const area = AREAS.map(([id]) => id).find((id) => id === name) ?? 'records';
  return /^\d+$/u.test(entry) ? { area, entry: Number(entry) } : { area };
}
