import { StallmarkError, throwIfAny, type Problem } from '../base/error.js';
import { writeInstead, isNote } from '../base/report.js';
import { checkApproval } from '../procedure/approval.js';
import { fitted } from '../procedure/fitting.js';
import type { Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import type { ReferenceItem, ReferenceRegister } from '../procedure/reference-items.js';
import { isSimulated, type Station } from '../procedure/station.js';
import { CHARACTERISTICS, GATES } from '../scoring/catalogue.js';
import { DEFAULT_FOLDERS, displayName, one, readDocuments, type Documents } from './documents.js';
import { refusePicked, routedPair } from './on-route.js';
import { checkReferences } from './plan-references.js';
import { checkStages } from './plan.js';
import { registerBeside } from './reference-register.js';

/** Documents of a check with a reference item, held against each other. */
export interface ReferenceDocuments {
  readonly procedure: Procedure;
  readonly station: Station;
  readonly references: ReferenceRegister;
  readonly item: ReferenceItem;
  /** Limits of the products of its model: they must reject a known-bad item. */
  readonly limits: Limits;
}

export interface ReferenceChoice {
  readonly serial: string;
  readonly procedure?: string;
  readonly limits?: string;
  readonly bench?: string;
  /** ms since the Unix epoch. */
  readonly now: number;
}

/**
 * Chooses the documents for a check with the reference item of this serial.
 *
 * @throws reference/serial when the register has no such item, reference/item when a check of it
 * would prove nothing, document/… and every problem of the documents.
 */
export function prepareReference(choice: ReferenceChoice): ReferenceDocuments {
  const named = [choice.procedure, choice.limits, choice.bench].filter((p) => p !== undefined);
  const all = readDocuments([...DEFAULT_FOLDERS, ...named]);
  throwIfAny(all.problems);
  const station = one(only(all.stations, choice.bench), 'document/mismatch', 'bench description');
  refusePicked(choice, isSimulated(station));
  const { references, item } = itemIn(registerBeside(station), choice.serial, station);
  const ofModel = all.procedures.filter(({ model }) => model.code === item.model);
  const procedure = one(
    only(ofModel, choice.procedure).filter(({ purpose }) => purpose === 'reference'),
    'document/mismatch',
    `procedure for checks with reference items of model ${item.model}`,
  );
  const products = productsOf(all, item.model, choice);
  const { limits } = products;
  const chosen = { procedure, station, references, item, limits };
  throwIfAny(problemsOf(chosen, products.procedure, choice.now));
  return { ...chosen, procedure: fitted(procedure, station) };
}

/** What counts now for products of a model, or the limits named with their procedure. */
function productsOf(
  all: Documents,
  model: string,
  choice: ReferenceChoice,
): Pick<ReferenceDocuments, 'procedure' | 'limits'> {
  if (choice.limits === undefined) return routedPair(all, { serial: `${model}-`, at: choice.now });
  const limits = one(only(all.limits, choice.limits), 'document/mismatch', 'product limits');
  const procedures = all.procedures.filter(
    ({ id, issue, model: { code } }) =>
      id === limits.procedure && issue === limits.procedureIssue && code === model,
  );
  const what = `procedure of model ${model} for limits ${limits.id}`;
  return { limits, procedure: one(only(procedures), 'document/mismatch', what) };
}

/** The documents of a list, those in the file named where one is, each once. */
function only<T extends { readonly file: string }>(
  list: readonly T[],
  path?: string,
): readonly T[] {
  const file = path === undefined ? undefined : displayName(path);
  const once = new Map(list.map((document) => [document.file, document]));
  return [...once.values()].filter((document) => file === undefined || document.file === file);
}

function itemIn(
  references: ReferenceRegister | undefined,
  serial: string,
  station: Station,
): Pick<ReferenceDocuments, 'references' | 'item'> {
  const item = references?.items.find((known) => known.serial === serial);
  if (references !== undefined && item !== undefined) return { references, item };
  const serials = references?.items.map((known) => known.serial) ?? [];
  const where = references?.file ?? `a register beside ${station.file}`;
  const what =
    references === undefined
      ? `No register of reference items lies beside ${station.file}, so that "${serial}" is none.`
      : `"${serial}" is no reference item of ${where}.`;
  const fix = writeInstead(
    serial,
    serials,
    `Scan the label of a reference item${serials.length > 0 ? `: ${serials.join(', ')}` : ''}; a product is tested with: stallmark run.`,
  );
  throw new StallmarkError([{ code: 'reference/serial', what, fix }]);
}

function problemsOf(
  chosen: ReferenceDocuments,
  product: Procedure,
  now: number,
): readonly Problem[] {
  const { procedure, limits, references, station, item } = chosen;
  const partners = { procedures: [product, procedure], limits: [limits], now };
  const alone: ReferenceRegister = { ...references, items: [item] };
  return [
    ...checkApproval(procedure),
    ...checkApproval(limits),
    ...checkApproval(references),
    ...checkReferences(alone, { ...partners, characteristics: CHARACTERISTICS }),
    ...checkStages(
      { procedure, station },
      { characteristics: CHARACTERISTICS, gates: GATES },
    ).filter((p) => !isNote(p)),
  ];
}
