import { WORDS as de } from './de.js';
import { WORDS as en } from './en.js';
import { WORDS as es } from './es.js';
import { WORDS as pl } from './pl.js';
import { LANGUAGES, type Language, type Words } from './words.js';
import { WORDS as zh } from './zh.js';

/** The words of every language; all are there from the start, so changing needs no request. */
export const WORDS_OF: Readonly<Record<Language, Words>> = { en, de, es, pl, zh };

/** Finds the language of the page for a tag such as `de-AT`; undefined when we have none for it. */
export function languageOf(tag: string): Language | undefined {
  const primary = tag.toLowerCase().split('-')[0];
  return LANGUAGES.find((language) => language === primary);
}
