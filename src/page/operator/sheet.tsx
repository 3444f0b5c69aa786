import type { JSX } from 'preact';
import { unreachable } from '../../base/error.js';
import type { Phase } from '../../serve/nest-view.js';
import { ProblemList } from './problem-list.js';
import { EndedSheet, ResultSheet } from './result-sheet.js';
import {
  ArrangeSheet,
  CheckingSheet,
  CountdownSheet,
  DecidingSheet,
  RunningSheet,
} from './run-sheet.js';
import { HoldSheet, NotReadySheet, ScanSheet, TypingSheet } from './scan-sheet.js';
import type { Screen } from './screen.js';
import { StartSheet, WarningSheet } from './warning-sheet.js';

/** What the middle of the page needs besides the screen. */
export interface SheetWork {
  readonly screen: Screen;
  /** A scan was heard whose end is missing. */
  readonly broken: boolean;
  readonly typing: boolean;
  readonly type: (isTyping: boolean) => void;
  readonly scan: (text: string) => void;
}

/** The middle of the page: what goes on, and the one thing to be pressed. */
export function Sheet(work: SheetWork): JSX.Element {
  const { screen } = work;
  const { nest, words, view } = screen;
  const { refusal } = nest;
  if (nest.lost) return <p class="notice">{words.hold.lost}</p>;
  return (
    <>
      {refusal.length > 0 && view.phase.kind !== 'waiting' && (
        <ProblemList problems={refusal} words={words} />
      )}
      <SheetOf work={work} phase={view.phase} />
    </>
  );
}

function SheetOf({
  work,
  phase,
}: {
  readonly work: SheetWork;
  readonly phase: Phase;
}): JSX.Element {
  const { screen, scan } = work;
  const open = (): void => {
    work.type(true);
  };
  const isIdle = phase.kind === 'verdict' || phase.kind === 'ended';
  if (isIdle && work.typing) return <TypingSheet {...{ screen, scan }} close={work.type} />;
  switch (phase.kind) {
    case 'waiting':
      return <WaitingSheet work={work} phase={phase} />;
    case 'checking':
      return <CheckingSheet screen={screen} />;
    case 'warnings':
      return <WarningSheet screen={screen} warnings={phase.warnings} />;
    case 'start':
      return <StartSheet screen={screen} phase={phase} />;
    case 'arrange':
      return <ArrangeSheet screen={screen} instruction={phase.instruction} />;
    case 'countdown':
      return <CountdownSheet screen={screen} phase={phase} />;
    case 'running':
      return <RunningSheet screen={screen} phase={phase} />;
    case 'deciding':
      return <DecidingSheet screen={screen} />;
    case 'verdict':
      return <ResultSheet {...{ screen, open }} result={phase.result} />;
    case 'ended':
      return <EndedSheet {...{ screen, phase, open }} />;
    default:
      return unreachable(phase);
  }
}

function WaitingSheet({
  work: { screen, broken, typing, type, scan },
  phase,
}: {
  readonly work: SheetWork;
  readonly phase: Phase & { readonly kind: 'waiting' };
}): JSX.Element {
  const { nest, view, words } = screen;
  if (nest.hold.hold !== 'yours') return <HoldSheet screen={screen} />;
  if (typing) return <TypingSheet {...{ screen, scan }} close={type} />;
  const refused = [...(phase.refused ?? []), ...nest.refusal];
  const open = (): void => {
    type(true);
  };
  if (refused.length > 0) {
    return (
      <ScanSheet screen={screen} broken={broken} open={open}>
        <ProblemList problems={refused} words={words} />
      </ScanSheet>
    );
  }
  if (!view.mayTest && view.checkedAt > 0) return <NotReadySheet screen={screen} />;
  return <ScanSheet screen={screen} broken={broken} open={open} />;
}
