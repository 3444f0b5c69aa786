import { existsSync, readFileSync, readdirSync, statSync } from 'node:fs';
import { dirname, join, relative } from 'node:path';
import { fileURLToPath } from 'node:url';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import { isNote } from '../base/report.js';
import { checkApproval } from '../procedure/approval.js';
import type { Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import { documentKindOf, readLimits, readProcedure, readStation } from '../procedure/schema.js';
import type { Station } from '../procedure/station.js';
import { decodeText } from '../procedure/yaml.js';
import { CHARACTERISTICS, GATES } from '../scoring/catalogue.js';
import { checkPlan, checkStages, planOf, type Catalogue, type Plan } from './plan.js';

/** Folder of this package: the shipped procedures, limits and benches lie in it. */
export const PACKAGE_ROOT = fileURLToPath(new URL('../..', import.meta.url));

/** Folders in which documents are looked for when none is named. */
export const DEFAULT_FOLDERS = [join(PACKAGE_ROOT, 'procedures'), join(PACKAGE_ROOT, 'limits')];

const CATALOGUE: Catalogue = { characteristics: CHARACTERISTICS, gates: GATES };

/** Documents that were read, whatever was wrong with the others, and the texts to quote from. */
export interface Documents {
  readonly procedures: readonly Procedure[];
  readonly limits: readonly Limits[];
  readonly stations: readonly Station[];
  readonly problems: readonly Problem[];
  /** Text by the file name that problems carry. */
  readonly texts: ReadonlyMap<string, string>;
}

/**
 * Reads procedures, limits and benches from files and folders, gathering every problem.
 *
 * @param paths - Files, or folders that are searched for `*.yaml` at any depth.
 */
export function readDocuments(paths: readonly string[]): Documents {
  const procedures: Procedure[] = [];
  const limits: Limits[] = [];
  const stations: Station[] = [];
  const problems: Problem[] = [];
  const texts = new Map<string, string>();
  for (const path of paths.flatMap((p) => yamlFiles(p, problems))) {
    const file = displayName(path);
    try {
      const text = readText(path);
      texts.set(file, text);
      const kind = documentKindOf(text, file);
      if (kind === 'procedure') procedures.push(readProcedure(text, file, recordingsBeside(path)));
      if (kind === 'limits') limits.push(readLimits(text, file));
      if (kind === 'bench') stations.push(readStation(text, file));
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      problems.push(...error.problems);
    }
  }
  return { procedures, limits, stations, problems, texts };
}

function yamlFiles(path: string, problems: Problem[]): readonly string[] {
  if (!existsSync(path)) {
    const what = `There is no file or folder "${path}".`;
    problems.push({
      code: 'storage/unreadable',
      what,
      fix: 'Name a YAML file or a folder of them.',
    });
    return [];
  }
  if (!statSync(path).isDirectory()) return [path];
  return readdirSync(path, { recursive: true, encoding: 'utf8' })
    .filter((name) => /\.ya?ml$/u.test(name))
    .sort()
    .map((name) => join(path, name));
}

/** A path as a person would type it from here; as it is when it lies elsewhere. */
function displayName(path: string): string {
  const short = relative(process.cwd(), path);
  return short.startsWith('..') ? path : short;
}

function readText(path: string): string {
  try {
    return decodeText(readFileSync(path), displayName(path));
  } catch (cause) {
    if (cause instanceof StallmarkError) throw cause;
    const what = `"${path}" cannot be read: ${String(cause)}.`;
    const fix = 'Check the name and the rights of the file.';
    throw new StallmarkError([{ code: 'storage/unreadable', what, fix }], { cause });
  }
}

function recordingsBeside(path: string): (name: string) => Uint8Array | undefined {
  return (name) => {
    const file = join(dirname(path), name);
    return existsSync(file) ? readFileSync(file) : undefined;
  };
}

/** The documents one attempt needs, chosen by the model in the serial unless files are named. */
export interface Chosen {
  readonly procedure: Procedure;
  readonly limits: Limits;
  readonly station: Station;
  readonly texts: ReadonlyMap<string, string>;
}

export interface Choice {
  readonly serial: string;
  readonly procedure?: string;
  readonly limits?: string;
  readonly bench?: string;
  /** Which kind of procedure to look for when none is named; acceptance if left out. */
  readonly purpose?: Procedure['purpose'];
}

/**
 * Chooses the procedure, limits and bench for a serial. Nobody picks a procedure by hand unless
 * files are named; two that fit are as bad as none.
 *
 * @throws serial/unknown-model, serial/grammar, document/mismatch, and every problem of the files.
 */
export function chooseDocuments(choice: Choice): Chosen {
  const named = [choice.procedure, choice.limits, choice.bench].filter((p) => p !== undefined);
  const wanted = named.length === 3 ? named : [...DEFAULT_FOLDERS, ...named];
  const all = readDocuments(wanted);
  throwIfAny(all.problems);
  const { procedure, station } = choosePair(all, choice);
  const limits = all.limits.filter((l) =>
    choice.limits === undefined
      ? l.procedure === procedure.id
      : l.file === displayName(choice.limits),
  );
  return {
    procedure,
    station,
    limits: one(limits, 'document/mismatch', `limits for procedure "${procedure.id}"`),
    texts: all.texts,
  };
}

/** Chooses the procedure and the bench for a serial. */
function choosePair(all: Documents, choice: Choice): Pick<Chosen, 'procedure' | 'station'> {
  const file = (path: string | undefined): string | undefined =>
    path === undefined ? undefined : displayName(path);
  const purpose = choice.purpose ?? 'acceptance';
  const procedures = all.procedures.filter((p) =>
    choice.procedure === undefined
      ? p.purpose === purpose && choice.serial.startsWith(`${p.model.code}-`)
      : p.file === file(choice.procedure),
  );
  const procedure = one(
    procedures,
    'serial/unknown-model',
    `procedure for serial "${choice.serial}"`,
  );
  const stations = all.stations.filter(
    (s) => choice.bench === undefined || s.file === file(choice.bench),
  );
  throwIfAny(serialProblems(choice.serial, procedure));
  return { procedure, station: one(stations, 'document/mismatch', 'bench description') };
}

function one<T extends { readonly file: string }>(
  found: readonly T[],
  code: Problem['code'],
  what: string,
): T {
  if (isNonEmpty(found) && found.length === 1) return found[0];
  const names = found.map((f) => f.file).join(', ');
  const observed =
    found.length === 0
      ? `There is no ${what}.`
      : `There are ${found.length} files with a ${what}: ${names}.`;
  const fix = 'Name the one to use with --procedure, --limits or --bench, or repair the folder.';
  throw new StallmarkError([{ code, what: observed, fix }]);
}

/** Holds a serial against the grammar of its model. Nothing is trimmed, padded or upper-cased. */
export function serialProblems(serial: string, procedure: Procedure): readonly Problem[] {
  if (new RegExp(procedure.model.serial, 'u').test(serial)) return [];
  const what = `Serial "${serial}" does not follow ${procedure.model.serial} of model ${procedure.model.code}.`;
  return [{ code: 'serial/grammar', what, fix: 'Scan the label again; type nothing by hand.' }];
}

/**
 * Chooses the documents of a serial, holds them against each other and refuses what is not approved
 * or was changed since.
 *
 * @throws every problem of the documents, with their places.
 */
export function prepare(choice: Choice): Chosen {
  const chosen = chooseDocuments(choice);
  const { procedure, limits, station } = chosen;
  throwIfAny([
    ...checkApproval(procedure),
    ...checkApproval(limits),
    ...checkPlan({ procedure, limits, station }, CATALOGUE).filter((p) => !isNote(p)),
  ]);
  return chosen;
}

/**
 * Chooses procedure and bench for measuring the stand with the item of this serial in it.
 *
 * @throws as `prepare`.
 */
export function prepareStand(choice: Choice): Pick<Chosen, 'procedure' | 'station'> {
  const named = [choice.procedure, choice.bench].filter((p) => p !== undefined);
  const all = readDocuments(named.length === 2 ? named : [...DEFAULT_FOLDERS, ...named]);
  throwIfAny(all.problems);
  const chosen = choosePair(all, { ...choice, purpose: 'stand' });
  throwIfAny([
    ...checkApproval(chosen.procedure),
    ...checkStages(chosen, CATALOGUE).filter((p) => !isNote(p)),
  ]);
  return chosen;
}

/** What `check` found: every problem and note, and a line about each thing that is in order. */
export interface Checked extends Pick<Documents, 'problems' | 'texts'> {
  readonly summary: readonly string[];
}

/**
 * Reads documents and holds them against each other. A partner that a document names but that is
 * not among the paths is taken from the shipped folders.
 */
export function checkDocuments(paths: readonly string[]): Checked {
  const found = readDocuments(paths);
  const isWhole =
    found.stations.length > 0 &&
    found.limits.every((l) => found.procedures.some((p) => p.id === l.procedure));
  const shipped = isWhole ? found : readDocuments(DEFAULT_FOLDERS);
  const problems = [...found.problems];
  const summary: string[] = found.stations.map(
    (s) =>
      `${s.file}  bench ${s.id}, ${String(s.instruments.length)} instruments, stand model ${String(s.stand.version)}`,
  );
  for (const document of [...found.procedures, ...found.limits]) {
    problems.push(...checkApproval(document));
  }
  const station = found.stations[0] ?? shipped.stations[0];
  if (station !== undefined) {
    const partners = [...found.procedures, ...shipped.procedures];
    for (const checked of [
      checkPlans(found.limits, partners, station),
      checkUnplanned(found, station),
    ]) {
      problems.push(...checked.problems);
      summary.push(...checked.summary);
    }
  }
  return { problems, summary, texts: new Map([...shipped.texts, ...found.texts]) };
}

/** One line for a plan, then one for each stage with what is read off it. */
function planLines(plan: Plan): readonly string[] {
  const { procedure, limits } = plan;
  const head = `${procedure.file}  ${procedure.title}, issue ${String(procedure.issue)}: ${String(plan.stages.length)} stages, ${plan.duration.toFixed(0)} s, mean copper loss ${plan.meanLoss.toFixed(1)} W`;
  const stages = plan.stages.map(({ stage, bounds, duration, limits: rows }) => {
    const reads = rows.map((row) => row.characteristic).join(', ');
    const peak = stage.power === 'on' ? `${bounds.peak.toFixed(2)} N·m` : 'no power';
    return `  ${stage.id.padEnd(16)}${duration.toFixed(1).padStart(6)} s  ${peak.padStart(9)}  ${reads}`;
  });
  return [
    head,
    ...stages,
    `${limits.file}  ${limits.id}, issue ${String(limits.issue)}: ${String(limits.rows.length)} limits`,
  ];
}

/** Holds limits against the procedures they belong to. */
function checkPlans(
  limits: readonly Limits[],
  procedures: readonly Procedure[],
  station: Station,
): Omit<Checked, 'texts'> {
  const problems: Problem[] = [];
  const summary: string[] = [];
  for (const one of limits) {
    const procedure = procedures.find((p) => p.id === one.procedure);
    if (procedure === undefined) continue;
    const documents = { procedure, limits: one, station };
    const findings = checkPlan(documents, CATALOGUE);
    problems.push(...findings);
    if (findings.every(isNote)) summary.push(...planLines(planOf(documents, CATALOGUE)));
  }
  return { problems, summary };
}

/** Checks the procedures that no limits among the files belong to, as far as power goes. */
function checkUnplanned(found: Documents, station: Station): Omit<Checked, 'texts'> {
  const unplanned = found.procedures.filter((p) => found.limits.every((l) => l.procedure !== p.id));
  return {
    problems: unplanned.flatMap((procedure) => checkStages({ procedure, station }, CATALOGUE)),
    summary: unplanned.map((p) => {
      const why = p.purpose === 'stand' ? 'measures the stand' : 'no limits among the files given';
      return `${p.file}  ${p.title}, issue ${String(p.issue)}: ${why}`;
    }),
  };
}
