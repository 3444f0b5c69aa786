import { celsius, volt } from '../base/units.js';
import { unreachable } from '../base/error.js';
import type { ItemFault, Result } from '../decision/decision.js';
import { isAcceptedOutside } from '../decision/reason.js';
import type { Certificate } from './certificate.js';
import type { Figure } from './figure.js';
import { drawVerdict, VERDICT_COLOUR } from './marks.js';
import {
  BODY,
  CONTENT_WIDTH,
  HAIRLINE,
  IDENTITY,
  INK,
  LEADING,
  NOTE,
  PAGE,
  SMALL_INK,
  STRONG,
} from './page.js';
import type { Element, Sheet, Style } from './page.js';
import { drawFigure, figureHeight } from './plot.js';
import { drawResults } from './results.js';
import {
  badness,
  componentNames,
  conformity,
  dayOf,
  duration,
  gateWords,
  instant,
  RELATES_ONLY,
  rowSentence,
  ruleSentence,
  specification,
  timeOf,
  titleOf,
} from './words.js';

/** Draws title, maker, place, number and the block of facts about item, documents and conditions. */
export function drawTitle(sheet: Sheet, parent: Element, certificate: Certificate): void {
  const { doc } = sheet;
  const half = CONTENT_WIDTH * 0.62;
  sheet.mark(parent, 'H1', () => {
    sheet.line(titleOf(certificate), PAGE.left, 64, { face: 'bold', size: 20, colour: INK });
  });
  const identity: Style = { ...IDENTITY, size: 13.5 };
  const fitted = sheet.fit(certificate.number, identity, CONTENT_WIDTH * 0.36);
  const number = sheet.wrap(certificate.number, fitted, CONTENT_WIDTH * 0.36);
  const right = (lines: readonly string[], baseline: number, style: Style): void => {
    sheet.mark(parent, 'P', () => {
      lines.forEach((line, i) => {
        const above = (lines.length - 1 - i) * style.size * LEADING;
        sheet.lineEnd(line, PAGE.right, baseline - above, style);
      });
    });
  };
  right(number, 64, fitted);
  right([`revision ${certificate.revision}`], 78, BODY);
  right([`issued ${instant(certificate.issued)}`], 89.5, BODY);
  let y = 70.5;
  for (const [text, style] of [
    [certificate.maker.name, STRONG],
    [certificate.maker.address, SMALL_INK],
    [
      `tested at bench ${certificate.bench}, nest ${certificate.nest}, ${certificate.place}`,
      SMALL_INK,
    ],
  ] as const) {
    sheet.mark(parent, 'P', () => {
      y += sheet.lines(sheet.wrap(text, style, half), PAGE.left, y, style);
    });
  }
  sheet.y = Math.max(y + 3, 96);
  sheet.artifact(() => {
    sheet.rule(sheet.y, 1.3, INK);
  });
  const [upper, lower] = facts(certificate);
  drawFacts(sheet, parent, upper);
  sheet.artifact(() => {
    sheet.rule(sheet.y, 0.5, HAIRLINE);
  });
  drawFacts(sheet, parent, lower);
  sheet.artifact(() => {
    sheet.rule(sheet.y, 0.9, INK);
  });
  doc.lineCap('butt');
}

interface Fact {
  readonly label: string;
  readonly value: string;
  readonly style: Style;
  readonly detail: string;
}

const VALUE: Style = { face: 'bold', size: 9, colour: INK };

function facts(c: Certificate): readonly [readonly Fact[], readonly Fact[]] {
  const fact = (label: string, value: string, detail: string, style = VALUE): Fact => ({
    label,
    value,
    detail,
    style,
  });
  const { ambient, humidity, supply } = c.environment;
  const celsiusText = celsius(ambient).toFixed(1).replace('-', '−');
  return [
    [
      fact('serial', c.serial, builtIn(c.item), { face: 'mono', size: 11.5, colour: INK }),
      fact('model', c.model.name, `rev ${c.model.revision}, GTIN ${c.model.gtin}`),
      fact('firmware', c.item.firmware, software(c.item)),
      fact(
        'attempt',
        `${c.attempt} of ${c.attemptsAllowed} allowed`,
        `${c.sample === undefined ? '' : 'sample item, '}took ${duration(c.ended - c.started)}`,
      ),
    ],
    [
      fact(
        'method',
        `${c.procedure.title}, issue ${c.procedure.issue}`,
        `${c.procedure.id}, ${c.procedure.date}`,
      ),
      fact('specification', specification(c), `${c.limits.title}, ${c.limits.date}`),
      fact('tested', dayOf(c.started), `${timeOf(c.started)} to ${timeOf(c.ended)} UTC`),
      fact(
        'environment',
        `${celsiusText} °C`,
        `${(humidity * 100).toFixed(0)} % RH, ${volt(supply).toFixed(1)} V`,
      ),
    ],
  ];
}

/** The components that the item tells. */
const builtIn = (item: Certificate['item']): string =>
  componentNames(item)
    .map(([name, serial]) => `${name} ${serial}`)
    .join('\n');

function software({ firmwareDigest, parametersDigest }: Certificate['item']): string {
  const firmware = `sha256 ${shortDigest(firmwareDigest)}`;
  if (parametersDigest === undefined) return firmware;
  return `${firmware}, parameters ${shortDigest(parametersDigest)}`;
}

/** A digest that stands in full further down. */
const shortDigest = (digest: string): string => `${digest.slice(0, 6)}…${digest.slice(-4)}`;

const FACT_COLUMNS = [
  { from: 0, width: 140 },
  { from: 150, width: 144 },
  { from: 304, width: 96 },
  { from: 408, width: CONTENT_WIDTH - 408 },
];

function drawFacts(sheet: Sheet, parent: Element, row: readonly Fact[]): void {
  const top = sheet.y + 4;
  let bottom = top;
  row.forEach((fact, i) => {
    const { from, width } = FACT_COLUMNS[i] ?? { from: 0, width: CONTENT_WIDTH };
    let y = top;
    for (const [text, style] of [
      [fact.label, NOTE],
      [fact.value, sheet.fit(fact.value, fact.style, width)],
      [fact.detail, SMALL_INK],
    ] as const) {
      if (text === '') continue;
      sheet.mark(parent, 'P', () => {
        y += sheet.lines(sheet.wrap(text, style, width), PAGE.left + from, y, style);
      });
    }
    bottom = Math.max(bottom, y);
  });
  sheet.y = bottom + 4;
}

const SHAPE_WIDTH = 80;
const INSET = 12;

/** Draws the verdict by shape and word beside the statement of conformity and its rule. */
export function drawVerdictPanel(sheet: Sheet, parent: Element, certificate: Certificate): void {
  const { decision } = certificate;
  const { word } = decision.verdict;
  const colour = VERDICT_COLOUR[word];
  const width = CONTENT_WIDTH - SHAPE_WIDTH - 2 * INSET;
  const head: Style = { face: 'bold', size: 10, colour: INK };
  const sentence = sheet.wrap(conformity(certificate), head, width);
  const details = [
    ...(isUnconditional(decision) ? [] : [decision.reason]),
    `${ruleSentence(decision.results)} ${RELATES_ONLY}`,
  ].map((text) => sheet.wrap(text, BODY, width));
  const lines = details.reduce((sum, l) => sum + l.length, 0);
  const text =
    sentence.length * head.size * LEADING + lines * BODY.size * LEADING + details.length * 3;
  const height = Math.max(76, text + 18);
  sheet.y += 9;
  const top = sheet.y;
  sheet.artifact(() => {
    sheet.doc.lineJoin('miter').lineWidth(1.6);
    sheet.doc.rect(PAGE.left + 0.8, top, CONTENT_WIDTH - 1.6, height).stroke(colour);
    sheet.doc.moveTo(PAGE.left + SHAPE_WIDTH, top).lineTo(PAGE.left + SHAPE_WIDTH, top + height);
    sheet.doc.stroke(colour);
  });
  const centre = { x: PAGE.left + SHAPE_WIDTH / 2, y: top + height / 2 - 9 };
  sheet.mark(parent, 'P', () => {
    drawVerdict(sheet, word, centre, 38);
    sheet.lineMiddle(word, centre.x, centre.y + 36, { face: 'bold', size: 12, colour });
  });
  const x = PAGE.left + SHAPE_WIDTH + INSET;
  let y = top + Math.max(8, (height - text) / 2);
  sheet.mark(parent, 'P', () => {
    y += sheet.lines(sentence, x, y, head) + 3;
  });
  for (const detail of details) {
    sheet.mark(parent, 'P', () => {
      y += sheet.lines(detail, x, y, BODY) + 3;
    });
  }
  sheet.y = top + height;
}

/** Whether nothing needs to be said beside the statement of conformity. */
function isUnconditional({ verdict, results }: Certificate['decision']): boolean {
  return verdict.outcome === 'conforming' && !results.some(isAcceptedOutside);
}

/**
 * Says what was found on an item that was not accepted, before all its results.
 *
 * @returns The figure that was drawn here, so that it is not drawn twice.
 */
export function drawFinding(
  sheet: Sheet,
  parent: Element,
  certificate: Certificate,
): Figure | undefined {
  const { decision } = certificate;
  if (decision.verdict.word === 'ACCEPT') return undefined;
  const rows = rowsOf(decision);
  const figure = rows
    .map((r) => certificate.figures.find((f) => isShown(f, r)))
    .find((f) => f !== undefined);
  const half = CONTENT_WIDTH / 2 - 10;
  const indent = figure === undefined ? 0 : half + 20;
  const width = CONTENT_WIDTH - indent;
  const texts = finding(certificate, rows).map((text) => sheet.wrap(text, BODY, width));
  const lines = texts.reduce((sum, l) => sum + l.length, 0);
  const words = lines * BODY.size * LEADING + texts.length * 4 + DISPOSITION;
  const drawn = figure === undefined ? undefined : { ...figure, width: 'half' as const };
  const height = Math.max(words, drawn === undefined ? 0 : figureHeight(drawn));
  sheet.heading(parent, 'What was found', '', Math.min(height, 600));
  const top = sheet.y;
  if (drawn !== undefined) {
    sheet.mark(
      parent,
      'Figure',
      () => {
        drawFigure(sheet, drawn, { x: PAGE.left, y: top, width: half });
      },
      { alt: drawn.alternative },
    );
  }
  drawTexts(sheet, parent, texts, PAGE.left + indent);
  disposition(sheet, parent, PAGE.left + indent);
  sheet.y = Math.max(sheet.y, drawn === undefined ? 0 : top + figureHeight(drawn)) + 2;
  if (rows.length > 0) drawResults(sheet, parent, rows);
  return figure;
}

function drawTexts(
  sheet: Sheet,
  parent: Element,
  texts: readonly (readonly string[])[],
  x: number,
): void {
  for (const text of texts) {
    sheet.need(text.length * BODY.size * LEADING);
    sheet.mark(parent, 'P', () => {
      sheet.y += sheet.lines(text, x, sheet.y, BODY) + 4;
    });
  }
}

const DISPOSITION = 46;

/** A line for the person who decides what becomes of the item; this bench does not. */
function disposition(sheet: Sheet, parent: Element, x: number): void {
  sheet.need(DISPOSITION);
  sheet.mark(parent, 'P', () => {
    const label = 'Disposition ';
    sheet.line(label, x, sheet.y + 9, STRONG);
    const after = x + sheet.width(label, STRONG) + 4;
    sheet.line('(by a quality engineer, not by this bench) ', after, sheet.y + 9, SMALL_INK);
    const y = sheet.y + 32;
    const parts = [
      ['decision', 0, 0.46],
      ['name', 0.5, 0.76],
      ['date', 0.8, 1],
    ] as const;
    const width = PAGE.right - x;
    for (const [text, from, to] of parts) {
      sheet.rule(y, 0.6, INK, x + from * width, x + to * width);
      sheet.line(`${text} `, x + from * width, y + 8.5, NOTE);
    }
  });
  sheet.y += DISPOSITION;
}

const isShown = (figure: Figure, result: Result): boolean =>
  figure.shows?.includes(`${result.limit.stage}.${result.limit.characteristic}`) === true;

/** The rows that brought the verdict about, the worst first; none when the whole attempt is in doubt. */
function rowsOf({ verdict, results, itemFault }: Certificate['decision']): readonly Result[] {
  if (itemFault !== undefined) return [];
  const { outcome } = verdict;
  switch (outcome) {
    case 'nonconforming':
    case 'inconclusive':
    case 'conditional':
      return results
        .filter((r) => r.verdict.outcome === outcome && isOnSide(r, verdict))
        .sort((a, b) => badness(b) - badness(a));
    case 'conforming':
    case 'invalid':
    case 'aborted':
      return [];
    default:
      return unreachable(outcome);
  }
}

/** An item held for what is outside on condition is not told about what is inside on condition. */
function isOnSide(result: Result, verdict: Certificate['decision']['verdict']): boolean {
  if (verdict.outcome !== 'conditional' || result.verdict.outcome !== 'conditional') return true;
  return result.verdict.side === verdict.side;
}

function finding(certificate: Certificate, rows: readonly Result[]): readonly string[] {
  const { verdict, gates, itemFault } = certificate.decision;
  if (itemFault !== undefined) return faultFound(itemFault);
  const closed = gates.filter((gate) => !gate.holds);
  switch (verdict.outcome) {
    case 'conforming':
      return [];
    case 'nonconforming':
      return [
        ...rows.slice(0, 4).map((r) => `Outside: ${describe(r)}`),
        ...(rows.length > 4 ? [`${rows.length - 4} more are listed below.`] : []),
        'Blamed on the item: every gate of stand, link and operator held.',
      ];
    case 'conditional':
      return [
        ...rows.slice(0, 4).map((r) => `On condition, ${verdict.side}: ${describe(r)}`),
        'Nearer to a limit than U: a person decides on what condition the item may be used.',
      ];
    case 'inconclusive':
      return [
        ...rows.slice(0, 4).map((r) => `Nearer to a limit than U: ${describe(r)}`),
        'Held by uncertainty: nobody is blamed.',
      ];
    case 'invalid':
    case 'aborted':
      return notMeasured(certificate, closed);
    default:
      return unreachable(verdict);
  }
}

const faultFound = ({ what, evidence }: ItemFault): readonly string[] => [
  `Fault of the item: ${what}`,
  evidence,
  'Blamed on the item: no gate of stand, link or operator closed.',
];

function notMeasured(certificate: Certificate, closed: readonly Gate[]): readonly string[] {
  if (closed.length === 0) return ['No gate closed.', ...unread(certificate)];
  return [
    ...closed.map((g) => closedGate(g)),
    `Held by a gate; it points at: ${blamed(closed).join(', ')}. Nothing is said against an item by a gate that points elsewhere.`,
  ];
}

/** Rows without a value although no gate closed: the measurement itself gave none. */
function unread(certificate: Certificate): readonly string[] {
  const rows = certificate.decision.results.filter((r) => r.verdict.outcome === 'invalid');
  const named = rows
    .slice(0, 4)
    .map(
      (r) => `${r.name}: ${r.verdict.outcome === 'invalid' ? r.verdict.reasons.join('; ') : ''}`,
    );
  if (rows.length === 0) return [];
  const more = rows.length > 4 ? ` and ${rows.length - 4} more` : '';
  return [`Not evaluated: ${named.join(', ')}${more}. Nobody is blamed.`];
}

type Gate = Certificate['decision']['gates'][number];

function closedGate(gate: Gate): string {
  const where = gate.scope === 'run' ? 'of the run' : `of stage ${gate.scope}`;
  const { found, allowed } = gateWords(gate);
  return `Gate closed: ${gate.name} ${where}, found ${found}, allowed ${allowed}. ${gate.evidence}`;
}

const blamed = (gates: readonly Gate[]): readonly string[] =>
  [...new Set(gates.map((g) => g.blames))].map((b) => b.toUpperCase());

function describe(result: Result): string {
  const { outcome, side } = result;
  const repeats = outcome.kind === 'measured' ? outcome.repeats : undefined;
  const mean = repeats !== undefined && repeats > 1 ? `, mean of ${repeats}` : '';
  return `${result.name}: ${rowSentence(result)}. Read from ${SIDES[side]}${mean}.`;
}

const SIDES: Readonly<Record<Result['side'], string>> = {
  motor: 'the motor current',
  shaft: 'the shaft transducer',
  electrical: 'the supply',
  thermal: 'the winding temperature',
  acoustic: 'the microphone',
  link: 'the link',
};
