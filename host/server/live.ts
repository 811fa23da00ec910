import type { IncomingMessage, Server } from 'node:http';
import { type WebSocket, WebSocketServer } from 'ws';
import type { Frame } from '../../core/frame.ts';
import { clientSchema, type FrameHeader } from '../api.ts';
import { parseJson } from '../json.ts';
import type { Recorder } from '../recording/recorder.ts';
import type { Access } from './access.ts';
import { displayable } from './displayable.ts';
import type { Station } from './station.ts';

/**
 * Serves `WS /live`: how camera and recording stand as text; one frame as a binary message for each `next` of
 * the client. What is recorded is what the client is shown that came last, of those that are still there.
 */
export function serveLive(server: Server, access: Access, station: Station): { close(): void } {
  const sockets = new WebSocketServer({ noServer: true, maxPayload: 1 << 16, perMessageDeflate: false });
  const clients: WebSocket[] = [];
  server.on('upgrade', (request: IncomingMessage, socket, head) => {
    socket.on('error', () => socket.destroy());
    if (request.url !== '/live' || !access.admits(request.headers))
      return socket.end('HTTP/1.1 403 Forbidden\r\nConnection: close\r\n\r\n');
    sockets.handleUpgrade(request, socket, head, (client) => {
      const isRecorded = () => clients.at(-1) === client;
      clients.push(client);
      station.recorder?.startAnew();
      client.on('close', () => {
        if (isRecorded()) station.recorder?.startAnew();
        clients.splice(clients.indexOf(client), 1);
      });
      attend(client, station, () => (isRecorded() ? station.recorder : null));
    });
  });
  return {
    close() {
      for (const client of sockets.clients) client.terminate();
      sockets.close();
    },
  };
}

function attend(client: WebSocket, station: Station, recorder: () => Recorder | null): void {
  const tell = (status: object) => client.send(JSON.stringify(status));
  client.on('close', station.onStatus(tell));
  client.on('error', () => client.terminate());
  tell(station.status);
  if (station.recorder) tell(station.recorder.status);
  let asked = false;
  const sendNext = async () => {
    if (asked) return;
    asked = true;
    const next = await station.nextFrame();
    // A frame that nobody is left to see is not measured.
    const frame = await displayable(
      client.readyState === client.OPEN ? (recorder()?.frame(next, next.anew) ?? next) : next,
    );
    asked = false;
    if (client.readyState === client.OPEN) client.send(encodeFrame(frame));
  };
  client.on('message', (data, isBinary) => {
    const message = isBinary ? null : clientSchema.safeParse(parseJson(data.toString())).data;
    if (!message) client.close(1008, 'unknown message');
    else if (message.type === 'next') sendNext();
    else if (message.type === 'reading') recorder()?.reading(message.sequence, message.optics, message.reading);
    else recorder()?.unreadable(message.sequence, message.reason);
  });
}

export function headerOf({ sequence, timeUtc, name, mode, anew, optics }: Frame): FrameHeader {
  return { sequence, timeUtc, name, mode, anew, optics };
}

/** uint32 little-endian header length, UTF-8 JSON header, picture bytes. */
export function encodeFrame(frame: Frame): Buffer {
  const header = Buffer.from(JSON.stringify(headerOf(frame)));
  const length = Buffer.alloc(4);
  length.writeUInt32LE(header.length);
  return Buffer.concat([length, header, frame.bytes]);
}
