import type { IncomingMessage, Server } from 'node:http';
import { type WebSocket, WebSocketServer } from 'ws';
import type { Frame } from '../../core/frame.ts';
import { type FrameHeader, nextSchema } from '../api.ts';
import type { Access } from './access.ts';
import { displayable } from './displayable.ts';
import type { Station } from './station.ts';

/** Serves `WS /live`: camera status as text; one frame as a binary message for each `next` of the client. */
export function serveLive(server: Server, access: Access, station: Station): { close(): void } {
  const sockets = new WebSocketServer({ noServer: true, maxPayload: 1024, perMessageDeflate: false });
  server.on('upgrade', (request: IncomingMessage, socket, head) => {
    socket.on('error', () => socket.destroy());
    if (request.url !== '/live' || !access.admits(request.headers))
      return socket.end('HTTP/1.1 403 Forbidden\r\nConnection: close\r\n\r\n');
    sockets.handleUpgrade(request, socket, head, (client) => attend(client, station));
  });
  return {
    close() {
      for (const client of sockets.clients) client.terminate();
      sockets.close();
    },
  };
}

function attend(client: WebSocket, station: Station): void {
  const tell = () => client.send(JSON.stringify(station.status));
  const stop = station.onStatus(tell);
  client.on('close', stop);
  client.on('error', () => client.terminate());
  tell();
  let asked = false;
  client.on('message', async (data, isBinary) => {
    if (isBinary || !nextSchema.safeParse(parseJson(data.toString())).success)
      return client.close(1008, 'unknown message');
    if (asked) return;
    asked = true;
    const frame = await displayable(await station.nextFrame());
    asked = false;
    if (client.readyState === client.OPEN) client.send(encodeFrame(frame));
  });
}

export function headerOf({ sequence, timeUtc, name, mode }: Frame): FrameHeader {
  return { sequence, timeUtc, name, mode };
}

/** uint32 little-endian header length, UTF-8 JSON header, picture bytes. */
export function encodeFrame(frame: Frame): Buffer {
  const header = Buffer.from(JSON.stringify(headerOf(frame)));
  const length = Buffer.alloc(4);
  length.writeUInt32LE(header.length);
  return Buffer.concat([length, header, frame.bytes]);
}

function parseJson(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}
