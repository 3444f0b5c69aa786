import type { JSX } from 'preact';
import { useState } from 'preact/hooks';
import { Bar } from '../bar.js';
import type { Start } from '../link.js';
import { BenchArea } from './bench-area.js';
import { LimitsArea } from './limits-area.js';
import { TracesArea } from './traces-area.js';
import './quality.css';

const AREAS = [
  ['limits', 'Limits'],
  ['traces', 'Traces'],
  ['bench', 'Bench'],
] as const;
type Area = (typeof AREAS)[number][0];

/** The page of the quality engineer: limits as text, traces of attempts, the bench. */
export function QualityPage({ start }: { readonly start: Start }): JSX.Element {
  const [area, setArea] = useState<Area>('limits');
  return (
    <div class="q-page">
      <Bar title={`Quality ${start.site.bench}`} start={start}>
        <nav aria-label="Areas">
          {AREAS.map(([id, words]) => (
            <button
              key={id}
              type="button"
              aria-current={area === id ? 'page' : undefined}
              onClick={() => {
                setArea(id);
              }}
            >
              {words}
            </button>
          ))}
        </nav>
      </Bar>
      <main class="q-main">
        {area === 'limits' ? <LimitsArea /> : null}
        {area === 'traces' ? <TracesArea /> : null}
        {area === 'bench' ? <BenchArea /> : null}
      </main>
    </div>
  );
}
