import type { JSX } from 'preact';
import { WORDS_OF } from '../words/languages.js';
import { LANGUAGES } from '../words/words.js';
import { PressButton } from './buttons.js';
import type { Screen } from './screen.js';
import type { Settings } from './settings.js';
import type { Sounds } from './sounds.js';

/** Language and sound, leaving the bench and logging out: chosen by wide buttons, nothing hidden. */
export function SettingsSheet({
  screen: { words, settings, nest },
  change,
  sounds,
  close,
}: {
  readonly screen: Screen;
  readonly change: (change: Partial<Settings>) => void;
  readonly sounds: Sounds;
  readonly close: () => void;
}): JSX.Element {
  const { hold } = nest.hold;
  return (
    <>
      <h2>{words.settings.heading}</h2>
      <div class="board drawing settings">
        <div class="row five">
          {LANGUAGES.map((language) => (
            <PressButton
              key={language}
              pressed={language === settings.language}
              act={() => {
                change({ language });
              }}
            >
              <span lang={language}>{WORDS_OF[language].language}</span>
            </PressButton>
          ))}
        </div>
        <div class="row">
          {[true, false].map((isLoud) => (
            <PressButton
              key={String(isLoud)}
              pressed={isLoud === settings.isLoud}
              act={() => {
                change({ isLoud });
              }}
            >
              {words.settings.sound}: {isLoud ? words.settings.on : words.settings.off}
            </PressButton>
          ))}
          <PressButton
            act={() => {
              sounds.play('accept');
            }}
          >
            {words.settings.try}
          </PressButton>
        </div>
        <div class="row">
          {hold === 'yours' && <PressButton act={nest.giveBack}>{words.hold.giveBack}</PressButton>}
          <PressButton act={nest.leave}>{words.settings.logOut}</PressButton>
        </div>
        <div class="act">
          <PressButton kind="main" act={close}>
            {words.settings.close}
          </PressButton>
        </div>
      </div>
    </>
  );
}
