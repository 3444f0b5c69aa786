import { useEffect, useRef, useState } from 'preact/hooks';
import type { Problem } from '../../base/error.js';
import type { HoldView } from '../../serve/hold.js';
import type { Frame, NestCommand, NestView } from '../../serve/nest-view.js';
import { addFrame, emptyTraces, type Traces } from '../drawn/traces.js';
import { command, hold, listen, logOut, Refused, release } from '../link.js';

/** What the page knows of the nest, and what it can ask of it. */
export interface Nest {
  /** undefined before the first word of the bench. */
  readonly view: NestView | undefined;
  readonly hold: HoldView;
  /** Nothing is heard of the bench: what is shown may be old. */
  readonly lost: boolean;
  /** Why the last request was refused; forgotten when the nest goes on. */
  readonly refusal: readonly Problem[];
  /** The stop was asked for and not heard. */
  readonly unheard: boolean;
  readonly ask: (command: NestCommand) => void;
  readonly take: () => void;
  readonly giveBack: () => void;
  /** Ends the session and begins at log-in again. */
  readonly leave: () => void;
  /** Traces of the stage that runs. */
  readonly traces: () => Traces | undefined;
}

/** Columns in which the whole stage is kept: as many as a wide screen has pixels for it. */
const COLUMNS = 800;

const NOBODY: HoldView = { hold: 'free', mayHold: false };

/** Follows the nest for as long as the page is open. */
export function useNest(): Nest {
  const [told, setTold] = useState<{ readonly view: NestView; readonly hold: HoldView }>();
  const [lost, setLost] = useState(false);
  const [refusal, setRefusal] = useState<readonly Problem[]>([]);
  const [unheard, setUnheard] = useState(false);
  const kept = useRef<Kept>({ view: undefined, stage: -1, traces: undefined });
  useEffect(
    () =>
      listen({
        nest: (view, holding) => {
          if (view.phase.kind !== kept.current.view?.phase.kind) {
            setRefusal([]);
            setUnheard(false);
          }
          keepView(kept.current, view);
          setLost(false);
          setTold({ view, hold: holding });
        },
        frame: (frame) => {
          keepFrame(kept.current, frame);
        },
        lost: () => {
          setLost(true);
        },
        back: () => {
          setLost(false);
        },
      }),
    [],
  );
  const tried = (asked: Promise<void>, failed: () => void = () => undefined): void => {
    setRefusal([]);
    asked.catch((error: unknown) => {
      failed();
      setRefusal(problemsOf(error));
    });
  };
  return {
    view: told?.view,
    hold: told?.hold ?? NOBODY,
    ...{ lost, refusal, unheard },
    ask: (wanted) => {
      const isStop = wanted.kind === 'stop';
      tried(command(wanted), () => {
        setUnheard(isStop);
      });
    },
    take: () => {
      tried(hold());
    },
    giveBack: () => {
      tried(release());
    },
    leave: () => {
      tried(
        logOut().then(() => {
          location.reload();
        }),
      );
    },
    traces: useRef(() => kept.current.traces).current,
  };
}

/** What must not wait for the page to be drawn anew: twenty frames and more come each second. */
interface Kept {
  view: NestView | undefined;
  stage: number;
  traces: Traces | undefined;
}

function keepView(kept: Kept, view: NestView): void {
  kept.view = view;
  const stage = 'stage' in view.phase ? view.phase.stage : -1;
  if (stage !== kept.stage) startStage(kept, stage);
}

function startStage(kept: Kept, stage: number): void {
  const seconds = kept.view?.item?.stages[stage]?.seconds;
  kept.stage = stage;
  kept.traces = seconds === undefined ? undefined : emptyTraces(seconds, COLUMNS);
}

function keepFrame(kept: Kept, frame: Frame): void {
  if (frame.stage !== kept.stage) startStage(kept, frame.stage);
  const stage = kept.view?.item?.stages[frame.stage];
  if (stage === undefined || kept.traces === undefined) return;
  // Takes of a stage play one pattern and so last equally long.
  addFrame(kept.traces, frame, (frame.take * stage.seconds) / Math.max(1, stage.takes));
}

/** What to tell of an error: what the server refused, or that it was not reached. */
function problemsOf(error: unknown): readonly Problem[] {
  if (error instanceof Refused) return error.problems;
  const what = error instanceof Error ? error.message : String(error);
  const fix = 'Wait until the page has the bench again, then do it anew.';
  return [{ code: 'bench/unreachable', what, fix }];
}
