/** A key that went down, as the browser tells it. */
export interface Stroke {
  /** Value of `KeyboardEvent.key`. */
  readonly key: string;
  /** ms on any clock that does not go back. */
  readonly at: number;
  /** Whether the keyboard repeats a key that is held. */
  readonly repeat: boolean;
  readonly control: boolean;
}

/** What was heard so far of keys that follow each other too fast for a hand. */
export interface Wedge {
  /** Characters of the run; a line end or tab stands for a terminator. */
  readonly text: string;
  /** When its last key came; −Infinity before the first. */
  readonly last: number;
}

/** A run of keys that has ended. */
export type Scan =
  | { readonly kind: 'whole'; readonly text: string }
  /** Fast like a scanner, but without the terminator: the end is missing. */
  | { readonly kind: 'partial'; readonly text: string };

/** Keys nearer to each other than this, ms, come from a scanner. Common practice, no source. */
export const BURST_GAP = 35;

/** Silence after which a run has ended, ms: two scans that follow each other faster run together. */
export const SETTLED = 60;

/** Fewer characters may be two fingers that roll over two keys. */
const LEAST = 4;

/** A scan longer than this is cut, loses its terminator and so counts as partial. */
const LONGEST = 600;

export const NOTHING_HEARD: Wedge = { text: '', last: -Infinity };

/** Keys that are held while others are pressed; a scanner sends them too. */
const MODIFIERS = new Set([
  ...['Shift', 'Control', 'Alt', 'AltGraph', 'Meta', 'CapsLock', 'NumLock', 'Fn'],
]);

/**
 * Takes one key into the run. Nothing is decided before the keyboard is silent for `SETTLED`.
 *
 * @returns The run, and whether this key belongs to a burst and so must reach nothing else on the page.
 * The first key of a burst cannot be known to be one: buttons must wait for their key to come up.
 */
export function hear(
  wedge: Wedge,
  stroke: Stroke,
): { readonly wedge: Wedge; readonly isBurst: boolean } {
  const { key, at, repeat, control } = stroke;
  if (repeat) return { wedge, isBurst: false };
  if (MODIFIERS.has(key)) return { wedge, isBurst: false };
  const character = characterOf(key, control);
  const isFast = at - wedge.last < BURST_GAP;
  if (character === undefined) return { wedge: NOTHING_HEARD, isBurst: false };
  if (!isFast) return { wedge: { text: character, last: at }, isBurst: false };
  const text = (wedge.text + character).slice(0, LONGEST);
  return { wedge: { text, last: at }, isBurst: true };
}

/** What a key adds to a scan; undefined for a key that no scanner sends. */
function characterOf(key: string, control: boolean): string | undefined {
  if (key === 'Enter') return control ? undefined : '\r';
  if (key === 'Tab') return '\t';
  // FNC1 reaches us as the group separator, which keyboards have under Control and a bracket.
  if (control) return key === ']' ? '\u001d' : key === 'j' || key === 'm' ? '\r' : undefined;
  // A wrong keyboard layout turns a character into a dead key; the reader of labels names the damage.
  if (key === 'Dead' || key === 'Unidentified') return '\ufffd';
  return Array.from(key).length === 1 ? key : undefined;
}

const isTerminator = (character: string): boolean => /[\r\n\t]/u.test(character);

/**
 * Says what a run was when the keyboard has been silent for `SETTLED`.
 *
 * @returns The text as it came, without its terminators at the end; terminators inside stay, so that the
 * reader of labels sees two scans that ran together. undefined for what a hand has typed.
 */
export function settle(wedge: Wedge): Scan | undefined {
  const text = wedge.text.replace(/[\r\n\t]+$/u, '');
  if (text.length < LEAST) return undefined;
  const isWhole = isTerminator(wedge.text.slice(-1));
  return { kind: isWhole ? 'whole' : 'partial', text };
}
