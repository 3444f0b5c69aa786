import { exactAxis, exactRatioAxis, linearAxis, stepFor } from './axis.js';
import {
  EMPTY,
  captionOf,
  digits,
  extent,
  keyOf,
  label,
  onAxis,
  saidBy,
  straight,
  valueWords,
  type Of,
  type Reading,
} from './figure-sources.js';
import type { Axis, Figure, Panel } from './figure.js';

type Spectrum = Of<'spectrum'>;
export type SpectrumReading = Reading<Spectrum>;

/** dB below the greatest level that are drawn: nothing there is heard beside it. */
const DEPTH = 90;

/** Draws level over frequency with the lines that were named. */
export function spectrumFigure(reading: SpectrumReading): Figure {
  const { evidence } = reading;
  const said = saidBy(reading);
  const named = (evidence.marks ?? []).map((m) => markText(evidence, m));
  return {
    title: reading.side === 'acoustic' ? 'Sound spectrum' : `Spectrum: ${said.name}`,
    note: captionOf(reading),
    alternative: `Level over frequency. ${[...named, `${said.name}: ${said.text}, ${said.allowed}`].join('; ')}.`,
    width: 'half',
    shows: [keyOf(reading)],
    panels: [spectrumPanel(reading)],
  };
}

function markText({ unit }: Spectrum, mark: NonNullable<Spectrum['marks']>[number]): string {
  return `${mark.label}: ${onAxis(mark.level, 100, unit)} at ${digits(mark.frequency)} Hz`;
}

function spectrumPanel(reading: SpectrumReading): Panel {
  const { evidence } = reading;
  const { frequency, level, unit, marks = [] } = evidence;
  const said = saidBy(reading);
  const [low, high] = extent(
    level,
    marks.map((m) => m.level),
  ) ?? [0, 1];
  const room = Math.max((high - low) * 0.35, 1);
  const y = linearAxis(`level, ${unit}`, Math.max(low, high - DEPTH), high + room, 4);
  const x = frequencyAxis(frequency);
  return {
    ...EMPTY,
    x,
    y,
    lines: [
      { pen: 'joined', x: frequency, y: level },
      ...marks.map((m) => straight([m.frequency, y.from], [m.frequency, m.level])),
    ],
    markers: marks.map((m) => ({ shape: 'ring', x: m.frequency, y: m.level })),
    labels: [
      ...marks.map((m) => label([m.frequency, m.level], markText(evidence, m), { side: 'n' })),
      label([x.from, y.to], valueWords(said), { side: 'se', along: 'anywhere' }),
    ],
  };
}

/** Equal ratios from the first line above zero. */
function frequencyAxis(frequency: Float64Array): Axis {
  const [from, to] = extent(frequency.filter((f) => f > 0)) ?? [1, 10];
  if (to > from * 4) return exactRatioAxis('frequency, Hz', from, to);
  const end = Math.max(to, from * 1.001);
  return exactAxis('frequency, Hz', from, end, stepFor((end - from) / 5));
}
