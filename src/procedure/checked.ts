import { throwIfAny, type Problem } from '../base/error.js';
import { checkStructure, type DocumentKind } from './structure.js';
import { Values } from './values.js';
import { byPlace, onePerPlace, readYaml } from './yaml.js';

/** Reads a document of any kind: YAML, its schema and its meaning, every problem at its place. */
export function readChecked(
  kind: DocumentKind,
  text: string,
  file: string,
  checkMeaning: (values: Values) => void,
): Values {
  const { located, problems } = readYaml(text, file);
  if (located === undefined) throwIfAny(problems);
  if (located === undefined) throw new Error(`${file} is unreadable for no reason`);
  const values = new Values(located);
  checkMeaning(values);
  const all: readonly Problem[] = [
    ...problems,
    ...checkStructure(kind, located),
    ...values.problems,
  ];
  throwIfAny(onePerPlace([...all].sort(byPlace)));
  return values;
}
