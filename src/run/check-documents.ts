import type { Problem } from '../base/error.js';
import { isNote } from '../base/report.js';
import { RULES } from '../decision/rules.js';
import { checkApproval } from '../procedure/approval.js';
import { DECISION_RULES, type Limits } from '../procedure/limits.js';
import type { Procedure } from '../procedure/procedure.js';
import type { Station } from '../procedure/station.js';
import { CATALOGUE, DEFAULT_FOLDERS, readDocuments, type Documents } from './documents.js';
import { checkRoutes } from './on-route.js';
import { checkRegisters } from './plan-references.js';
import { checkPlan, checkStages, planOf, type Plan } from './plan.js';

/** What `check` found: every problem and note, and a line about each thing that is in order. */
export interface Checked extends Pick<Documents, 'problems' | 'texts'> {
  readonly summary: readonly string[];
}

/**
 * Reads documents and holds them against each other. A partner that a document names but that is
 * not among the paths is taken from the shipped folders.
 *
 * @param now - ms since the Unix epoch; what has expired by then is a problem. Not judged if left out.
 */
export function checkDocuments(paths: readonly string[], now?: number): Checked {
  const found = readDocuments(paths);
  const isWhole =
    found.stations.length > 0 &&
    (found.references.length + found.routes.length === 0 || found.limits.length > 0) &&
    found.limits.every((l) => found.procedures.some((p) => p.id === l.procedure));
  const shipped = isWhole ? found : readDocuments(DEFAULT_FOLDERS);
  const problems = [...found.problems];
  const summary: string[] = found.stations.map(
    (s) =>
      `${s.file}  bench ${s.id}, ${String(s.register.length)} instruments, stand model ${String(s.stand.version)}`,
  );
  for (const document of [...found.procedures, ...found.limits]) {
    problems.push(...checkApproval(document));
  }
  const registers = checkRegisters(found.references, {
    ...reachableFrom(found, shipped),
    ...{ characteristics: CATALOGUE.characteristics, now },
  });
  problems.push(...registers.problems);
  summary.push(...registers.summary);
  const routes = checkRoutes(found.routes, reachableFrom(found, shipped), now);
  problems.push(...routes.problems);
  summary.push(...routes.summary);
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
    ...ruleLines(limits),
  ];
}

/** One line for each decision rule with the rows it decides. */
function ruleLines({ rows }: Limits): readonly string[] {
  return DECISION_RULES.flatMap((rule) => {
    const decided = rows.filter((row) => row.rule === rule);
    const names = decided.map((row) => `${row.stage}.${row.characteristic}`).join(', ');
    return names === '' ? [] : [`  by ${RULES[rule].name}: ${names}`];
  });
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
    const own = procedures.filter((p) => p.id === one.procedure);
    const procedure = own.find((p) => p.issue === one.procedureIssue) ?? own[0];
    if (procedure === undefined) continue;
    const documents = { procedure, limits: one, station };
    const findings = checkPlan(documents, CATALOGUE);
    problems.push(...findings);
    if (findings.every(isNote)) summary.push(...planLines(planOf(documents, CATALOGUE)));
  }
  return { problems, summary };
}

/** What procedures without limits are for. */
const USES: Partial<Readonly<Record<Procedure['purpose'], string>>> = {
  stand: 'measures the stand',
  reference: 'checks the bench with a reference item',
  stop: 'proves the stop function',
};

/** What routes may lead to: the documents given, and shipped ones of an issue that is not among them. */
function reachableFrom(
  found: Documents,
  shipped: Documents,
): Pick<Documents, 'procedures' | 'limits'> {
  const both = <T extends { readonly id: string; readonly issue: number }>(
    own: readonly T[],
    others: readonly T[],
  ): readonly T[] => [
    ...own,
    ...others.filter((o) => !own.some(({ id, issue }) => id === o.id && issue === o.issue)),
  ];
  return {
    procedures: both(found.procedures, shipped.procedures),
    limits: both(found.limits, shipped.limits),
  };
}

/** Checks the procedures that no limits among the files belong to, as far as power goes. */
function checkUnplanned(found: Documents, station: Station): Omit<Checked, 'texts'> {
  const unplanned = found.procedures.filter((p) => found.limits.every((l) => l.procedure !== p.id));
  return {
    problems: unplanned.flatMap((procedure) => checkStages({ procedure, station }, CATALOGUE)),
    summary: unplanned.map((p) => {
      const why = USES[p.purpose] ?? 'no limits among the files given';
      return `${p.file}  ${p.title}, issue ${String(p.issue)}: ${why}`;
    }),
  };
}
