import type { Start } from '../link.js';
import type { Nest } from './nest.js';
import type { Settings } from './settings.js';
import type { Words } from '../words/words.js';
import type { NestView } from '../../serve/nest-view.js';

/** What every part of the operator page is drawn from. */
export interface Screen {
  readonly nest: Nest;
  readonly view: NestView;
  readonly words: Words;
  readonly settings: Settings;
  /** Whether what is pressed here reaches the bench. */
  readonly mayAct: boolean;
  /** ms since the Unix epoch, drawn anew each quarter of a second. */
  readonly now: number;
  readonly person: Start['person'];
}
