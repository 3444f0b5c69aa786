import { existsSync, readFileSync, readdirSync, statSync } from 'node:fs';
import { dirname, join, relative } from 'node:path';
import { fileURLToPath } from 'node:url';
import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import { isNonEmpty } from '../base/numbers.js';
import { isNote } from '../base/report.js';
import type { SamplingPlan } from '../identity/routing.js';
import { checkApproval } from '../procedure/approval.js';
import { readDialect } from '../procedure/dialect.js';
import { fitted } from '../procedure/fitting.js';
import type { Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import { readReferences, type ReferenceRegister } from '../procedure/reference-items.js';
import { readRoutes, type Routes } from '../procedure/routes.js';
import { documentKindOf, readLimits, readProcedure, readStation } from '../procedure/schema.js';
import { isSimulated, type Station } from '../procedure/station.js';
import { decodeText } from '../procedure/yaml.js';
import { CHARACTERISTICS, GATES } from '../scoring/catalogue.js';
import { checkPlan, checkStages, type Catalogue } from './plan.js';
import { refusePicked, routedPair } from './on-route.js';
import { registerBeside } from './reference-register.js';

/** Folder of this package: the shipped procedures, limits and benches lie in it. */
export const PACKAGE_ROOT = fileURLToPath(new URL('../..', import.meta.url));

/** Folders in which documents are looked for when none is named. */
export const DEFAULT_FOLDERS = [join(PACKAGE_ROOT, 'procedures'), join(PACKAGE_ROOT, 'limits')];

/** Everything that can be scored and every gate, as plans are checked against them. */
export const CATALOGUE: Catalogue = { characteristics: CHARACTERISTICS, gates: GATES };

/** Documents that were read, whatever was wrong with the others, and the texts to quote from. */
export interface Documents {
  readonly procedures: readonly Procedure[];
  readonly limits: readonly Limits[];
  readonly stations: readonly Station[];
  readonly references: readonly ReferenceRegister[];
  readonly routes: readonly Routes[];
  readonly problems: readonly Problem[];
  /** Text by the file name that problems carry. */
  readonly texts: ReadonlyMap<string, string>;
}

/**
 * Reads procedures, limits and benches from files and folders, gathering every problem.
 *
 * @param paths - Files, or folders that are searched for `*.yaml` at any depth; `*.example.yaml` counts
 * only when it is named.
 */
export function readDocuments(paths: readonly string[]): Documents {
  const procedures: Procedure[] = [];
  const limits: Limits[] = [];
  const stations: Station[] = [];
  const references: ReferenceRegister[] = [];
  const routes: Routes[] = [];
  const problems: Problem[] = [];
  const texts = new Map<string, string>();
  for (const path of paths.flatMap((p) => yamlFiles(p, problems))) {
    const file = displayName(path);
    try {
      const text = readText(path);
      texts.set(file, text);
      const kind = documentKindOf(text, file);
      if (kind === 'procedure') procedures.push(readProcedure(text, file, filesBeside(path)));
      if (kind === 'limits') limits.push(readLimits(text, file));
      if (kind === 'bench') stations.push(readStation(text, file, filesBeside(path)));
      if (kind === 'references') references.push(readReferences(text, file));
      if (kind === 'routes') routes.push(readRoutes(text, file));
      if (kind === 'dialect') readDialect(text, file); // benches read it again, by its digest
    } catch (error) {
      if (!(error instanceof StallmarkError)) throw error;
      problems.push(...error.problems);
    }
  }
  return { procedures, limits, stations, references, routes, problems, texts };
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
    .filter((name) => /\.ya?ml$/u.test(name) && !/\.example\.ya?ml$/u.test(name))
    .sort()
    .map((name) => join(path, name));
}

/** A path as a person would type it from here; as it is when it lies elsewhere. */
export function displayName(path: string): string {
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

function filesBeside(path: string): (name: string) => Uint8Array | undefined {
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
  /** The register beside the bench description; absent when none lies there. */
  readonly references?: ReferenceRegister;
  /** Which items get other documents; absent when none do, and for documents named by hand. */
  readonly sampling?: SamplingPlan;
  readonly texts: ReadonlyMap<string, string>;
}

export interface Choice {
  readonly serial: string;
  readonly procedure?: string;
  readonly limits?: string;
  readonly bench?: string;
  /** Which kind of procedure to look for when none is named; acceptance if left out. */
  readonly purpose?: Procedure['purpose'];
  /** Hardware revision, where the label names one. */
  readonly revision?: string;
  /** ms since the Unix epoch: the instant whose routes count; now if left out. */
  readonly at?: number;
}

/**
 * Chooses the procedure, limits and bench for a serial: those of the route that counts. Nobody picks
 * them by hand unless files are named; two that fit are as bad as none.
 *
 * @throws serial/unknown-model, serial/grammar, route/gap, route/overlap, route/missing,
 * document/not-approved, document/mismatch, and every problem of the files.
 */
export function chooseDocuments(choice: Choice): Chosen {
  const named = [choice.procedure, choice.limits, choice.bench].filter((p) => p !== undefined);
  const wanted = named.length === 3 ? named : [...DEFAULT_FOLDERS, ...named];
  const all = readDocuments(wanted);
  throwIfAny(all.problems);
  const route = choice.procedure === undefined ? routedPair(all, choice) : undefined;
  const chosen =
    route === undefined
      ? choosePair(all, choice)
      : { procedure: route.procedure, station: chooseStation(all, choice) };
  throwIfAny(serialProblems(choice.serial, chosen.procedure));
  const references = registerBeside(chosen.station);
  return {
    ...chosen,
    ...(references === undefined ? {} : { references }),
    limits: chooseLimits(all, choice, chosen.procedure, route?.limits),
    ...(route?.sampling === undefined || choice.limits !== undefined
      ? {}
      : { sampling: route.sampling }),
    texts: all.texts,
  };
}

/** The file that is named, or the limits of the route, or the only ones of the procedure named. */
function chooseLimits(
  all: Documents,
  choice: Choice,
  procedure: Procedure,
  routed: Limits | undefined,
): Limits {
  const what = `limits for procedure "${procedure.id}"`;
  if (choice.limits !== undefined) {
    const file = displayName(choice.limits);
    return one(
      all.limits.filter((l) => l.file === file),
      'document/mismatch',
      what,
    );
  }
  if (routed !== undefined) return routed;
  return one(
    all.limits.filter((l) => l.procedure === procedure.id),
    'document/mismatch',
    what,
  );
}

function chooseStation(all: Documents, { bench }: Choice): Station {
  const file = bench === undefined ? undefined : displayName(bench);
  const stations = all.stations.filter((s) => file === undefined || s.file === file);
  return one(stations, 'document/mismatch', 'bench description');
}

/** Chooses the procedure and the bench for a serial. */
function choosePair(all: Documents, choice: Choice): Pick<Chosen, 'procedure' | 'station'> {
  const purpose = choice.purpose ?? 'acceptance';
  const file = choice.procedure === undefined ? undefined : displayName(choice.procedure);
  const procedures = all.procedures.filter((p) =>
    file === undefined
      ? p.purpose === purpose && choice.serial.startsWith(`${p.model.code}-`)
      : p.file === file,
  );
  const procedure = one(
    procedures,
    'serial/unknown-model',
    `procedure for serial "${choice.serial}"`,
  );
  throwIfAny(serialProblems(choice.serial, procedure));
  return { procedure, station: chooseStation(all, choice) };
}

/** The only one of a kind. */
export function one<T extends { readonly file: string }>(
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
 * @throws usage/argument for documents named by hand where the bench is not simulated, and every problem
 * of the documents, with their places.
 */
export function prepare(choice: Choice): Chosen {
  const chosen = chooseDocuments(choice);
  const { procedure, limits, station, sampling } = chosen;
  refusePicked(choice, isSimulated(station));
  throwIfAny([
    ...checkPurpose(procedure),
    ...checkApproval(procedure),
    ...checkApproval(limits),
    ...(chosen.references === undefined ? [] : checkApproval(chosen.references)),
    // Documents of a sample are held to the same before one is picked.
    ...[{ procedure, limits }, ...(sampling === undefined ? [] : [sampling])]
      .flatMap((pair) => checkPlan({ ...pair, station }, CATALOGUE))
      .filter((p) => !isNote(p)),
  ]);
  return {
    ...chosen,
    procedure: fitted(procedure, station),
    ...(sampling === undefined
      ? {}
      : { sampling: { ...sampling, procedure: fitted(sampling.procedure, station) } }),
  };
}

/** Other uses of power are held to other checks: a named procedure must not be a way around them. */
function checkPurpose({ id, purpose, file }: Procedure): readonly Problem[] {
  if (purpose === 'acceptance') return [];
  const what = `The procedure "${id}" is for purpose "${purpose}", but items are accepted by one for acceptance.`;
  const where = { file, line: 1, column: 1, length: 0 };
  const fix = 'Name a procedure for acceptance, or none: the serial leads to it.';
  return [{ code: 'document/mismatch', where, what, fix }];
}

/**
 * Chooses procedure and bench for measuring the stand with the item of this serial in it, or for the
 * other purpose that is named.
 *
 * @throws as `prepare`.
 */
export function prepareStand(choice: Choice): Pick<Chosen, 'procedure' | 'station'> {
  const named = [choice.procedure, choice.bench].filter((p) => p !== undefined);
  const all = readDocuments(named.length === 2 ? named : [...DEFAULT_FOLDERS, ...named]);
  throwIfAny(all.problems);
  const chosen = choosePair(all, { purpose: 'stand', ...choice });
  refusePicked(choice, isSimulated(chosen.station));
  throwIfAny([
    ...checkApproval(chosen.procedure),
    ...checkStages(chosen, CATALOGUE).filter((p) => !isNote(p)),
  ]);
  return { ...chosen, procedure: fitted(chosen.procedure, chosen.station) };
}
