import type { JSX } from 'preact';
import { HOLD_TIME, type Phase, type WarningView } from '../../serve/nest-view.js';
import type { WarningText } from '../../procedure/procedure.js';
import { AlertSymbol, HazardSign } from '../drawn/hazard-sign.js';
import { CrushScene, TorqueScene } from '../drawn/stand-scene.js';
import { VerdictMark } from '../drawn/verdict.js';
import { fill } from '../words/words.js';
import { KeepButton, PressButton } from './buttons.js';
import { durationText, numberText, timeText } from './numbers.js';
import { untold } from './say.js';
import type { Screen } from './screen.js';

/** Both warnings side by side, each with a button of its own; without a text nothing can be pressed. */
export function WarningSheet({
  screen,
  warnings,
}: {
  readonly screen: Screen;
  readonly warnings: readonly WarningView[];
}): JSX.Element {
  const { words, settings } = screen;
  const missing = untold(warnings, settings.language);
  if (missing.length > 0) {
    const hazards = missing.map(({ hazard, texts }) => texts['en']?.heading ?? hazard).join(', ');
    return (
      <div class="board drawing">
        <div class="missing" role="alert">
          <h2>{words.warn.missing}</h2>
          <p>{fill(words.warn.missingWhy, { hazards })}</p>
        </div>
      </div>
    );
  }
  return (
    <div class="panels">
      {warnings.map((warning) => {
        const text = warning.texts[settings.language];
        return text === undefined ? null : (
          <Panel key={warning.hazard} {...{ screen, warning, text }} />
        );
      })}
    </div>
  );
}

function Panel({
  screen,
  warning,
  text,
}: {
  readonly screen: Screen;
  readonly warning: WarningView;
  readonly text: WarningText;
}): JSX.Element {
  const { words } = screen;
  const isCrushing = warning.hazard === 'crushing';
  return (
    <section class={`panel drawing ${warning.signal.toLowerCase()}`}>
      <header class={words.signal[warning.signal].length > 12 ? 'long' : ''}>
        <AlertSymbol />
        {words.signal[warning.signal]}
      </header>
      <div class="text">
        <HazardSign sign={warning.sign} />
        <h2>{text.heading}</h2>
        <p>
          {!isCrushing && <TorqueScene />}
          {text.hazard} {text.consequence}
        </p>
        <p class="avoid">{text.avoidance}</p>
      </div>
      <div class="scene">{isCrushing && <CrushScene words={words.warn} />}</div>
      <Answer screen={screen} warning={warning} />
    </section>
  );
}

function Answer({
  screen,
  warning,
}: {
  readonly screen: Screen;
  readonly warning: WarningView;
}): JSX.Element {
  const { words, nest, settings, mayAct } = screen;
  const { hazard, acknowledged } = warning;
  if (acknowledged !== undefined) {
    return (
      <div class="keep done" role="status">
        <span>
          <VerdictMark kind="accept" /> {words.warn.done}
          <small>{givenText(screen, warning)}</small>
        </span>
      </div>
    );
  }
  if (!mayAct) return <div class="keep closed" />;
  return (
    <KeepButton
      holdTime={HOLD_TIME}
      held={(heldFor) => {
        nest.ask({ kind: 'acknowledge', hazard, heldFor, language: settings.language });
      }}
    >
      {words.warn.keep}
      <small>{words.warn.acknowledge}</small>
    </KeepButton>
  );
}

function givenText({ words }: Screen, { acknowledged, issue }: WarningView): string {
  if (acknowledged === undefined) return '';
  const { by, at, language } = acknowledged;
  const time = timeText(at, words.locale, true);
  return fill(words.warn.given, { by, time, language: language.toUpperCase(), issue });
}

/** Both are acknowledged: what is going to happen, and the one wide button. */
export function StartSheet({
  screen,
  phase,
}: {
  readonly screen: Screen;
  readonly phase: Phase & { readonly kind: 'start' };
}): JSX.Element {
  const { words, view, nest, now, mayAct, settings } = screen;
  const seconds = view.item?.stages.reduce((sum, stage) => sum + stage.seconds, 0) ?? 0;
  const torque = numberText(view.item?.ceiling ?? 0, words.locale);
  return (
    <>
      <h2>
        {words.warn.both}{' '}
        <small>
          {fill(words.warn.oneStart, { s: Math.max(0, Math.round((phase.until - now) / 1000)) })}
        </small>
      </h2>
      <div class="board drawing">
        {phase.warnings.map((warning) => (
          <div class="answered" key={warning.hazard}>
            <HazardSign sign={warning.sign} />
            <div>
              <b>
                {words.signal[warning.signal]}: {warning.texts[settings.language]?.heading ?? '–'}
              </b>
              <span>
                <VerdictMark kind="accept" /> {givenText(screen, warning)}
              </span>
            </div>
          </div>
        ))}
        <p class="coming">{fill(words.warn.coming, { torque, time: durationText(seconds) })}</p>
        <div class="act">
          <PressButton
            kind="main"
            disabled={!mayAct || untold(phase.warnings, settings.language).length > 0}
            act={() => {
              nest.ask({ kind: 'start' });
            }}
          >
            {words.warn.begin}
          </PressButton>
        </div>
      </div>
    </>
  );
}
