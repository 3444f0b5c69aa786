import type { JSX } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import type { Problem } from '../../base/error.js';
import { exactAxis, ratioAxis, stepFor } from '../../certificate/axis.js';
import type { Axis } from '../../certificate/figure.js';
import type { FoundAttempt, SmoothingPoints } from '../../readiness/stored-attempt.js';
import type { SmoothingOf } from '../../serve/quality-views.js';
import { penPath, Plot, round, type Scale } from '../drawn/plot.js';
import { problemsIn, read } from '../link.js';
import { Refusals } from './refusals.js';

/** Lag against grain, one small drawing an attempt, all on the same axes. */
export function SmoothingView({
  chosen,
}: {
  readonly chosen: readonly FoundAttempt[];
}): JSX.Element {
  const { found, refused } = useSweeps(chosen);
  const sweeps = found.flatMap(({ sweep }) => sweep ?? []);
  const axes = axesOf(sweeps);
  return (
    <div class="q-smoothing">
      <p class="q-soft">
        Settings joined in order, so that a swap makes the curve double back. Box: limits; filled:
        the setting they count for; dotted: expected of the model. Lag against the latched command.
      </p>
      {refused.length === 0 ? null : <Refusals problems={refused} />}
      {found.length === 0 ? <p class="q-wait">Scoring the sweeps again …</p> : null}
      <div class="q-multiples">
        {found.map((one) => (
          <figure key={one.number} class={one.verdict === 'ACCEPT' ? 'q-cell' : 'q-cell q-odd'}>
            <figcaption>
              <code>{one.serial}</code>
              <span>
                {orderWords(one.sweep)}: {one.verdict}
              </span>
            </figcaption>
            {one.sweep === undefined || axes === undefined ? (
              <p class="q-soft">No sweep of the settings on this record.</p>
            ) : (
              <Sweep sweep={one.sweep} serial={one.serial} axes={axes} />
            )}
          </figure>
        ))}
      </div>
    </div>
  );
}

function useSweeps(chosen: readonly FoundAttempt[]): {
  readonly found: readonly SmoothingOf[];
  readonly refused: readonly Problem[];
} {
  const [found, setFound] = useState<readonly SmoothingOf[]>([]);
  const [refused, setRefused] = useState<readonly Problem[]>([]);
  const numbers = chosen.map(({ number }) => number).join(' ');
  useEffect(() => {
    let isWanted = true;
    const ask = async (): Promise<void> => {
      const all: SmoothingOf[] = [];
      const problems: Problem[] = [];
      for (const { serial, number } of chosen) {
        try {
          all.push(await read<SmoothingOf>('smoothing', { serial, number }));
        } catch (error) {
          problems.push(...problemsIn(error));
        }
        if (!isWanted) return;
        setFound([...all]);
        setRefused([...problems]);
      }
    };
    void ask();
    return () => {
      isWanted = false;
    };
  }, [numbers]);
  return { found, refused };
}

interface Axes {
  readonly x: Axis;
  readonly y: Axis;
}

const MS = 1e3;

/** Both axes are shared: only then can drawings be compared by eye. */
function axesOf(sweeps: readonly SmoothingPoints[]): Axes | undefined {
  const points = sweeps.flatMap(({ points: own, curve }) => [...own, ...curve]);
  const lags = points.map(({ lag }) => lag * MS).filter((lag) => lag > 0);
  if (lags.length === 0) return undefined;
  const least = lags.reduce((a, b) => Math.min(a, b));
  const most = lags.reduce((a, b) => Math.max(a, b));
  const grain = points.reduce((a, p) => Math.max(a, p.grain * MS), 1);
  return {
    x: ratioAxis('lag, ms', least * 0.9, most * 1.05),
    y: exactAxis('grain, mN·m rms', 0, grain * 1.1, stepFor(grain / 3)),
  };
}

/** Whether lag rises and grain falls from setting to setting; if not, where. */
function orderWords(sweep: SmoothingPoints | undefined): string {
  if (sweep === undefined) return 'not swept';
  const wrong = sweep.points.flatMap((point, i) => {
    const before = sweep.points[i - 1];
    const isInOrder =
      before === undefined || (point.lag > before.lag && point.grain < before.grain);
    return isInOrder ? [] : [`${before.setting} and ${point.setting}`];
  });
  return wrong.length === 0 ? 'in order' : `${wrong.join(', ')} out of order`;
}

const MARGINS = { left: 34, right: 8, top: 24, bottom: 42 };

function Sweep({
  sweep,
  serial,
  axes,
}: {
  readonly sweep: SmoothingPoints;
  readonly serial: string;
  readonly axes: Axes;
}): JSX.Element {
  const { points, curve, setting } = sweep;
  const lags = (all: SmoothingPoints['points']): readonly number[] => all.map((p) => p.lag * MS);
  const listed = points.map(
    (p) => `setting ${p.setting}: ${(p.lag * MS).toFixed(2)} ms, ${(p.grain * MS).toFixed(1)} mN·m`,
  );
  return (
    <Plot
      {...axes}
      title={`Lag against grain of ${serial}: ${listed.join('; ')}`}
      width={230}
      height={250}
      margins={MARGINS}
      draw={(atX, atY) => (
        <>
          <LimitBox sweep={sweep} axes={axes} atX={atX} atY={atY} />
          <path
            class="pen pen-nominal"
            d={penPath(
              curve.map((p) => p.lag * MS),
              curve.map((p) => p.grain * MS),
              atX,
              atY,
            )}
          />
          <path
            class="pen pen-joined"
            d={penPath(
              lags(points),
              points.map((p) => p.grain * MS),
              atX,
              atY,
            )}
          />
          {points.map((p) => (
            <g key={p.setting}>
              <circle
                class={p.setting === setting ? 'mark-disc' : 'mark-open'}
                cx={round(atX(p.lag * MS))}
                cy={round(atY(p.grain * MS))}
                r={7.5}
              />
              <text
                class="mark-number"
                x={round(atX(p.lag * MS))}
                y={round(atY(p.grain * MS)) + 3.6}
              >
                {p.setting}
              </text>
            </g>
          ))}
        </>
      )}
    />
  );
}

function LimitBox({
  sweep,
  axes,
  atX,
  atY,
}: {
  readonly sweep: SmoothingPoints;
  readonly axes: Axes;
  readonly atX: Scale;
  readonly atY: Scale;
}): JSX.Element | null {
  const { lag, grain } = sweep;
  if (lag === undefined && grain === undefined) return null;
  const left = atX(lag?.lower === undefined ? axes.x.from : lag.lower * MS);
  const right = atX(lag?.upper === undefined ? axes.x.to : lag.upper * MS);
  const top = atY(grain?.upper === undefined ? axes.y.to : grain.upper * MS);
  const foot = atY(grain?.lower === undefined ? axes.y.from : grain.lower * MS);
  return (
    <rect
      class="pen-limit"
      x={round(left)}
      y={round(top)}
      width={round(Math.max(0, right - left))}
      height={round(Math.max(0, foot - top))}
    />
  );
}
