import type { JSX } from 'preact';
import { useEffect, useRef, useState } from 'preact/hooks';
import type { Start } from '../link.js';
import { WORDS_OF } from '../words/languages.js';
import { ItemPlace, PowerPlace, ReadinessPlace, RulerPlace, StopPlace } from './places.js';
import { useKeyboard } from './listening.js';
import { useNest, type Nest } from './nest.js';
import './operator.css';
import { said, type Cue, type Said } from './say.js';
import type { Screen } from './screen.js';
import { SettingsSheet } from './settings-sheet.js';
import { useSettings } from './settings.js';
import { Sheet } from './sheet.js';
import { makeSounds } from './sounds.js';
import { VerdictPlace } from './verdict-place.js';
import type { Scan } from './wedge.js';

/** What lies over the sheet: chosen by a button, closed by another. */
type Over = 'nothing' | 'settings' | 'typing';

/** The page of the operator: four places that never swap, one sentence, one thing to do. */
export function OperatorPage({ start }: { readonly start: Start }): JSX.Element {
  const nest = useNest();
  const [settings, change] = useSettings();
  const [over, setOver] = useState<Over>('nothing');
  const [broken, setBroken] = useState(false);
  const now = useNow();
  const { view } = nest;
  const words = WORDS_OF[settings.language];
  const mayAct = nest.hold.hold === 'yours' && !nest.lost;
  const sounds = useRef(makeSounds(() => loud.current)).current;
  const loud = useRef(settings.isLoud);
  loud.current = settings.isLoud;
  const scan = (text: string): void => {
    setOver('nothing');
    nest.ask({ kind: 'scan', text, language: settings.language });
  };
  useKeyboard({
    scanned: (heard: Scan) => {
      setBroken(heard.kind === 'partial');
      if (!mayAct || view === undefined || DEAF.has(view.phase.kind)) return;
      if (heard.kind === 'partial') sounds.play('attention');
      else scan(heard.text);
    },
    stop: () => {
      if (view !== undefined && mayStop(nest)) nest.ask({ kind: 'stop' });
    },
  });
  const sentence = sentenceOf(nest, words, settings.language);
  useCues(sentence, view, (cue) => {
    sounds.play(cue);
  });
  useEffect(() => {
    setBroken(false);
    setOver('nothing');
  }, [view?.phase.kind]);
  if (view === undefined) return <Waiting text={sentence.sentence} />;
  const screen: Screen = { nest, view, words, settings, mayAct, now, person: start.person };
  return (
    <div class={`operator ${nest.lost ? 'lost' : ''}`}>
      <ReadinessPlace screen={screen} />
      <PowerPlace screen={screen} sentence={sentence.sentence} />
      <ItemPlace
        screen={screen}
        openSettings={() => {
          setOver('settings');
        }}
      />
      <main class="sheet">
        {over === 'settings' ? (
          <SettingsSheet
            {...{ screen, change, sounds }}
            close={() => {
              setOver('nothing');
            }}
          />
        ) : (
          <Sheet
            {...{ screen, broken, scan }}
            typing={over === 'typing'}
            type={(isTyping) => {
              setOver(isTyping ? 'typing' : 'nothing');
            }}
          />
        )}
        {view.simulated && <div class="simulated">{words.simulated}</div>}
      </main>
      <VerdictPlace screen={screen} />
      <RulerPlace screen={screen} />
      <StopPlace screen={screen} mayStop={mayStop(nest)} />
    </div>
  );
}

function Waiting({ text }: { readonly text: string }): JSX.Element {
  return (
    <div class="operator connecting" role="status">
      <p>{text}</p>
    </div>
  );
}

/** While these go on a scan is about another item and must wait. */
const DEAF = new Set(['checking', 'arrange', 'countdown', 'running', 'deciding']);

const STOPPABLE = new Set(['checking', 'warnings', 'start', 'arrange', 'countdown', 'running']);

/** Whether a stop has anything to end. It may be asked for when the bench is lost too: it does no harm. */
function mayStop({ view, hold }: Nest): boolean {
  return view !== undefined && hold.hold === 'yours' && STOPPABLE.has(view.phase.kind);
}

type SaidOf = Parameters<typeof said>;

function sentenceOf(nest: Nest, words: SaidOf[2], language: SaidOf[3]): Said {
  if (nest.lost) return { sentence: words.say.lost, cue: 'attention' };
  if (nest.view === undefined) return { sentence: words.say.connecting };
  return said(nest.view, nest.hold, words, language);
}

/** The present moment, four times a second: the page counts seconds and nothing finer. */
function useNow(): number {
  const [now, set] = useState(() => Date.now());
  useEffect(() => {
    const timer = window.setInterval(() => {
      set(Date.now());
    }, 250);
    return () => {
      clearInterval(timer);
    };
  }, []);
  return now;
}

/** Plays the sound of each new sentence once, and the tones of the countdown. */
function useCues(
  { sentence, cue }: Said,
  view: SaidOf[0] | undefined,
  play: (cue: Cue) => void,
): void {
  const told = useRef(play);
  told.current = play;
  const verdict = view?.phase.kind === 'verdict' ? view.phase.result.number : '';
  useEffect(() => {
    if (cue !== undefined) told.current(cue);
  }, [sentence, cue, verdict]);
  const at = view?.phase.kind === 'countdown' ? view.phase.at : undefined;
  useEffect(() => {
    if (at === undefined) return undefined;
    const timers = [3, 2, 1, 0].map((left) =>
      window.setTimeout(
        () => {
          told.current(left === 0 ? 'power' : 'countdown');
        },
        Math.max(0, at - left * 1000 - Date.now()),
      ),
    );
    return () => {
      for (const timer of timers) clearTimeout(timer);
    };
  }, [at]);
}
