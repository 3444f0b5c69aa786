import type { Page } from 'playwright-core';

/** Selects characters of a row with the pointer and types over them. */
export async function replaceIn(page: Page, row: string, was: string, is: string): Promise<void> {
  const line = page.locator('.cm-line', { hasText: `${row}:` });
  await line.scrollIntoViewIfNeeded();
  const [left = 0, right = 0, middle = 0] = await line.evaluate(placeOf, was);
  await page.mouse.move(left, middle);
  await page.mouse.down();
  await page.mouse.move(right, middle);
  await page.mouse.up();
  await page.keyboard.type(is);
}

/** What `placeOf` needs of the DOM, whose types the tests do not have. */
interface LineOnPage {
  readonly ownerDocument: {
    createRange(): {
      setStart(node: TextOnPage, at: number): void;
      setEnd(node: TextOnPage, at: number): void;
      getBoundingClientRect(): Readonly<Record<'left' | 'right' | 'top' | 'height', number>>;
    };
    createTreeWalker(root: LineOnPage, show: number): { nextNode(): TextOnPage | null };
  };
}
interface TextOnPage {
  readonly textContent: string | null;
}

/** Runs in the browser: left and right end and the middle of characters that stand in a line. */
function placeOf(line: LineOnPage, text: string): readonly number[] {
  const { ownerDocument: page } = line;
  const walker = page.createTreeWalker(line, 4); // NodeFilter.SHOW_TEXT
  for (let node = walker.nextNode(); node !== null; node = walker.nextNode()) {
    const at = node.textContent?.indexOf(text) ?? -1;
    if (at < 0) continue;
    const range = page.createRange();
    range.setStart(node, at);
    range.setEnd(node, at + text.length);
    const { left, right, top, height } = range.getBoundingClientRect();
    return [left + 1, right - 1, top + height / 2];
  }
  return [];
}
