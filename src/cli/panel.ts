import type { Warning } from '../procedure/procedure.js';

const WIDTH = 76;

/**
 * Draws one warning in characters: alert symbol and signal word, then hazard, consequence and
 * avoidance. Order after ANSI Z535.4 (from memory); the wording is the procedure's.
 */
export function warningPanel(warning: Warning, language: string): string {
  const text = warning.texts.get(language);
  if (text === undefined) throw new Error(`warning "${warning.hazard}" has no text in ${language}`);
  const rule = '━'.repeat(WIDTH);
  const body = [text.hazard, text.consequence].join(' ');
  return [
    `┏${rule}┓`,
    row(`  /!\\  ${warning.signal}   ${text.heading}`),
    `┠${'─'.repeat(WIDTH)}┨`,
    ...wrap(body, WIDTH - 4).map((line) => row(`  ${line}`)),
    ...wrap(text.avoidance.toUpperCase(), WIDTH - 4).map((line) => row(`  ${line}`)),
    row(
      `  sign with the meaning of ISO 7010 ${warning.sign}, wording ${language} issue ${warning.issue}`,
    ),
    `┗${rule}┛`,
  ].join('\n');
}

function row(text: string): string {
  return `┃${text.padEnd(WIDTH)}┃`;
}

/** Breaks a text into lines of at most `width` characters at its spaces. */
export function wrap(text: string, width: number): readonly string[] {
  const lines: string[] = [];
  let line = '';
  for (const word of text.split(/\s+/u)) {
    if (line !== '' && line.length + 1 + word.length > width) {
      lines.push(line);
      line = word;
    } else {
      line = line === '' ? word : `${line} ${word}`;
    }
  }
  return line === '' ? lines : [...lines, line];
}
