/** An element of an XML document. */
export interface XmlElement {
  readonly name: string;
  readonly attributes: ReadonlyMap<string, string>;
  readonly children: readonly XmlElement[];
  /** Text directly inside, entities resolved. */
  readonly text: string;
}

const TOKEN = /<\?[^>]*\?>|<\/([\w-]+)>|<([\w-]+)((?:\s+[\w:-]+="[^"<]*")*)\s*(\/?)>|([^<]+)/gy;
const ENTITY = /&(?:amp|lt|gt|quot|#\d+);/g;
const RESOLVED: Readonly<Record<string, string>> = {
  '&amp;': '&',
  '&lt;': '<',
  '&gt;': '>',
  '&quot;': '"',
};

interface Open {
  readonly name: string;
  readonly attributes: ReadonlyMap<string, string>;
  readonly children: XmlElement[];
  text: string;
}

/**
 * Reads the XML that `writeSvg` may write: elements, quoted attributes, text. Anything else, an
 * element left open, a bare & or < and a character XML forbids are thrown on.
 */
export function readXml(source: string): XmlElement {
  if (/[^\t\n\r\u0020-\uD7FF\uE000-\uFFFD\u{10000}-\u{10FFFF}]/u.test(source)) {
    throw new Error('a character that XML cannot carry');
  }
  const root: Open = { name: '', attributes: new Map(), children: [], text: '' };
  const stack: Open[] = [root];
  const top = (): Open => stack.at(-1) ?? root;
  TOKEN.lastIndex = 0;
  while (TOKEN.lastIndex < source.length) {
    const at = TOKEN.lastIndex;
    const match = TOKEN.exec(source);
    if (match === null) throw new Error(`not XML from: ${source.slice(at, at + 60)}`);
    const [, closed, opened, attributes = '', empty, text] = match;
    if (text !== undefined) top().text += plain(text);
    if (closed !== undefined) {
      const done = stack.pop();
      if (done?.name !== closed) throw new Error(`</${closed}> closes <${done?.name ?? ''}>`);
      top().children.push(done);
    }
    if (opened === undefined) continue;
    const element = { name: opened, attributes: read(attributes), children: [], text: '' };
    if (empty === '/') top().children.push(element);
    else stack.push(element);
  }
  const [only] = root.children;
  if (stack.length !== 1 || only === undefined || root.children.length !== 1) {
    throw new Error('not one whole element');
  }
  return only;
}

function plain(text: string): string {
  if (text.replaceAll(ENTITY, '').includes('&')) throw new Error(`a bare & in "${text}"`);
  return text.replaceAll(ENTITY, (entity) => RESOLVED[entity] ?? entity);
}

function read(attributes: string): ReadonlyMap<string, string> {
  const found = [...attributes.matchAll(/([\w:-]+)="([^"]*)"/g)];
  const map = new Map(found.map(([, name = '', value = '']) => [name, plain(value)]));
  if (map.size !== found.length) throw new Error(`an attribute stands twice in "${attributes}"`);
  return map;
}

/** An element and all below it, in the order of the document. */
export function everyElement(element: XmlElement): readonly XmlElement[] {
  return [element, ...element.children.flatMap(everyElement)];
}
