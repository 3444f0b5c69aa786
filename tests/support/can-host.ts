import type { Port, PortListener } from '../../src/link/port.js';

/** A computer at a serial gateway, by hand: it types lines, and keeps what it is told. */
export class CanHost {
  readonly port: Port;
  /** All that came, as text. */
  text = '';
  private listener: PortListener | undefined;

  constructor() {
    this.port = {
      name: 'a serial line',
      tellsEnd: true,
      write: (bytes) => {
        this.text += Buffer.from(bytes).toString('latin1');
        return Promise.resolve();
      },
      listen: (listener) => {
        this.listener = listener;
      },
      close: () => Promise.resolve(),
    };
  }

  /** Types text, and says what came back by the time it was taken. */
  type(text: string): string {
    const before = this.text.length;
    this.bytes(Buffer.from(text, 'latin1'));
    return this.text.slice(before);
  }

  bytes(chunk: Uint8Array): void {
    this.listener?.bytes(chunk);
  }

  hangUp(): void {
    this.listener?.closed('the cable was pulled');
  }

  /** Sends a frame, and says what came back. */
  send(id: number, data: readonly number[]): string {
    const hex = (value: number, digits: number): string =>
      value.toString(16).toUpperCase().padStart(digits, '0');
    return this.type(`t${hex(id, 3)}${data.length}${data.map((one) => hex(one, 2)).join('')}\r`);
  }

  /** Data of all frames with an identifier, oldest first. */
  heard(id: number): readonly (readonly number[])[] {
    return framesIn(this.text)
      .filter((frame) => frame.id === id)
      .map(({ data }) => data);
  }

  /** Forgets what came. */
  forget(): void {
    this.text = '';
  }
}

/** Frames among what a gateway said. */
export function framesIn(
  text: string,
): readonly { readonly id: number; readonly data: readonly number[] }[] {
  return [...text.matchAll(/t([0-9A-Fa-f]{3})([0-8])((?:[0-9A-Fa-f]{2})*)\r/gu)].map(
    ([, id = '', , data = '']) => ({
      id: Number.parseInt(id, 16),
      data: [...Buffer.from(data, 'hex')],
    }),
  );
}
