import type { JSX } from 'preact';
import { PowerContact, type Power } from '../drawn/power.js';
import { StageRuler, type RulerStage } from '../drawn/stage-ruler.js';
import { VerdictMark } from '../drawn/verdict.js';
import { fill } from '../words/words.js';
import { PressButton } from './buttons.js';
import { grouped, type GroupView } from './check-groups.js';
import { durationText, numberText, serialParts, timeText } from './numbers.js';
import type { Screen } from './screen.js';

/** The readiness of the bench in one glance, and who works at it. */
export function ReadinessPlace({ screen }: { readonly screen: Screen }): JSX.Element {
  const { view, words, settings, now, person, nest } = screen;
  const holder = nest.hold.hold === 'another' ? nest.hold.holder : person?.name;
  return (
    <section class="ready" aria-label={words.groups.rest}>
      {grouped(view.checks).map((group) => (
        <Group key={group.group} {...{ screen, group }} />
      ))}
      {view.checks.length === 0 && (
        <div>
          <b>{words.groups.rest}</b>
          {words.ready.notYet}
        </div>
      )}
      <div class="who">
        <b>{fill(words.ready.bench, { bench: view.bench, nest: view.nest })}</b>
        {[holder, settings.language.toUpperCase(), timeText(now, words.locale)]
          .filter((text) => text !== undefined && text !== '')
          .join(' · ')}
      </div>
    </section>
  );
}

function Group({
  screen: { words },
  group: { group, checks, state, open, blocks },
}: {
  readonly screen: Screen;
  readonly group: GroupView;
}): JSX.Element {
  const all = checks.length;
  const isOk = state === 'ok';
  return (
    <div class={blocks ? 'blocks' : ''}>
      <b>
        {words.groups[group]} {isOk && <VerdictMark kind="accept" />}
      </b>
      {isOk ? (
        fill(words.ready.all, { n: all })
      ) : (
        <>
          <span class="mark">{words.states[state]}</span> {open > 0 && `${open} / ${all}`}
        </>
      )}
    </div>
  );
}

/** Characters that fit on one line in far type; a longer sentence takes two. */
const LONG = 36;

/** Whether there is power, the one sentence, and the time left. */
export function PowerPlace({
  screen: { view, words, nest, now },
  sentence,
}: {
  readonly screen: Screen;
  readonly sentence: string;
}): JSX.Element {
  const power: Power = nest.lost ? 'unknown' : view.power;
  const { phase } = view;
  const left = phase.kind === 'running' && !nest.lost ? (phase.end - now) / 1000 : undefined;
  return (
    <section class="say" aria-label={words.power[power]}>
      <div class={`power ${power}`} role="status">
        <PowerContact power={power} />
        {words.power[power]}
      </div>
      <h1 aria-live="assertive" class={sentence.length > LONG ? 'long' : ''}>
        {sentence}
      </h1>
      {left !== undefined && (
        <div class="left">
          {durationText(left)}
          <small>{words.run.left}</small>
        </div>
      )}
    </section>
  );
}

/** Which item: the last five characters large, as on the label. */
export function ItemPlace({
  screen,
  openSettings,
}: {
  readonly screen: Screen;
  readonly openSettings: () => void;
}): JSX.Element {
  const { view, words } = screen;
  const { item } = view;
  const [first, last] = item === undefined ? [words.item.item, '·····'] : serialParts(item.serial);
  const isBusy = view.phase.kind === 'running' || view.phase.kind === 'countdown';
  return (
    <section class="item" aria-label={words.item.item}>
      <div class={`serial ${item === undefined ? 'none' : ''}`}>
        <span>{first}</span>
        <b>{last}</b>
      </div>
      {item !== undefined && <ItemTable {...{ screen, item }} />}
      <div class="foot">
        <PressButton act={openSettings} disabled={isBusy}>
          {words.settings.open}
        </PressButton>
      </div>
    </section>
  );
}

function ItemTable({
  screen: { view, words },
  item,
}: {
  readonly screen: Screen;
  readonly item: NonNullable<Screen['view']['item']>;
}): JSX.Element {
  const { phase } = view;
  const attempt = { n: item.attempt, most: item.attemptsAllowed };
  const rows: readonly (readonly [string, string])[] = [
    [words.item.model, `${item.model}, ${item.revision}`],
    [words.item.attempt, fill(words.item.attemptOf, attempt)],
    [words.item.procedure, fill(words.item.issue, { ...item.procedure, title: item.procedure.id })],
    [words.item.limits, fill(words.item.issue, { ...item.limits, title: item.limits.id })],
    [words.item.ceiling, `${numberText(item.ceiling, words.locale)} N·m`],
    ...(view.sample !== undefined && phase.kind !== 'verdict'
      ? [[words.item.sample, view.sample] as const]
      : []),
    ...(phase.kind === 'verdict' ? [[words.item.record, phase.result.number] as const] : []),
  ];
  return (
    <dl>
      {rows.map(([name, value]) => (
        <div key={name}>
          <dt>{name}</dt>
          <dd>{value}</dd>
        </div>
      ))}
    </dl>
  );
}

/** The stages, as wide as they take time. */
export function RulerPlace({
  screen: { view, words, now },
}: {
  readonly screen: Screen;
}): JSX.Element {
  const stages = rulerStages(view);
  const { phase } = view;
  const running = phase.kind === 'running' ? stages[phase.stage] : undefined;
  const since = phase.kind === 'running' ? (now - phase.since) / 1000 : 0;
  const share = running === undefined ? 0 : Math.min(1, since / Math.max(1, running.seconds));
  return (
    <section class="ruler" aria-label={words.run.stages}>
      <StageRuler stages={stages} share={share} label={words.run.stages} />
    </section>
  );
}

/** How far each stage is; causes of a verdict come last over everything else. */
export function rulerStages(view: Screen['view']): readonly RulerStage[] {
  const { item, phase } = view;
  const at = ('stage' in phase ? phase.stage : undefined) ?? 0;
  const isOver = phase.kind === 'deciding' || phase.kind === 'verdict';
  const stateOf = (id: string, index: number): RulerStage['state'] => {
    if (phase.kind === 'verdict' && phase.result.stages.includes(id)) {
      if (phase.result.word === 'HOLD') return 'hold';
      if (phase.result.word === 'REJECT') return 'reject';
    }
    if (isOver || index < at) return 'done';
    if (index !== at) return 'to come';
    if (phase.kind === 'ended') return phase.stage === undefined ? 'to come' : 'hold';
    return phase.kind === 'running' || phase.kind === 'countdown' ? 'now' : 'to come';
  };
  return (item?.stages ?? []).map(({ id, title, seconds, powered }, index) => ({
    ...{ id, title, seconds, powered },
    state: stateOf(id, index),
  }));
}

/** Stop test, always in this place, and never called an emergency stop. */
export function StopPlace({
  screen: { view, words, nest },
  mayStop,
}: {
  readonly screen: Screen;
  readonly mayStop: boolean;
}): JSX.Element {
  const isBefore = ['checking', 'warnings', 'start'].includes(view.phase.kind);
  return (
    <section class="stop" aria-label={words.stop.stop}>
      <PressButton
        kind="stop"
        disabled={!mayStop}
        act={() => {
          nest.ask({ kind: 'stop' });
        }}
      >
        <span class={words.stop.stop.length > 10 ? 'long' : ''}>{words.stop.stop}</span>
        <small>{isBefore && mayStop ? `${words.stop.back} · Esc` : words.stop.key}</small>
      </PressButton>
      <p>
        {nest.unheard ? (
          <b role="alert">{words.stop.unheard}</b>
        ) : (
          <>
            <b>{words.stop.not}</b> {words.stop.danger}
          </>
        )}
      </p>
    </section>
  );
}
