import { createServer, type Server, type Socket } from 'node:net';

/** What an instrument answers to a message; undefined for nothing. */
export type Answer = (message: string, peer: ScriptedPeer) => string | Uint8Array | undefined;

/**
 * An instrument behind a real TCP socket that says what a test wants: in pieces, late, wrong or not at all.
 * It answers identity, marker and error queue by itself unless the script does.
 */
export class ScriptedPeer {
  /** Messages as they came, without their LF; blocks as latin1. */
  readonly heard: string[] = [];
  /** How often it was called. */
  calls = 0;
  identity = 'SIMULATED,Test,1,1.0';
  /** Errors that wait, as SYST:ERR? tells them. */
  errors: string[] = [];
  /** Bytes of a piece in which it sends; all at once when left out. */
  piece: number | undefined;
  /** What ends a reply. */
  ending = '\n';
  /** Whether it takes everything in and answers nothing. */
  isMute = false;
  /** Whether it knows the marker. */
  isInStep = true;
  private readonly server: Server;
  private readonly sockets = new Set<Socket>();
  private current: Socket | undefined;
  private listeners: (() => void)[] = [];

  private constructor(private readonly answer: Answer) {
    this.server = createServer((socket) => {
      socket.setNoDelay(true); // what is sent to nothing must not wait for an acknowledgement
      this.calls += 1;
      this.sockets.add(socket);
      this.current = socket;
      let rest = Buffer.alloc(0);
      socket.on('error', () => socket.destroy());
      socket.on('close', () => this.sockets.delete(socket));
      socket.on('data', (chunk) => {
        rest = Buffer.concat([rest, chunk]);
        for (;;) {
          const end = messageEnd(rest);
          if (end === undefined) break;
          const message = rest.toString('latin1', 0, end);
          rest = rest.subarray(end + 1);
          this.take(message, socket);
        }
      });
    });
  }

  static async start(answer: Answer = () => undefined): Promise<ScriptedPeer> {
    const peer = new ScriptedPeer(answer);
    await new Promise<void>((resolve) => peer.server.listen(0, '127.0.0.1', resolve));
    return peer;
  }

  get port(): number {
    const address = this.server.address();
    if (address === null || typeof address === 'string') throw new Error('no port');
    return address.port;
  }

  /** Sends to whoever called last. */
  send(text: string | Uint8Array, socket = this.current): void {
    const bytes = Buffer.from(text as string, 'latin1'); // bytes are copied as they are
    const piece = this.piece ?? bytes.length;
    for (let at = 0; at < bytes.length; at += piece) socket?.write(bytes.subarray(at, at + piece));
  }

  /** Resolves when a message was heard that is, or begins with, a text, at least `times` times. */
  async hears(text: string, times = 1): Promise<void> {
    while (this.heard.filter((message) => message.startsWith(text)).length < times) {
      await new Promise<void>((resolve) => this.listeners.push(resolve));
    }
  }

  /** Hangs up on everybody. */
  hangUp(): void {
    for (const socket of this.sockets) socket.destroy();
  }

  async close(): Promise<void> {
    this.hangUp();
    await new Promise((resolve) => this.server.close(resolve));
  }

  private take(message: string, socket: Socket): void {
    if (message === '') return;
    this.heard.push(message);
    const reply = this.isMute ? undefined : (this.answer(message, this) ?? this.usual(message));
    if (typeof reply === 'string') this.send(`${reply}${this.ending}`, socket);
    else if (reply !== undefined) this.send(Buffer.concat([reply, Buffer.from('\n')]), socket);
    const { listeners } = this;
    this.listeners = [];
    for (const wake of listeners) wake();
  }

  private usual(message: string): string | undefined {
    if (message === '*IDN?') return this.identity;
    if (message === 'SYST:ERR?') return this.errors.shift() ?? '0,"No error"';
    const marks = [...message.matchAll(/\*ESE (\d+);\*ESE\?/gu)].map((match) => match[1]);
    return marks.length > 0 && this.isInStep ? marks.join(';') : undefined;
  }
}

/** Where the LF of the first whole message stands. */
function messageEnd(bytes: Buffer): number | undefined {
  const line = bytes.indexOf(10);
  const hash = bytes.indexOf(35);
  if (hash < 0 || (line >= 0 && line < hash)) return line < 0 ? undefined : line;
  const digits = (bytes[hash + 1] ?? 48) - 48;
  if (bytes.length < hash + 2 + digits) return undefined;
  const end = hash + 2 + digits + Number(bytes.toString('latin1', hash + 2, hash + 2 + digits));
  return bytes.length > end ? end : undefined;
}
