import type { Problem } from '../base/error.js';

/** FNC1 between two elements, as a scanner sends it: ASCII 29, the group separator. */
export const SEPARATOR = '\u001d';

/** A scan longer than this is none of a label; it also bounds the time that reading takes. */
const LONGEST = 500;

/** Takes off the one line end or tab with which a scanner ends; everything else stays. */
export function withoutTerminator(text: string): string {
  return text.replace(/(?:\r\n|[\r\n\t])$/, '');
}

/** Puts ASCII 29 where a scanner shows it: `<GS>`, `[GS]`, `{GS}`, `^]` or the symbol ␝. */
export function withSeparators(text: string): string {
  return text.replace(/<GS>|\[GS\]|\{GS\}|\^\]|␝/gi, SEPARATOR);
}

/** Quotes a scan so that nothing in it stays invisible, cut when it is long. */
export function quoted(text: string): string {
  const shown = text.replaceAll(SEPARATOR, '<GS>').replace(INVISIBLE, codePoint);
  return `"${shown.length > 80 ? `${shown.slice(0, 80)}…` : shown}"`;
}

const INVISIBLE = /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu;

/** Writes a character as `<U+00DF>`. */
function codePoint(character: string): string {
  const number = character.codePointAt(0) ?? 0;
  return `<U+${number.toString(16).toUpperCase().padStart(4, '0')}>`;
}

/** Names the characters of a text that are no printable ASCII; "" when there are none. */
export function oddCharacters(text: string): string {
  const odd = new Set(Array.from(text).filter((c) => !/^[\x21-\x7e]$/.test(c)));
  return [...odd].map(codePoint).join(' ');
}

/** Problems of a scan as a text, whatever it says. */
export function textProblems(text: string): readonly Problem[] {
  if (text === '') {
    return [wrong('Nothing was read.', 'Scan the label, or give the text of it.')];
  }
  if (text.length > LONGEST) {
    const what = `The scan has ${text.length} characters, but a label has ${LONGEST} at most.`;
    return [wrong(what, 'Scan the label of one item.')];
  }
  if (/[\r\n\t]/.test(text)) {
    const what = `Two scans run together: a line end or tab stands inside ${quoted(text)}.`;
    return [wrong(what, 'Scan one label.')];
  }
  const control = text.replaceAll(SEPARATOR, '').match(INVISIBLE);
  if (control === null) return [];
  const what = `${quoted(text)} holds ${oddCharacters(control.join(''))}, which no label holds.`;
  return [wrong(what, 'Set the scanner to send the data as it is, then scan the label again.')];
}

const wrong = (what: string, fix: string): Problem => ({ code: 'serial/grammar', what, fix });

/** Something between label and program that changes every text in one known way. */
export interface Damage {
  /** Completes "The scan was changed by …". */
  readonly name: string;
  readonly fix: string;
  /** Gives the text before the damage, as far as it can be told. */
  readonly undo: (text: string) => string;
}

/** Characters of the same keys in the same order: plain ones, then those with shift. */
const US =
  "`1234567890-=qwertyuiop[]\\asdfghjkl;'zxcvbnm,./" +
  '~!@#$%^&*()_+QWERTYUIOP{}|ASDFGHJKL:"ZXCVBNM<>?';
const GERMAN =
  '^1234567890ß´qwertzuiopü+#asdfghjklöäyxcvbnm,.-' +
  '°!"§$%&/()=?`QWERTZUIOPÜ*\'ASDFGHJKLÖÄYXCVBNM;:_';
const FRENCH =
  '²&é"\'(-è_çà)=azertyuiop^$*qsdfghjklmùwxcvbn,;:!' +
  '~1234567890°+AZERTYUIOP¨£µQSDFGHJKLM%WXCVBN?./§';

/** Puts each character of one layout in place of the one on the same key of another. */
function keysMoved(from: string, to: string): (text: string) => string {
  const moved = new Map(Array.from(from, (c, i) => [c, to.charAt(i)]));
  return (text) => Array.from(text, (c) => moved.get(c) ?? c).join('');
}

/** German keys make `]` with AltGr and 9, of which another layout leaves a 9 or nothing. */
function bracketRestored(text: string): string {
  return text.replace(/^9?(?=(?:C1|d2|Q3|e0)0[0-2]\d{14})/, ']');
}

function caseSwapped(text: string): string {
  return text.replace(/[a-z]/gi, (c) => (c < 'a' ? c.toLowerCase() : c.toUpperCase()));
}

function layoutDamage(computer: string, scanner: string, undo: Damage['undo']): Damage {
  return {
    name: `the scanner keyboard layout: the scanner types for ${scanner}, the computer reads ${computer}`,
    fix: `Set the scanner to the keyboard layout ${computer}, then scan the label again.`,
    undo,
  };
}

const CAPS: Damage = {
  name: 'Caps Lock, which swapped upper and lower case',
  fix: 'Switch Caps Lock off, then scan the label again.',
  undo: caseSwapped,
};

const LAYOUT_DAMAGES: readonly Damage[] = [
  layoutDamage('German', 'US', keysMoved(GERMAN, US)),
  layoutDamage('French', 'US', keysMoved(FRENCH, US)),
  layoutDamage('US', 'German', (text) => bracketRestored(keysMoved(US, GERMAN)(text))),
];

/**
 * What keyboards do to a scan, the most frequent first; Caps Lock may come on top of a layout.
 *
 * Source: keyboard layouts as desktop systems ship them (from memory).
 */
export const DAMAGES: readonly Damage[] = [
  CAPS,
  ...LAYOUT_DAMAGES,
  ...LAYOUT_DAMAGES.map(({ name, fix, undo }) => ({
    name: `Caps Lock and ${name}`,
    fix: `Switch Caps Lock off. ${fix}`,
    undo: (text: string) => caseSwapped(undo(text)),
  })),
];
