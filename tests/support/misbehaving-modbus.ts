import { createServer, type Server, type Socket } from 'node:net';

/** What is done to a reply that would be right, before the next one is asked for. */
export type Misdeed =
  | 'none'
  | 'exception'
  | 'standing-heartbeat'
  | 'other-transaction'
  | 'other-protocol'
  | 'other-unit'
  | 'other-function'
  | 'other-count'
  | 'half'
  | 'twice'
  | 'garbage'
  | 'flood'
  | 'silence'
  | 'close';

/** A safety controller of tests: right until it is told otherwise. */
export interface MisbehavingModbus {
  readonly port: number;
  misdeed: Misdeed;
  /** Discrete inputs by address, other addresses are off. */
  readonly inputs: Map<number, boolean>;
  heartbeat: number;
  /** Calls taken so far. */
  readonly calls: number;
  /** Requests as they came, at most the last 64. */
  readonly requests: readonly Buffer[];
  /** Waits for the next request. */
  nextRequest(): Promise<void>;
  /** Sends bytes to everybody and resolves when they all hung up. */
  sendUnasked(bytes: Buffer): Promise<void>;
  /** Ends every connection, and listens on. */
  hangUp(): void;
  close(): Promise<void>;
}

/** Listens on a free port of this computer. The heartbeat counts at each reply to function 4. */
export async function misbehavingModbus(): Promise<MisbehavingModbus> {
  const server = new Controller();
  await server.listen();
  return server;
}

class Controller implements MisbehavingModbus {
  port = 0;
  misdeed: Misdeed = 'none';
  readonly inputs = new Map<number, boolean>();
  heartbeat = 65530;
  calls = 0;
  readonly requests: Buffer[] = [];
  private readonly sockets = new Set<Socket>();
  private readonly server: Server;
  private waiting: (() => void)[] = [];

  constructor() {
    this.server = createServer({ noDelay: true }, (socket) => {
      this.calls += 1;
      this.sockets.add(socket);
      socket.on('close', () => this.sockets.delete(socket));
      socket.on('error', () => undefined); // a client that hangs up is what tests are about
      socket.on('data', (request: Buffer) => {
        this.requests.push(request);
        if (this.requests.length > 64) this.requests.shift();
        this.answer(socket, request);
        const { waiting } = this;
        this.waiting = [];
        for (const wake of waiting) wake();
      });
    });
  }

  listen(): Promise<void> {
    return new Promise((resolve) => {
      this.server.listen(0, '127.0.0.1', () => {
        const address = this.server.address();
        if (typeof address === 'object' && address !== null) this.port = address.port;
        resolve();
      });
    });
  }

  nextRequest(): Promise<void> {
    return new Promise((resolve) => {
      this.waiting.push(resolve);
    });
  }

  async sendUnasked(bytes: Buffer): Promise<void> {
    const ended = [...this.sockets].map(
      (socket) =>
        new Promise<void>((resolve) => {
          socket.once('close', () => {
            resolve();
          });
          socket.write(bytes);
        }),
    );
    await Promise.all(ended);
  }

  hangUp(): void {
    for (const socket of this.sockets) socket.destroy();
  }

  close(): Promise<void> {
    this.hangUp();
    return new Promise((resolve) => {
      this.server.close(() => {
        resolve();
      });
    });
  }

  private rightReply(request: Buffer): Buffer {
    const code = request.readUInt8(7);
    const from = request.readUInt16BE(8);
    const count = request.readUInt16BE(10);
    const values = Buffer.alloc(code === 4 ? 2 * count : Math.ceil(count / 8));
    if (code === 4) {
      if (this.misdeed !== 'standing-heartbeat') this.heartbeat = (this.heartbeat + 1) % 0x1_0000;
      values.writeUInt16BE(this.heartbeat);
    } else {
      for (let i = 0; i < count; i += 1) {
        if (this.inputs.get(from + i) === true)
          values[i >> 3] = (values[i >> 3] ?? 0) | (1 << (i & 7));
      }
    }
    const head = Buffer.from(request.subarray(0, 9));
    head.writeUInt16BE(3 + values.length, 4);
    head[8] = values.length;
    return Buffer.concat([head, values]);
  }

  private answer(socket: Socket, request: Buffer): void {
    const reply = this.rightReply(request);
    const at = (index: number, value: number): void => {
      reply[index] = value;
      socket.write(reply);
    };
    switch (this.misdeed) {
      case 'none':
      case 'standing-heartbeat':
        socket.write(reply);
        break;
      case 'exception':
        reply.writeUInt16BE(3, 4);
        reply[7] = (reply[7] ?? 0) | 0x80;
        reply[8] = 4;
        socket.write(reply.subarray(0, 9));
        break;
      case 'other-transaction':
        at(1, (reply[1] ?? 0) ^ 1);
        break;
      case 'other-protocol':
        at(3, 1);
        break;
      case 'other-unit':
        at(6, 9);
        break;
      case 'other-function':
        at(7, 3);
        break;
      case 'other-count':
        at(8, 0);
        break;
      case 'half':
        socket.write(reply.subarray(0, 7));
        break;
      case 'twice':
        socket.write(Buffer.concat([reply, reply]));
        break;
      case 'garbage':
        socket.write(Buffer.from('HTTP/1.1 400 Bad Request\r\n\r\n'));
        break;
      case 'flood':
        socket.write(Buffer.alloc(1 << 20));
        break;
      case 'silence':
        break;
      case 'close':
        socket.destroy();
        break;
    }
  }
}
