const PLACE = 'stallmark-tab';

let name = '';

/**
 * The name of this tab, which it keeps when it is loaded anew. While the tab is open its name is not in
 * the storage, so that a copy of the tab gets another one.
 */
export function tabName(): string {
  if (name !== '') return name;
  name = sessionStorage.getItem(PLACE) ?? crypto.getRandomValues(new Uint32Array(4)).join('-');
  sessionStorage.removeItem(PLACE);
  window.addEventListener('pagehide', () => {
    sessionStorage.setItem(PLACE, name);
  });
  window.addEventListener('pageshow', () => {
    sessionStorage.removeItem(PLACE);
  });
  return name;
}
