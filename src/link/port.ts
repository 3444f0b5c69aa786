/** Bytes to and from one device, whatever carries them: a socket, a serial device, a child process. */
export interface Port {
  /** As people know it, e.g. `tcp 192.168.4.20:5025`. */
  readonly name: string;
  /** Whether the other end learns by itself, and at once, that this program has gone. */
  readonly tellsEnd: boolean;
  /**
   * Hands bytes over, in the order of the calls.
   *
   * @returns Resolves when the system took them all.
   * @throws link/stalled when it did not within `WRITE_DEADLINE`, link/closed.
   */
  write(bytes: Uint8Array): Promise<void>;
  /** Names who is told what arrives. What came before is handed over at once; there is one listener. */
  listen(listener: PortListener): void;
  /** Lets go of the device. Never throws. */
  close(): Promise<void>;
}

export interface PortListener {
  /** Bytes as they came; the array belongs to the listener. */
  bytes(chunk: Uint8Array): void;
  /** Told once, by whoever closed it, with the code of it where it is known. After it nothing arrives. */
  closed(reason: string, code?: 'link/closed' | 'link/stalled'): void;
}

/** ms until a device that takes no bytes is given up. */
export const WRITE_DEADLINE = 250;
/** ms until a device that does not answer the call is given up. */
export const OPEN_DEADLINE = 2000;
