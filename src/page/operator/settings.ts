import { useEffect, useState } from 'preact/hooks';
import { languageOf } from '../words/languages.js';
import type { Language } from '../words/words.js';

/** What a person chooses for the own eyes and ears; kept in this browser only. */
export interface Settings {
  readonly language: Language;
  readonly isLoud: boolean;
}

const PLACE = 'stallmark-operator';

/** The settings of this browser, and how to change them. */
export function useSettings(): readonly [Settings, (change: Partial<Settings>) => void] {
  const [settings, set] = useState(kept);
  useEffect(() => {
    document.documentElement.lang = settings.language;
    localStorage.setItem(PLACE, JSON.stringify(settings));
  }, [settings]);
  return [
    settings,
    (change) => {
      set((before) => ({ ...before, ...change }));
    },
  ];
}

function kept(): Settings {
  const text = localStorage.getItem(PLACE) ?? '{}';
  const given = readObject(text);
  const tag = typeof given['language'] === 'string' ? given['language'] : navigator.language;
  return { language: languageOf(tag) ?? 'en', isLoud: given['isLoud'] !== false };
}

/** Settings are of no weight: what cannot be read is as if nobody had chosen. */
function readObject(text: string): Readonly<Record<string, unknown>> {
  try {
    const value: unknown = JSON.parse(text);
    return typeof value === 'object' && value !== null ? (value as Record<string, unknown>) : {};
  } catch (error) {
    if (error instanceof SyntaxError) return {};
    throw error;
  }
}
