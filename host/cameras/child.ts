/**
 * Entry of a camera's own process. A crash or hang of a camera library costs this process and one
 * gap in the frames, never the host. The same in Electron, whose binary runs host and cameras as Node.
 */
import { Mailbox } from './mailbox.ts';
import type { ErrorMessage, FromCamera, RequestName, ToCamera } from './messages.ts';
import { listCameras, openCamera } from './open.ts';
import { CameraError, type CameraSource } from './source.ts';

const ALIVE_EVERY_MS = 1000;

const send = (message: FromCamera): void => {
  if (process.connected) process.send!(message);
};

let source: CameraSource | null = null;
/** Settles when opening has succeeded or failed; requests wait for it. */
let opening: Promise<unknown> = Promise.resolve();
/** Settings written meanwhile, which are newer than those to be restored. */
const written = new Set<string>();
/** As performance.now() has it: the clock of the wall may be set. */
let lastFrameMs = Infinity;
let stallMs = Infinity;
let capturing = false;
const mailbox = new Mailbox((frame) => send({ type: 'frame', frame, dropped: mailbox.dropped }));

async function open({ name, identity, settings }: ToCamera & { type: 'open' }): Promise<void> {
  try {
    const opened = openCamera(name, identity);
    opening = opened.catch(() => {});
    const camera = await opened;
    source = camera;
    const told = camera.identity ?? null;
    // What one body was set to is nothing to another.
    const own = identity === null || told === identity ? settings : [];
    await restore(camera, own);
    // Of a folder nobody knows when the next picture comes, and a recording may be held.
    const isSteady = !/^(folder|replay):/.test(name);
    await camera.start(
      (frame) => {
        if (isSteady) lastFrameMs = performance.now();
        return mailbox.put(frame);
      },
      (error) => send({ type: 'ended', error: error && describe(error) }),
    );
    if (isSteady) lastFrameMs = performance.now();
    await restore(camera, own); // some are there, taken or kept in live view only
    send({ type: 'running', identity: told });
  } catch (error) {
    send({ type: 'ended', error: describe(error) });
  }
}

/** Writes back what was set before a restart, as far as the camera takes it. */
async function restore(camera: CameraSource, settings: [string, string][]): Promise<void> {
  if (settings.length === 0) return;
  const config = new Map((await camera.readConfig()).map((value) => [value.name, value]));
  for (const [name, value] of settings) {
    const now = config.get(name);
    if (
      written.has(name) ||
      !now ||
      now.readOnly ||
      now.type === 'button' ||
      now.type === 'date' ||
      now.value === value
    )
      continue;
    await camera.writeConfig(name, value).catch(() => {});
  }
}

async function answer(name: RequestName, args: string[]): Promise<unknown> {
  if (name === 'list') return listCameras();
  await opening;
  if (name === 'close') return close();
  if (!source) throw new CameraError('closed', 'the camera is not open');
  if (name === 'readConfig') return source.readConfig();
  if (name === 'writeConfig') {
    written.add(args[0]);
    return source.writeConfig(args[0], args[1]);
  }
  capturing = true;
  try {
    return await source.capture();
  } finally {
    capturing = false;
    if (lastFrameMs !== Infinity) lastFrameMs = performance.now();
  }
}

async function close(): Promise<void> {
  const closing = source;
  source = null;
  await closing?.close();
}

function describe(error: unknown): ErrorMessage {
  // With its cause: what the library said stands there, and nowhere else.
  if (process.env.NIGHTRING_DEBUG) console.error(error);
  const [message] = (error instanceof Error ? error.message : String(error)).split('\n');
  return { code: error instanceof CameraError ? error.code : 'other', message };
}

function receive(message: ToCamera): void {
  if (message.type === 'open') {
    ({ stallMs } = message);
    open(message);
  } else if (message.type === 'next') mailbox.next();
  else
    answer(message.name, message.args).then(
      (result) => send({ type: 'answer', id: message.id, answer: result }),
      (error) => send({ type: 'refusal', id: message.id, error: describe(error) }),
    );
}

process.on('message', receive);

setInterval(() => {
  send({ type: 'alive' });
  if (capturing || performance.now() - lastFrameMs < stallMs) return;
  lastFrameMs = Infinity;
  send({ type: 'ended', error: { code: 'timeout', message: 'the camera sends no pictures; is live view on?' } });
}, ALIVE_EVERY_MS);
send({ type: 'alive' });

// Ctrl-C reaches this process too; the host decides when it ends.
process.on('SIGINT', () => {});
// The host is gone: leave the camera in good order, but do not hang on it.
process.on('disconnect', () => {
  setTimeout(() => process.exit(), 3000).unref();
  close().finally(() => process.exit());
});
process.on('uncaughtException', (error) => {
  send({ type: 'ended', error: describe(error) });
  setTimeout(() => process.exit(1), 100);
});
