import type { JSX } from 'preact';
import { useEffect, useState } from 'preact/hooks';
import type { Problem } from '../../base/error.js';
import { exactAxis, linearAxis, stepFor } from '../../certificate/axis.js';
import type { FoundAttempt, StoredTrace } from '../../readiness/stored-attempt.js';
import type { RecordRows } from '../../serve/quality-views.js';
import { penPath, Plot } from '../drawn/plot.js';
import { problemsIn, read } from '../link.js';
import { useAsked } from './asked.js';
import { Refusals } from './refusals.js';

type Channel = 'produced' | 'shaft';

interface Wish {
  readonly stage: string;
  readonly take: number;
  /** s, as typed; empty for the end of the take. */
  readonly from: string;
  readonly to: string;
}

/** Several attempts at one stage over each other: command and torque, told apart by dash and name. */
export function OverlayView({ chosen }: { readonly chosen: readonly FoundAttempt[] }): JSX.Element {
  const [first] = chosen;
  const which = { serial: first?.serial ?? '', number: first?.number ?? '' };
  const rows = useAsked(first?.number, () => read<RecordRows>('rows', which));
  const stages =
    rows.state === 'here' ? [...new Set(rows.answer.rows.map(({ stage }) => stage))] : [];
  const [wish, setWish] = useState<Wish>({ stage: '', take: 0, from: '', to: '' });
  const [channel, setChannel] = useState<Channel>('produced');
  const stage = stages.includes(wish.stage)
    ? wish.stage
    : (stages.find((id) => id.startsWith('steps')) ?? stages[0] ?? '');
  const { traces, refused } = useTraces(chosen, { ...wish, stage });
  const takes = traces[0]?.trace.takes ?? [];
  return (
    <div class="q-overlay">
      <div class="q-choose">
        <Choice
          label="Stage"
          value={stage}
          options={stages.map((id) => [id, id])}
          choose={(id) => {
            setWish({ stage: id, take: 0, from: '', to: '' });
          }}
        />
        {takes.length > 1 ? (
          <Choice
            label="Take"
            value={String(wish.take)}
            options={takes.map((words, i) => [String(i), words])}
            choose={(i) => {
              setWish({ ...wish, stage, take: Number(i) });
            }}
          />
        ) : null}
        <Choice
          label="Torque"
          value={channel}
          options={[
            ['produced', 'produced, from motor current'],
            ['shaft', 'at the shaft, transducer as read'],
          ]}
          choose={(id) => {
            setChannel(id === 'shaft' ? 'shaft' : 'produced');
          }}
        />
        <Seconds name="from" wish={{ ...wish, stage }} setWish={setWish} />
        <Seconds name="to" wish={{ ...wish, stage }} setWish={setWish} />
      </div>
      {refused.length === 0 ? null : <Refusals problems={refused} />}
      {traces.length === 0 ? (
        <p class="q-wait">Reading stored samples …</p>
      ) : (
        <Lines traces={traces} channel={channel} />
      )}
    </div>
  );
}

function Choice({
  label,
  value,
  options,
  choose,
}: {
  readonly label: string;
  readonly value: string;
  readonly options: readonly (readonly [string, string])[];
  readonly choose: (value: string) => void;
}): JSX.Element {
  return (
    <label>
      {label}{' '}
      <select
        value={value}
        onChange={(event) => {
          choose(event.currentTarget.value);
        }}
      >
        {options.map(([id, words]) => (
          <option key={id} value={id}>
            {words}
          </option>
        ))}
      </select>
    </label>
  );
}

function Seconds({
  name,
  wish,
  setWish,
}: {
  readonly name: 'from' | 'to';
  readonly wish: Wish;
  readonly setWish: (wish: Wish) => void;
}): JSX.Element {
  return (
    <label>
      {name}, s{' '}
      <input
        class="q-seconds"
        inputMode="decimal"
        value={wish[name]}
        placeholder={name === 'from' ? '0' : 'end'}
        onChange={(event) => {
          setWish({ ...wish, [name]: event.currentTarget.value.trim() });
        }}
      />
    </label>
  );
}

interface Overlaid {
  readonly attempt: FoundAttempt;
  readonly trace: StoredTrace;
}

/** Asks for one attempt after the other, so that the first is seen at once. */
function useTraces(
  chosen: readonly FoundAttempt[],
  wish: Wish,
): { readonly traces: readonly Overlaid[]; readonly refused: readonly Problem[] } {
  const [traces, setTraces] = useState<readonly Overlaid[]>([]);
  const [refused, setRefused] = useState<readonly Problem[]>([]);
  const { stage, take, from, to } = wish;
  const numbers = chosen.map(({ number }) => number).join(' ');
  useEffect(() => {
    let isWanted = stage !== '';
    const ask = async (): Promise<void> => {
      const found: Overlaid[] = [];
      const problems: Problem[] = [];
      for (const attempt of chosen) {
        const { serial, number } = attempt;
        try {
          const args = { serial, number, stage, take: String(take), from, to };
          found.push({ attempt, trace: await read<StoredTrace>('trace', args) });
        } catch (error) {
          problems.push(...problemsIn(error));
        }
        if (!isWanted) return;
        setTraces([...found]);
        setRefused([...problems]);
      }
    };
    if (isWanted) void ask();
    return () => {
      isWanted = false;
    };
  }, [numbers, stage, take, from, to]);
  return { traces, refused };
}

/** Dashes that are told apart on a grey printer, ten of them. */
const DASHES = [
  '',
  '9 4',
  '3 3',
  '12 3 3 3',
  '16 4',
  '6 2 2 2 2 2',
  '1.5 3',
  '20 3 6 3',
  '8 8',
  '12 3 3 3 3 3',
];

function Lines({
  traces,
  channel,
}: {
  readonly traces: readonly Overlaid[];
  readonly channel: Channel;
}): JSX.Element {
  const [first] = traces;
  const from = first?.trace.from ?? 0;
  const to = Math.max(...traces.map(({ trace }) => trace.to), from + 1e-6);
  const numbers = traces
    .flatMap(({ trace }) => [...trace.command.y, ...trace[channel].y])
    .filter((y) => y !== null);
  const low = numbers.reduce((a, b) => Math.min(a, b), Infinity);
  const high = numbers.reduce((a, b) => Math.max(a, b), -Infinity);
  const x = exactAxis('time since the start of the take, s', from, to, stepFor((to - from) / 8));
  const y = linearAxis(
    channel === 'produced'
      ? 'torque produced, from motor current, N·m'
      : 'torque at the shaft, N·m',
    low,
    high,
    6,
  );
  const title = `${first?.trace.stage ?? ''}, ${traces.length} attempts: ${traces.map(({ attempt }) => `${attempt.serial} attempt ${attempt.attempt}`).join('; ')}`;
  return (
    <>
      <Plot
        x={x}
        y={y}
        title={title}
        width={900}
        height={430}
        draw={(atX, atY) => (
          <>
            {traces.map(({ attempt, trace }, i) => (
              <path
                key={attempt.number}
                class={`pen pen-over over-${i % 5}`}
                stroke-dasharray={DASHES[i]}
                d={penPath(trace[channel].x, trace[channel].y, atX, atY)}
              />
            ))}
            {first === undefined ? null : (
              <path
                class="pen pen-commanded"
                d={penPath(first.trace.command.x, first.trace.command.y, atX, atY)}
              />
            )}
          </>
        )}
      />
      <ul class="q-key">
        <li>
          <Pen name="pen pen-commanded" dash="" /> commanded, as latched
          {traces.length > 1 ? ', of the first' : ''}
        </li>
        {traces.map(({ attempt }, i) => (
          <li key={attempt.number}>
            <Pen name={`pen pen-over over-${i % 5}`} dash={DASHES[i] ?? ''} />{' '}
            <code>{attempt.serial}</code> attempt {attempt.attempt}, {attempt.verdict}
          </li>
        ))}
      </ul>
      <p class="q-soft">
        Least and greatest sample of each column are kept, so that no spike is lost.
      </p>
    </>
  );
}

function Pen({ name, dash }: { readonly name: string; readonly dash: string }): JSX.Element {
  return (
    <svg class="plot q-pen" viewBox="0 0 48 10" aria-hidden="true">
      <path class={name} stroke-dasharray={dash} d="M1 5H47" />
    </svg>
  );
}
