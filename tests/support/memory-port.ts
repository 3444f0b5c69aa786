import type { Port, PortListener } from '../../src/link/port.js';
import { FrameDecoder, FrameEncoder, type Frame } from '../../src/link/wire-frame.js';

/** A port whose other end is the test: it sees the frames that were sent and answers by hand. */
export interface MemoryPort extends Port {
  /** Frames that were sent, oldest first. */
  readonly sent: Frame[];
  /** The control messages among them, as JSON. */
  readonly messages: () => readonly Readonly<Record<string, unknown>>[];
  readonly tell: (message: unknown) => void;
  readonly samples: (payload: Uint8Array) => void;
  readonly bytes: (chunk: Uint8Array) => void;
  readonly hangUp: (reason: string) => void;
  isClosed: boolean;
}

/** Makes a port that takes everything at once. */
export function memoryPort(): MemoryPort {
  const sent: Frame[] = [];
  const decoder = new FrameDecoder((frame) => sent.push(frame));
  const encoder = new FrameEncoder();
  let listener: PortListener | undefined;
  const port: MemoryPort = {
    name: 'memory',
    tellsEnd: true,
    sent,
    isClosed: false,
    messages: () =>
      sent
        .filter(({ kind }) => kind === 'control')
        .map(
          ({ payload }) => JSON.parse(Buffer.from(payload).toString()) as Record<string, unknown>,
        ),
    write: (bytes) => {
      decoder.push(bytes);
      return Promise.resolve();
    },
    listen: (who) => {
      listener = who;
    },
    close: () => {
      port.isClosed = true;
      return Promise.resolve();
    },
    bytes: (chunk) => listener?.bytes(chunk),
    tell: (message) =>
      listener?.bytes(encoder.next('control', Buffer.from(JSON.stringify(message)))),
    samples: (payload) => listener?.bytes(encoder.next('samples', payload)),
    hangUp: (reason) => listener?.closed(reason),
  };
  return port;
}
