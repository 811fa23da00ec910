import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { serveStatic } from '@hono/node-server/serve-static';
import { type Context, Hono } from 'hono';
import { bodyLimit } from 'hono/body-limit';
import { getCookie, setCookie } from 'hono/cookie';
import { HTTPException } from 'hono/http-exception';
import { secureHeaders } from 'hono/secure-headers';
import type { ContentfulStatusCode } from 'hono/utils/http-status';
import type { z } from 'zod';
import type { Frame } from '../../core/frame.ts';
import { toCsv } from '../../core/notebook/csv.ts';
import { firstIssue, NotebookError } from '../../core/notebook/entry.ts';
import {
  cameraSchema,
  configSchema,
  type ErrorBody,
  NOT_RECORDING,
  type NotebookState,
  paperSchema,
  sequenceSchema,
} from '../api.ts';
import { findCameras } from '../cameras/camera.ts';
import { freeCamera } from '../cameras/free.ts';
import { isCameraName } from '../cameras/open.ts';
import { CameraError, type CameraErrorCode } from '../cameras/source.ts';
import { fileStamp } from '../datafolder.ts';
import { parseJson } from '../json.ts';
import { writeData } from '../notebook/document.ts';
import type { Notebook } from '../notebook/notebook.ts';
import { takeOver } from '../notebook/takeover.ts';
import { makePaper, PAPER_KINDS, PaperError } from '../paper/paper.ts';
import { frameHeaderSchema } from '../recording/format.ts';
import { listRecordings } from '../recording/read.ts';
import { RecordingError } from '../recording/recorder.ts';
import type { Access } from './access.ts';
import { displayable } from './displayable.ts';
import { headerOf } from './live.ts';
import { Sequence } from './sequence.ts';
import { SettingsError, type SettingsFile } from './settings.ts';
import type { Station } from './station.ts';

const BODY_BYTES = 1 << 20;
const IMPORT_BYTES = 64 << 20;
/** Larger than any camera's pictures. */
const PICTURE_BYTES = 512 << 20;
/** Paths that take more than a document. */
const LARGER: Record<string, number> = {
  '/api/import': IMPORT_BYTES,
  '/api/picture': PICTURE_BYTES,
  '/api/recording/frame': PICTURE_BYTES,
};

/** The page may load nothing but its own files. Pictures reach it as blobs. */
const PAGE_POLICY = {
  defaultSrc: ["'none'"],
  scriptSrc: ["'self'"],
  workerSrc: ["'self'"],
  styleSrc: ["'self'"],
  imgSrc: ["'self'", 'blob:'],
  fontSrc: ["'self'"],
  mediaSrc: ["'self'"],
  connectSrc: ["'self'"],
  manifestSrc: ["'self'"],
  baseUri: ["'none'"],
  formAction: ["'none'"],
  frameAncestors: ["'none'"],
};

const CAMERA_STATUS: Partial<Record<CameraErrorCode, ContentfulStatusCode>> = {
  'not-found': 404,
  busy: 409,
  'in-use': 409,
  lost: 409,
  closed: 409,
  'at-limit': 409,
  timeout: 504,
  permission: 403,
  refused: 400,
  unsupported: 400,
  'bad-data': 502,
  'missing-library': 501,
};

export interface AppParts {
  access: Access;
  station: Station;
  notebook: Notebook;
  settings: SettingsFile;
  pageFolder: string;
  /** Folder of the recordings. */
  recordings: string;
}

/** The loopback HTTP interface; see api.ts for what passes. */
export function createApp({ access, station, notebook, settings, pageFolder, recordings }: AppParts): Hono {
  const app = new Hono();

  app.use(
    secureHeaders({
      xFrameOptions: 'DENY',
      strictTransportSecurity: false, // plain HTTP on loopback
      // The camera for capture devices that the page measures; never a microphone.
      permissionsPolicy: { camera: ['self'], microphone: [], geolocation: [] },
      contentSecurityPolicy: PAGE_POLICY,
    }),
  );

  app.use(async (c, next) => {
    if (!access.isHost(c.req.header('host'))) return refuse(c, 403, 'wrong host; open the link that Nightring printed');
    const origin = c.req.header('origin');
    // Browsers name the origin with everything that changes something.
    const needsOrigin = c.req.method !== 'GET' && c.req.method !== 'HEAD';
    if ((needsOrigin || origin !== undefined) && !access.isOrigin(origin))
      return refuse(c, 403, 'wrong origin; use the page that Nightring opened');
    const token = c.req.path === '/' ? c.req.query('token') : undefined;
    if (access.isToken(token)) {
      setCookie(c, access.cookieName, access.token, { httpOnly: true, sameSite: 'Strict', path: '/' });
    } else if (!access.isToken(getCookie(c, access.cookieName))) {
      return refuse(c, 403, 'this link is from another start; open the one that Nightring printed last');
    }
    await next();
  });

  const limit = (maxSize: number) =>
    bodyLimit({
      maxSize,
      onError: (c) => {
        // The rest of the body stays unread on this connection.
        c.header('Connection', 'close');
        return refuse(c, 413, `more than ${maxSize >> 20} MB; send less at a time`);
      },
    });
  app.use('/api/*', (c, next) => {
    c.header('Cache-Control', 'no-store');
    return limit(LARGER[c.req.path] ?? BODY_BYTES)(c, next);
  });

  app.get('/api/cameras', async (c) => c.json(await findCameras()));
  app.post('/api/camera', async (c) => {
    const { name } = await body(c, cameraSchema);
    if (!isCameraName(name)) return refuse(c, 400, `"${name}" names no camera; see "nightring watch --help"`);
    await settings.set({ ...(await settings.newest()), camera: name });
    await station.choose(name);
    return c.json(station.status);
  });
  app.get('/api/camera/config', async (c) => c.json(await station.readConfig()));
  app.put('/api/camera/config', async (c) => {
    const { name, value } = await body(c, configSchema);
    await station.camera.writeConfig(name, value);
    return c.json({});
  });
  const sequence = new Sequence();
  app.post('/api/camera/sequence', async (c) => {
    const { writes, once } = await body(c, sequenceSchema);
    const { camera } = station;
    const write = (name: string, value: string) => camera.writeConfig(name, value, once);
    return c.json({ done: await sequence.run(write, writes, c.req.raw.signal) });
  });
  app.delete('/api/camera/sequence', (c) => {
    sequence.stop();
    return c.json({});
  });
  app.post('/api/camera/free', async (c) => {
    await freeCamera();
    station.camera.retryNow();
    return c.json({});
  });
  app.post('/api/camera/capture', async (c) => {
    const shot = await station.camera.capture();
    return picture(c, station.recorder?.frame(shot) ?? shot);
  });
  app.post('/api/picture', async (c) => {
    const name = c.req.query('name') ?? '';
    const bytes = new Uint8Array(await c.req.arrayBuffer());
    if (bytes.length === 0) return refuse(c, 400, `${name || 'the file'} is empty; choose another`);
    const mode = { kind: 'still', magnification: null, pixelUm: null } as const;
    return picture(c, { sequence: 0, timeUtc: new Date().toISOString(), bytes, name, mode });
  });

  app.get('/api/recording', (c) => c.json(station.recorder?.status ?? NOT_RECORDING));
  app.post('/api/recording', async (c) => {
    const folder = join(recordings, fileStamp(new Date()));
    await station.record(folder, settings.get().recordingLimitMb * 1e6);
    return c.json(station.recorder!.status, 201);
  });
  app.delete('/api/recording', async (c) => {
    await station.stopRecording();
    return c.json(station.recorder?.status ?? NOT_RECORDING);
  });
  app.post('/api/recording/frame', async (c) => {
    const { sequence, timeUtc, name, mode } = checked(frameHeaderSchema, parseJson(c.req.query('header') ?? ''));
    const frame: Frame = { sequence, timeUtc, name, mode, bytes: new Uint8Array(await c.req.arrayBuffer()) };
    return c.json(headerOf(station.recorder?.frame(frame) ?? frame));
  });
  app.get('/api/recordings', async (c) => c.json(await listRecordings(recordings)));

  app.get('/api/settings', async (c) => c.json(await settings.newest()));
  app.put('/api/settings', async (c) => c.json(await settings.set(await json(c))));

  app.get('/api/entries', (c) => c.json(notebook.list()));
  app.post('/api/entries', async (c) => c.json(notebook.add((await json(c)) as object), 201));
  app.put('/api/entries/:id', async (c) => c.json(notebook.change(c.req.param('id'), (await json(c)) as object)));
  app.delete('/api/entries/:id', (c) => c.json(notebook.remove(c.req.param('id'))));
  app.get('/api/entries.csv', (c) => download(c, 'csv', 'text/csv; charset=utf-8', toCsv(notebook.list())));
  app.get('/api/data.json', (c) => {
    const parts = c.req.query('parts')?.split(',') ?? ['notebook', 'kit', 'settings'];
    const text = writeData({
      notebook: parts.includes('notebook') ? notebook.book() : undefined,
      kit: parts.includes('kit') ? settings.get().kit : undefined,
      settings: parts.includes('settings') ? settings.get() : undefined,
    });
    return download(c, 'json', 'application/json', text);
  });
  app.get('/api/paper/:sheet', async (c, next) => {
    const kind = PAPER_KINDS.find((known) => c.req.param('sheet') === `${known}.pdf`);
    if (!kind) return next();
    const wishes = { ...checked(paperSchema, c.req.query()), atMs: Date.now() };
    const pdf = await makePaper(kind, notebook.list(), settings.get(), wishes);
    return download(c, 'pdf', 'application/pdf', pdf as Uint8Array<ArrayBuffer>, `nightring-${kind}`);
  });
  app.post('/api/import', async (c) => c.json(await takeOver(await c.req.text(), notebook, settings)));
  const stateOf = ({ problem, mayRestore }: Notebook): NotebookState => ({ problem, mayRestore });
  app.get('/api/notebook', (c) => c.json(stateOf(notebook)));
  app.post('/api/notebook/restore', (c) => {
    notebook.restore();
    return c.json(stateOf(notebook));
  });
  app.all('/api/*', (c) => refuse(c, 404, `there is no ${c.req.method} ${c.req.path}`));

  app.get('/', async (c, next) => {
    await next();
    c.header('Cache-Control', 'no-store');
  });
  app.get('/assets/*', async (c, next) => {
    await next();
    // Names of built files carry a hash of what is in them.
    if (c.res.ok) c.header('Cache-Control', 'private, max-age=31536000, immutable');
  });
  if (existsSync(pageFolder)) app.get('*', serveStatic({ root: pageFolder }));
  app.get('/', (c) => refuse(c, 503, 'the interface is not built; run "npm start" once'));

  app.notFound((c) => refuse(c, 404, `there is no ${c.req.path}`));
  app.onError((error, c) => {
    const [message] = error.message.split('\n');
    if (error instanceof HTTPException) return refuse(c, error.status as ContentfulStatusCode, message);
    if (error instanceof CameraError) return refuse(c, CAMERA_STATUS[error.code] ?? 500, message, error.code);
    if (error instanceof RecordingError) return refuse(c, 409, message);
    if (error instanceof SettingsError) return refuse(c, error.isUsersFault ? 400 : 500, message);
    if (error instanceof PaperError) return refuse(c, 400, message);
    if (error instanceof NotebookError) return refuse(c, error.cause ? 500 : 400, message);
    return refuse(c, 500, `the host failed: ${message}`);
  });
  return app;
}

function refuse(c: Context, status: ContentfulStatusCode, error: string, code?: string): Response {
  return c.json({ error, code } satisfies ErrorBody, status);
}

function download(
  c: Context,
  ending: string,
  type: string,
  content: string | Uint8Array<ArrayBuffer>,
  name = 'nightring',
): Response {
  const day = new Date().toISOString().slice(0, 10);
  return c.body(content, 200, {
    'Content-Type': type,
    'Content-Disposition': `attachment; filename="${name}-${day}.${ending}"`,
  });
}

/** A still as the screen can decode it, its header beside it. */
async function picture(c: Context, still: Frame): Promise<Response> {
  const frame = await displayable(still);
  // Headers carry ASCII alone; file names do not.
  const escaped = (text: string) => `\\u${text.charCodeAt(0).toString(16).padStart(4, '0')}`;
  c.header('X-Frame', JSON.stringify(headerOf(frame)).replace(/[^ -~]/g, escaped));
  return c.body(frame.bytes as Uint8Array<ArrayBuffer>, 200, { 'Content-Type': 'application/octet-stream' });
}

async function json(c: Context): Promise<unknown> {
  try {
    return await c.req.json();
  } catch {
    throw new HTTPException(400, { message: 'the request is not JSON' });
  }
}

async function body<T>(c: Context, schema: z.ZodType<T>): Promise<T> {
  return checked(schema, await json(c));
}

function checked<T>(schema: z.ZodType<T>, value: unknown): T {
  const result = schema.safeParse(value);
  if (!result.success) throw new HTTPException(400, { message: firstIssue(result.error) });
  return result.data;
}
