/**
 * The camera's side of PTP's two transports. PTP/IP (CIPA DC-005): one TCP port for commands and events, packets of
 * a 32-bit length, a 32-bit type and a body. USB (ISO 15740 annex D): containers of a 32-bit length, a 16-bit type, a
 * code, a transaction and a payload, here over TCP too; usb.c takes them to libgphoto2.
 */
import { once } from 'node:events';
import { type AddressInfo, createServer, type Server, type Socket } from 'node:net';
import { Rc, Writer } from './ptp.ts';

const Packet = {
  initCommand: 1,
  initCommandAck: 2,
  initEvent: 3,
  initEventAck: 4,
  initFail: 5,
  request: 6,
  response: 7,
  event: 8,
  startData: 9,
  data: 10,
  endData: 12,
} as const;

/** One operation the initiator asks for, its data phase (if it sends one) already read. */
export interface Request {
  operation: number;
  parameters: number[];
  data: Buffer;
}

export interface Reply {
  code: number;
  parameters?: number[];
  data?: Uint8Array;
  /** The cable goes after this many bytes of `data`, nothing further is sent. */
  dropAfterBytes?: number;
}

/** The answer that all is well, with or without data. */
export function ok(data?: Uint8Array): Reply {
  return { code: Rc.ok, data };
}

const dataPacketBytes = 1 << 16;

/** What begins with its own length, whole. */
async function* packets(socket: Socket): AsyncGenerator<Buffer> {
  let held = Buffer.alloc(0);
  for await (const chunk of socket) {
    held = Buffer.concat([held, chunk as Buffer]);
    while (held.length >= 8 && held.length >= held.readUInt32LE(0)) {
      const length = held.readUInt32LE(0);
      yield held.subarray(0, length);
      held = held.subarray(length);
    }
  }
}

function packet(type: number, body: Uint8Array): Buffer {
  return new Writer()
    .u32(8 + body.length)
    .u32(type)
    .bytes(body)
    .done();
}

/** Listens on loopback and answers each request with what `perform` returns, one after the other. */
abstract class Transport {
  protected readonly perform: (request: Request) => Promise<Reply>;
  #server: Server | undefined;
  #sockets = new Set<Socket>();
  #port = 0;

  constructor(perform: (request: Request) => Promise<Reply>) {
    this.perform = perform;
  }

  protected abstract serve(socket: Socket): Promise<void>;

  /** The TCP port, the same before and after stop() and listen() again. */
  get port(): number {
    return this.#port;
  }

  async listen(): Promise<void> {
    this.#server = createServer((socket) => {
      this.#sockets.add(socket);
      socket.setNoDelay(true);
      socket.on('error', () => {}); // the initiator may go at any time
      socket.on('close', () => this.#sockets.delete(socket));
      this.serve(socket).catch(() => socket.destroy());
    });
    this.#server.listen(this.#port, '127.0.0.1');
    await once(this.#server, 'listening');
    this.#port = (this.#server.address() as AddressInfo).port;
  }

  /** Breaks all connections, as pulling the cable does; new ones are still taken. */
  disconnect(): void {
    for (const socket of this.#sockets) socket.destroy();
  }

  /** Breaks all connections and takes no new ones. */
  async stop(): Promise<void> {
    const server = this.#server;
    this.#server = undefined;
    this.disconnect();
    if (server) await new Promise((resolve) => server.close(resolve));
  }

  /** Lets out what was written, then takes the cable. */
  protected async drop(socket: Socket): Promise<void> {
    socket.end();
    await once(socket, 'close').catch(() => {});
    this.disconnect();
  }
}

/** PTP over USB's bulk endpoints. */
export class PtpUsbServer extends Transport {
  readonly #sendsData: ReadonlySet<number>;

  /** @param sendsData operations in which the host sends data, which its request does not tell */
  constructor(sendsData: Iterable<number>, perform: (request: Request) => Promise<Reply>) {
    super(perform);
    this.#sendsData = new Set(sendsData);
  }

  protected async serve(socket: Socket): Promise<void> {
    let request: (Request & { transaction: number }) | undefined;
    for await (const container of packets(socket)) {
      const isCommand = container.readUInt16LE(4) === Container.command;
      if (isCommand) {
        const parameters: number[] = [];
        for (let at = 12; at + 4 <= container.length; at += 4) parameters.push(container.readUInt32LE(at));
        const [operation, transaction] = [container.readUInt16LE(6), container.readUInt32LE(8)];
        request = { operation, transaction, parameters, data: Buffer.of() };
      } else if (request) {
        request.data = Buffer.from(container.subarray(12));
      }
      if (request && (!isCommand || !this.#sendsData.has(request.operation))) await this.#answer(socket, request);
    }
  }

  async #answer(socket: Socket, { operation, transaction, ...request }: Request & { transaction: number }) {
    const { code, parameters = [], data, dropAfterBytes } = await this.perform({ operation, ...request });
    const container = (type: number, itsCode: number, payload: Uint8Array, sent = payload.length) => {
      const writer = new Writer()
        .u32(12 + payload.length)
        .u16(type)
        .u16(itsCode)
        .u32(transaction);
      socket.write(writer.bytes(payload.subarray(0, sent)).done());
    };
    if (socket.destroyed) return;
    if (data) container(Container.data, operation, data, dropAfterBytes);
    if (dropAfterBytes !== undefined) return this.drop(socket);
    const payload = new Writer();
    for (const parameter of parameters) payload.u32(parameter);
    container(Container.response, code, payload.done());
  }
}

const Container = { command: 1, data: 2, response: 3 } as const;

export class PtpIpServer extends Transport {
  /** Answers new connections with "refused", as a camera does that another program holds. */
  refuse = false;
  readonly #name: string;
  #events: Socket | undefined;

  constructor(name: string, perform: (request: Request) => Promise<Reply>) {
    super(perform);
    this.#name = name;
  }

  sendEvent(code: number, parameters: number[] = []): void {
    const body = new Writer().u16(code).u32(0);
    for (const parameter of parameters) body.u32(parameter);
    this.#events?.write(packet(Packet.event, body.done()));
  }

  protected async serve(socket: Socket): Promise<void> {
    let request: (Request & { transaction: number }) | undefined;
    for await (const whole of packets(socket)) {
      const [type, body] = [whole.readUInt32LE(4), whole.subarray(8)];
      if (type === Packet.initCommand) {
        if (this.refuse) {
          socket.end(packet(Packet.initFail, new Writer().u32(2).done())); // busy
          return;
        }
        const ack = new Writer().u32(1).bytes(Buffer.alloc(16, 0x4e)); // connection number, GUID
        ack.bytes(Buffer.from(`${this.#name}\0`, 'utf16le')).u32(0x00010000);
        socket.write(packet(Packet.initCommandAck, ack.done()));
      } else if (type === Packet.initEvent) {
        this.#events = socket;
        socket.write(packet(Packet.initEventAck, Buffer.alloc(0)));
      } else if (type === Packet.request) {
        const parameters: number[] = [];
        for (let at = 10; at + 4 <= body.length; at += 4) parameters.push(body.readUInt32LE(at));
        request = { operation: body.readUInt16LE(4), transaction: body.readUInt32LE(6), parameters, data: Buffer.of() };
        const initiatorSends = body.readUInt32LE(0) === 2;
        if (!initiatorSends) await this.#answer(socket, request);
      } else if (request && (type === Packet.data || type === Packet.endData)) {
        request.data = Buffer.concat([request.data, body.subarray(4)]);
        if (type === Packet.endData) await this.#answer(socket, request);
      }
    }
  }

  async #answer(socket: Socket, request: Request & { transaction: number }): Promise<void> {
    const { code, parameters = [], data, dropAfterBytes } = await this.perform(request);
    if (socket.destroyed) return;
    if (data) {
      const start = new Writer().u32(request.transaction).u64(data.length);
      socket.write(packet(Packet.startData, start.done()));
      const end = Math.min(data.length, dropAfterBytes ?? data.length);
      for (let at = 0; at < end || at === 0; at += dataPacketBytes) {
        const part = data.subarray(at, Math.min(end, at + dataPacketBytes));
        const type = at + dataPacketBytes >= data.length ? Packet.endData : Packet.data;
        socket.write(packet(type, new Writer().u32(request.transaction).bytes(part).done()));
      }
    }
    if (dropAfterBytes !== undefined) {
      await this.drop(socket);
      return;
    }
    const response = new Writer().u16(code).u32(request.transaction);
    for (const parameter of parameters) response.u32(parameter);
    socket.write(packet(Packet.response, response.done()));
  }
}
