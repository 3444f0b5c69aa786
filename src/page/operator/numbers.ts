/** A duration as on a kitchen clock, e.g. "1 min 25 s"; the marks are the same in every language. */
export function durationText(seconds: number): string {
  const whole = Math.max(0, Math.ceil(seconds));
  const [minutes, rest] = [Math.floor(whole / 60), whole % 60];
  return minutes === 0 ? `${rest} s` : `${minutes} min ${String(rest).padStart(2, '0')} s`;
}

/** A time of day in the locale of the person, with seconds where they tell things apart. */
export function timeText(at: number, locale: string, seconds = false): string {
  const parts = { hour: '2-digit', minute: '2-digit', ...(seconds ? { second: '2-digit' } : {}) };
  return new Intl.DateTimeFormat(locale, { ...(parts as Intl.DateTimeFormatOptions) }).format(at);
}

/** A number in the locale of the person, as it was written: no digit is added or taken. */
export function numberText(value: number, locale: string): string {
  return new Intl.NumberFormat(locale, { maximumFractionDigits: 6 })
    .format(value)
    .replace('-', '−');
}

/** The beginning of a serial, and its last five characters, as on the label. */
export function serialParts(serial: string): readonly [string, string] {
  return [serial.slice(0, -5), serial.slice(-5)];
}

/** Puts the decimal sign of the person into a text of values; its digits stay as they are. */
export function localized(text: string, locale: string): string {
  const sign = new Intl.NumberFormat(locale)
    .formatToParts(0.5)
    .find(({ type }) => type === 'decimal')?.value;
  return text.replace(/(\d)\.(\d)/gu, `$1${sign ?? '.'}$2`);
}
