import type { JSX } from 'preact';

/** One sentence on an otherwise empty page. */
export function Told({ text }: { readonly text: string }): JSX.Element {
  return (
    <div class="told" role="status">
      <p>{text}</p>
    </div>
  );
}
