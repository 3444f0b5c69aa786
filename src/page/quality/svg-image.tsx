import type { JSX } from 'preact';
import { useEffect, useState } from 'preact/hooks';

/** An SVG document as an image of its own: nothing in it can reach the page. */
export function SvgImage({
  svg,
  alternative,
}: {
  readonly svg: string;
  readonly alternative: string;
}): JSX.Element | null {
  const [address, setAddress] = useState<string | undefined>();
  useEffect(() => {
    const made = URL.createObjectURL(new Blob([svg], { type: 'image/svg+xml' }));
    setAddress(made);
    return () => {
      URL.revokeObjectURL(made);
    };
  }, [svg]);
  return address === undefined ? null : <img class="q-svg" src={address} alt={alternative} />;
}
