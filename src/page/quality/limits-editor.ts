import { autocompletion, completionKeymap, type CompletionSource } from '@codemirror/autocomplete';
import { defaultKeymap, history, historyKeymap } from '@codemirror/commands';
import {
  EditorState,
  StateEffect,
  StateField,
  type Extension,
  type Range,
  type Text,
} from '@codemirror/state';
import {
  Decoration,
  EditorView,
  GutterMarker,
  MatchDecorator,
  ViewPlugin,
  WidgetType,
  drawSelection,
  gutter,
  highlightActiveLine,
  keymap,
  lineNumbers,
  type DecorationSet,
  type ViewUpdate,
} from '@codemirror/view';
import type { Problem } from '../../base/error.js';
import { limitsCompletions, type LimitsVocabulary } from '../../procedure/limits-completions.js';
import type { MarginRow } from '../../serve/quality-views.js';
import { LOOK } from './editor-look.js';
import { marginStrip } from './margin-strip.js';

/** What was found about the text, to be drawn at its places. */
export interface Findings {
  /** Those that refuse the text; each stands under its line. */
  readonly problems: readonly Problem[];
  readonly rows: readonly MarginRow[];
  /** Lines that differ from the limits in force. */
  readonly changed: readonly number[];
}

/** An editor of limits. */
export interface LimitsEditor {
  readonly text: () => string;
  readonly replace: (text: string) => void;
  readonly show: (findings: Findings) => void;
  /** Puts the cursor to a place, counted from 1. */
  readonly goTo: (line: number, column: number) => void;
  readonly close: () => void;
}

const findingsFound = StateEffect.define<Findings>();
const NOTHING: Findings = { problems: [], rows: [], changed: [] };

/** The last findings; places move with the text until the next ones come. */
const findingsField = StateField.define<{
  readonly found: Findings;
  readonly drawn: DecorationSet;
}>({
  create: () => ({ found: NOTHING, drawn: Decoration.none }),
  update: (value, transaction) => {
    for (const effect of transaction.effects) {
      if (!effect.is(findingsFound)) continue;
      return { found: effect.value, drawn: drawnOf(effect.value, transaction.state.doc) };
    }
    return transaction.docChanged
      ? { ...value, drawn: value.drawn.map(transaction.changes) }
      : value;
  },
  provide: (field) => EditorView.decorations.from(field, ({ drawn }) => drawn),
});

/** A problem in words, under the line that causes it. */
class ProblemBox extends WidgetType {
  constructor(readonly problem: Problem) {
    super();
  }

  override eq(other: ProblemBox): boolean {
    return JSON.stringify(other.problem) === JSON.stringify(this.problem);
  }

  override toDOM(): HTMLElement {
    const { code, where, what, fix } = this.problem;
    const box = document.createElement('div');
    box.className = 'problem';
    const place = where === undefined ? '' : `${where.file}:${where.line}:${where.column}  `;
    for (const [name, text] of [
      ['problem-code', `${place}${code}`],
      ['problem-what', what],
      ['problem-fix', `Fix: ${fix}`],
    ] as const) {
      const line = document.createElement('div');
      line.className = name;
      line.textContent = text;
      box.append(line);
    }
    // The space around it is padding of a parent: the editor does not measure margins.
    const room = document.createElement('div');
    room.className = 'problem-room';
    room.append(box);
    return room;
  }

  override ignoreEvent(): boolean {
    return true;
  }
}

function drawnOf({ problems, changed }: Findings, doc: Text): DecorationSet {
  const ranges: Range<Decoration>[] = [];
  for (const number of new Set(changed)) {
    if (number > doc.lines) continue;
    ranges.push(Decoration.line({ class: 'changed' }).range(doc.line(number).from));
  }
  for (const problem of problems) {
    const { where } = problem;
    if (where === undefined || where.line > doc.lines) continue;
    const line = doc.line(where.line);
    const from = Math.min(line.from + where.column - 1, line.to);
    const to = Math.min(from + (where.length ?? 1), line.to);
    if (to > from) ranges.push(Decoration.mark({ class: 'wrong' }).range(from, to));
    const widget = new ProblemBox(problem);
    ranges.push(Decoration.widget({ widget, block: true, side: 1 }).range(line.to));
  }
  return Decoration.set(ranges, true);
}

class StripMarker extends GutterMarker {
  constructor(readonly row: MarginRow) {
    super();
  }

  override eq(other: StripMarker): boolean {
    return JSON.stringify(other.row) === JSON.stringify(this.row);
  }

  override toDOM(): Node {
    return marginStrip(this.row);
  }
}

/** The strips beside the lines that set their limits. */
const strips = gutter({
  class: 'margin',
  side: 'after',
  lineMarker: (view, line) => {
    const number = view.state.doc.lineAt(line.from).number;
    const { found } = view.state.field(findingsField);
    const row = found.rows.find((one) => one.line === number);
    return row === undefined ? null : new StripMarker(row);
  },
  lineMarkerChange: (update) =>
    update.transactions.some(({ effects }) => effects.some((effect) => effect.is(findingsFound))),
});

/** Keys and comments, told apart by weight: a file of limits has few kinds of words. */
function wordMarks(pattern: RegExp, name: string): Extension {
  const decorator = new MatchDecorator({
    regexp: pattern,
    decoration: Decoration.mark({ class: name }),
  });
  return ViewPlugin.fromClass(
    class {
      decorations: DecorationSet;
      constructor(view: EditorView) {
        this.decorations = decorator.createDeco(view);
      }
      update(update: ViewUpdate): void {
        this.decorations = decorator.updateDeco(update, this.decorations);
      }
    },
    { decorations: (plugin) => plugin.decorations },
  );
}

function completionsFrom(vocabulary: LimitsVocabulary): CompletionSource {
  return ({ state, pos, explicit }) => {
    const found = limitsCompletions(state.doc.toString(), pos, vocabulary);
    if (found === undefined || (found.from === pos && !explicit && !isAfterNumber(state, pos))) {
      return null;
    }
    return {
      from: found.from,
      options: found.options.map(({ word, meaning, kind }, i) => ({
        label: word,
        boost: -Math.min(i, 99), // in the order in which they are offered
        apply: kind === 'key' || kind === 'row' ? `${word}: ` : word,
        ...(meaning === '' ? {} : { info: meaning }),
      })),
    };
  };
}

/** Units are offered at once: nobody knows by heart which ones a characteristic takes. */
const isAfterNumber = (state: EditorState, pos: number): boolean =>
  /\d $/u.test(state.doc.sliceString(Math.max(0, pos - 3), pos));

/**
 * Opens an editor inside an element. It lives in a shadow tree, where its style sheets are objects: the
 * content policy of the page allows no others.
 */
export function openEditor(
  host: HTMLElement,
  given: {
    readonly text: string;
    readonly vocabulary: LimitsVocabulary;
    readonly onChange: () => void;
  },
): LimitsEditor {
  const root = host.shadowRoot ?? host.attachShadow({ mode: 'open' });
  const view = new EditorView({
    root,
    parent: root,
    state: EditorState.create({
      doc: given.text,
      extensions: [
        lineNumbers(),
        isOfWindows(given.text) ? EditorState.lineSeparator.of('\r\n') : [],
        history(),
        drawSelection(),
        highlightActiveLine(),
        EditorView.lineWrapping,
        EditorView.contentAttributes.of({ 'aria-label': 'Text of the limits', tabindex: '0' }),
        wordMarks(/(?<=^(?:[^#]*[{,\s])?)[a-z][\w.-]*(?=:(?:\s|$))/gu, 'word-key'),
        wordMarks(/(?:^|\s)#.*$/gu, 'word-comment'),
        autocompletion({
          override: [completionsFrom(given.vocabulary)],
          icons: false,
          activateOnTyping: true,
        }),
        findingsField,
        strips,
        keymap.of([...completionKeymap, ...historyKeymap, ...defaultKeymap]),
        EditorView.updateListener.of((update) => {
          if (update.docChanged) given.onChange();
        }),
        LOOK,
      ],
    }),
  });
  view.dispatch({ effects: EditorView.scrollIntoView(firstRow(given.text), { y: 'start' }) });
  return {
    text: () => view.state.sliceDoc(), // with the line ends it came with
    replace: (text) => {
      view.dispatch({ changes: { from: 0, to: view.state.doc.length, insert: text } });
    },
    show: (findings) => {
      view.dispatch({ effects: findingsFound.of(findings) });
    },
    goTo: (line, column) => {
      const at = view.state.doc.line(Math.min(Math.max(1, line), view.state.doc.lines));
      const anchor = Math.min(at.from + column - 1, at.to);
      view.dispatch({
        selection: { anchor },
        effects: EditorView.scrollIntoView(anchor, { y: 'center' }),
      });
      view.focus();
    },
    close: () => {
      view.destroy();
    },
  };
}

/** Where the limits themselves begin: what comes before them is seldom edited. */
const firstRow = (text: string): number => Math.max(0, text.search(/^rows:/mu));

const isOfWindows = (text: string): boolean => /\r\n/u.test(text) && !/(?<!\r)\n/u.test(text);
