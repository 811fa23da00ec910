/** The loopback server: who gets in, and what the screen gets. */
import { mkdir, mkdtemp, readdir, readFile, rm, writeFile } from 'node:fs/promises';
import { request as httpRequest } from 'node:http';
import { connect } from 'node:net';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import sharp from 'sharp';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { WebSocket } from 'ws';
import { NOTEBOOK_FILE, SETTINGS_FILE } from '../../host/datafolder.ts';
import { decode } from '../../host/decode/decode.ts';
import { Notebook } from '../../host/notebook/notebook.ts';
import { type RunningHost, startHost } from '../../host/server/server.ts';
import { SettingsFile } from '../../host/server/settings.ts';
import { writeDng } from './dng.ts';
import { patternJpeg } from './pictures.ts';
import { framesOf } from './recording/support.ts';

let folder: string;
let shots: string;
let host: RunningHost;
let notebook: Notebook;
let address: string; // 127.0.0.1:PORT
let cookie: string;

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), 'nightring-server-'));
  const pageFolder = join(folder, 'dist');
  shots = join(folder, 'shots');
  await mkdir(join(pageFolder, 'assets'), { recursive: true });
  await mkdir(shots);
  await writeFile(join(pageFolder, 'index.html'), '<title>page</title>');
  await writeFile(join(pageFolder, 'assets', 'main-1a.js'), '1');
  await writeFile(join(folder, 'secret.txt'), 'not for the page');
  await writeFile(join(shots, 'a.jpg'), await patternJpeg());
  notebook = new Notebook(join(folder, NOTEBOOK_FILE));
  const settings = await SettingsFile.open(join(folder, SETTINGS_FILE));
  host = await startHost({ notebook, settings, pageFolder, camera: `folder:${shots}` });
  address = new URL(host.url).host;
  const page = await fetch(host.url);
  expect(await page.text()).toBe('<title>page</title>');
  cookie = page.headers.get('set-cookie')!.split(';')[0];
});
afterAll(async () => {
  await host.close();
  notebook.close();
  await rm(folder, { recursive: true });
});

interface Answer {
  status: number;
  headers: Record<string, string | string[] | undefined>;
  text: string;
}

/** A request with exactly these headers; fetch would not let Host be set, nor leave paths as they are. */
function send(method: string, path: string, headers: Record<string, string> = {}, body?: string): Promise<Answer> {
  const [hostname, port] = address.split(':');
  return new Promise((resolve, reject) => {
    const request = httpRequest(
      { hostname, port, method, path, headers: { host: address, ...headers } },
      (response) => {
        let text = '';
        response.on('data', (data) => (text += data));
        response.on('end', () => resolve({ status: response.statusCode!, headers: response.headers, text }));
      },
    );
    request.on('error', reject);
    request.end(body);
  });
}
const origin = () => `http://${address}`;
const get = (path: string) => send('GET', path, { cookie });
const write = (method: string, path: string, body: unknown) =>
  send(method, path, { cookie, origin: origin(), 'content-type': 'application/json' }, JSON.stringify(body));

describe('who gets in', () => {
  test('the link sets an HttpOnly, SameSite=Strict cookie; it is different for every start', async () => {
    const page = await fetch(host.url);
    expect(page.headers.get('set-cookie')).toMatch(/HttpOnly; SameSite=Strict/);
    expect(new URL(host.url).searchParams.get('token')!.length).toBeGreaterThanOrEqual(32);
  });

  test.each([
    ['/'],
    ['/?token='],
    ['/?token=wrong'],
    ['/assets/main-1a.js'],
    ['/api/settings'],
    ['/api/settings?token=TOKEN'],
    ['/api/entries.csv'],
  ])('no cookie: %s is refused', async (path) => {
    const token = new URL(host.url).searchParams.get('token')!;
    const { status, text } = await send('GET', path.replace('TOKEN', token));
    expect(status).toBe(403);
    expect(JSON.parse(text)).toMatchObject({ error: expect.stringMatching(/^[^\n]+$/) });
  });

  test('a wrong cookie is refused', async () => {
    expect((await send('GET', '/api/settings', { cookie: `${cookie}x` })).status).toBe(403);
    expect((await send('GET', '/api/settings', { cookie: cookie.replace(/=.*/, '=') })).status).toBe(403);
  });

  test.each([['evil.example'], ['127.0.0.1'], ['127.0.0.1:1'], ['evil.example:PORT'], ['0.0.0.0:PORT']])(
    'Host %s is refused',
    async (name) => {
      const wrong = name.replace('PORT', address.split(':')[1]);
      expect((await send('GET', '/api/settings', { cookie, host: wrong })).status).toBe(403);
      expect((await send('GET', new URL(host.url).search.replace('?', '/?'), { host: wrong })).status).toBe(403);
    },
  );

  test('wrong origins are refused, also for reading; changes need the right one', async () => {
    for (const wrong of [
      'http://evil.example',
      'null',
      `https://${address}`,
      `http://evil.example:${address.split(':')[1]}`,
    ])
      expect((await send('GET', '/api/settings', { cookie, origin: wrong })).status).toBe(403);
    expect((await send('PUT', '/api/settings', { cookie }, '{}')).status).toBe(403);
    expect((await send('GET', '/api/settings', { cookie, origin: origin() })).status).toBe(200);
  });

  test.each([
    ['/../secret.txt'],
    ['/assets/../../secret.txt'],
    ['/%2e%2e/secret.txt'],
    ['/..%2fsecret.txt'],
    ['/assets/..%5c..%5csecret.txt'],
    ['//etc/passwd'],
    ['/....//secret.txt'],
  ])('the page folder is not left: %s', async (path) => {
    const { status, text } = await get(path);
    expect(status).toBeGreaterThanOrEqual(400);
    expect(text).not.toContain('not for the page');
  });

  test('it listens on the loopback address only', async () => {
    const { networkInterfaces } = await import('node:os');
    const outside = Object.values(networkInterfaces())
      .flatMap((entries) => entries ?? [])
      .filter(({ internal, family }) => !internal && family === 'IPv4');
    // Where the machine has no other address there is nothing to reach it by; then the address itself is checked.
    expect(address).toMatch(/^127\.0\.0\.1:/);
    for (const { address: other } of outside) {
      const reached = await new Promise((resolve) => {
        const socket = connect(Number(address.split(':')[1]), other, () => resolve(true));
        socket.on('error', () => resolve(false));
      });
      expect(reached).toBe(false);
    }
  });
});

describe('headers', () => {
  test('a strict policy everywhere: no code but the page’s own files', async () => {
    const policyOf = async (path: string) => String((await get(path)).headers['content-security-policy']);
    for (const path of ['/', '/assets/main-1a.js', '/api/settings', '/nowhere']) {
      expect(await policyOf(path)).toMatch(/^default-src 'none'; script-src 'self';/);
      expect(await policyOf(path)).not.toMatch(/unsafe/);
    }
    expect((await get('/')).headers).toMatchObject({
      'x-content-type-options': 'nosniff',
      'x-frame-options': 'DENY',
      'referrer-policy': 'no-referrer',
      'cross-origin-opener-policy': 'same-origin',
    });
  });
});

describe('API', () => {
  test('settings: defaults, a change, and what is not valid', async () => {
    const defaults = JSON.parse((await get('/api/settings')).text);
    expect(defaults).toMatchObject({ optics: { focalMm: null, fNumber: null, pixelUm: null }, steadySeconds: 3 });
    const changed = {
      ...defaults,
      lensName: 'Fable 14-50 f/2.8',
      optics: { focalMm: 24, fNumber: 2.8, pixelUm: null },
      sound: true,
    };
    expect((await write('PUT', '/api/settings', changed)).status).toBe(200);
    expect(JSON.parse((await get('/api/settings')).text)).toEqual(changed);
    const refused = await write('PUT', '/api/settings', { ...changed, optics: { focalMm: -24 } });
    expect(refused.status).toBe(400);
    expect(JSON.parse(refused.text).error).toMatch(/optics\.focalMm/);
    expect(JSON.parse((await get('/api/settings')).text)).toEqual(changed);
    // On the disk as well, for the next start.
    expect((await SettingsFile.open(join(folder, SETTINGS_FILE))).get()).toEqual(changed);
  });

  test('entries: added, listed, exported, imported', async () => {
    const added = await write('POST', '/api/entries', { ringPosition: 6.4, lens: 'Fable 14-50 f/2.8' });
    expect(added.status).toBe(201);
    const entry = JSON.parse(added.text);
    expect(JSON.parse((await get('/api/entries')).text)).toEqual([entry]);
    const csv = await get('/api/entries.csv');
    expect(csv.headers['content-type']).toMatch(/text\/csv/);
    expect(csv.text.split('\r\n')[1]).toContain('6.4');
    const exported = (await get('/api/data.json')).text;
    const again = await send('POST', '/api/import', { cookie, origin: origin() }, exported);
    const nothingNew = { added: 0, changed: 0, removed: 0, skipped: 1 };
    expect(JSON.parse(again.text)).toEqual({ ...nothingNew, kit: true, settings: true });
    const fromCsv = await send('POST', '/api/import', { cookie, origin: origin() }, csv.text);
    expect(JSON.parse(fromCsv.text)).toEqual({ ...nothingNew, kit: false, settings: false });
    expect((await write('POST', '/api/entries', { ringPosition: 'far' })).status).toBe(400);
    expect((await write('POST', '/api/import', { entries: [] })).status).toBe(400);
  });

  test('entries: changed, deleted, put back', async () => {
    const entry = JSON.parse((await write('POST', '/api/entries', { note: 'first' })).text);
    const path = `/api/entries/${entry.id}`;
    const changed = JSON.parse((await write('PUT', path, { ...entry, note: 'second' })).text);
    expect(changed).toMatchObject({ id: entry.id, note: 'second' });
    const listed = async () => JSON.parse((await get('/api/entries')).text) as { id: string }[];
    expect(await listed()).toContainEqual(changed);
    const removed = await send('DELETE', path, { cookie, origin: origin() });
    expect(JSON.parse(removed.text)).toEqual(changed);
    expect((await listed()).map(({ id }) => id)).not.toContain(entry.id);
    expect((await write('PUT', path, changed)).status).toBe(200);
    expect((await listed()).map(({ id }) => id)).toContain(entry.id);
    expect((await write('PUT', path, { focalMm: 'wide' })).status).toBe(400);
    expect(JSON.parse((await get('/api/notebook')).text)).toEqual({ problem: null, mayRestore: false });
  });

  test('paper: PDF to save, refusals in one line', async () => {
    const card = await get('/api/paper/card.pdf?paper=letter&zoneMinutes=-300');
    expect(card.status).toBe(200);
    expect(card.headers['content-type']).toBe('application/pdf');
    expect(card.headers['content-disposition']).toMatch(/^attachment; filename="nightring-card-[\d-]+\.pdf"$/);
    expect(card.text).toMatch(/^%PDF-/);
    const tape = await get('/api/paper/tape.pdf');
    expect(tape.status).toBe(400);
    expect(JSON.parse(tape.text).error).toMatch(/^the diameter of the focus ring.* is not known; .+$/);
    expect((await get('/api/paper/card.pdf?paper=napkin')).status).toBe(400);
    expect((await get('/api/paper/card.pdf?zoneMinutes=soon')).status).toBe(400);
    expect((await get('/api/paper/poster.pdf')).status).toBe(404);
    expect((await send('GET', '/api/paper/card.pdf')).status).toBe(403);
  });

  test('kit: exported apart, added by name, and settings replaced but for the camera', async () => {
    const before = JSON.parse((await get('/api/settings')).text);
    const lens = { name: '24 mm f/2.8', focalMinMm: 24, focalMaxMm: 24, fNumber: 2.8, ring: {} };
    const kit = { lenses: [lens] };
    const taken = await write('POST', '/api/import', { format: 'nightring-data', version: 2, kit });
    expect(JSON.parse(taken.text)).toMatchObject({ added: 0, kit: true, settings: false });
    const document = JSON.parse((await get('/api/data.json?parts=kit')).text);
    expect(Object.keys(document)).toEqual(['format', 'version', 'kit']);
    expect(document.kit.lenses).toMatchObject([{ ...lens, ring: { unit: 'marks', backlash: null } }]);
    const settings = { ...before, camera: 'usb', steadySeconds: 5, kit: {} };
    await write('POST', '/api/import', { format: 'nightring-data', version: 2, settings });
    const after = JSON.parse((await get('/api/settings')).text);
    expect(after).toMatchObject({ camera: before.camera, steadySeconds: 5, kit: document.kit });
    expect((await write('PUT', '/api/settings', before)).status).toBe(200);
  });

  test('a picture file comes back as the screen can decode it; an empty one is refused', async () => {
    const send = (name: string, body: Uint8Array<ArrayBuffer>) =>
      fetch(`http://${address}/api/picture?name=${encodeURIComponent(name)}`, {
        method: 'POST',
        body,
        headers: { cookie, origin: origin() },
      });
    const grey = { create: { width: 90, height: 60, channels: 3, background: '#808080' } } as const;
    const tiff = new Uint8Array(await sharp(grey).tiff().toBuffer());
    const answer = await send('Rák ★.tiff', tiff);
    expect(answer.status).toBe(200);
    expect(JSON.parse(answer.headers.get('x-frame')!)).toMatchObject({ name: 'Rák ★.tiff', mode: { kind: 'still' } });
    expect(await sharp(Buffer.from(await answer.arrayBuffer())).metadata()).toMatchObject({ format: 'png', width: 90 });
    const empty = await send('empty.jpg', new Uint8Array());
    expect(empty.status).toBe(400);
    expect(await empty.json()).toEqual({ error: 'empty.jpg is empty; choose another' });
  });

  test('what is wrong with a request is said in one line of JSON', async () => {
    const broken = await send('PUT', '/api/settings', { cookie, origin: origin() }, '{"half":');
    const large = await send('PUT', '/api/settings', { cookie, origin: origin() }, JSON.stringify('x'.repeat(1.1e6)));
    const unknown = await get('/api/nothing');
    const nowhere = await get('/nowhere.html');
    const noCamera = await write('POST', '/api/camera', { name: 'bogus' });
    const noConfig = await write('PUT', '/api/camera/config', { name: 'ring', value: '1' });
    expect([broken, large, unknown, nowhere, noCamera, noConfig].map(({ status }) => status)).toEqual([
      400, 413, 404, 404, 400, 400,
    ]);
    for (const { text } of [broken, large, unknown, nowhere, noCamera, noConfig])
      expect(JSON.parse(text)).toMatchObject({ error: expect.stringMatching(/^[^\n]+$/) });
  });

  test('cameras', async () => {
    expect(JSON.parse((await get('/api/cameras')).text)).toContainEqual({ name: 'sim', label: expect.any(String) });
  });
});

/** The messages of one `/live` connection, in order. */
class Live {
  readonly socket: WebSocket;
  readonly #messages: { data: Buffer; isBinary: boolean }[] = [];
  #arrived: () => void = () => {};

  constructor(headers: Record<string, string>) {
    this.socket = new WebSocket(`ws://${address}/live`, { headers });
    this.socket.on('message', (data: Buffer, isBinary) => {
      this.#messages.push({ data, isBinary });
      this.#arrived();
    });
  }

  get opened(): Promise<boolean> {
    return new Promise((resolve) => {
      this.socket.once('open', () => resolve(true));
      this.socket.once('error', () => resolve(false));
    });
  }

  async take(isBinary: boolean): Promise<Buffer> {
    for (;;) {
      const index = this.#messages.findIndex((message) => message.isBinary === isBinary);
      if (index >= 0) return this.#messages.splice(index, 1)[0].data;
      await new Promise<void>((resolve) => (this.#arrived = resolve));
    }
  }

  async frame(): Promise<{ header: { sequence: number; name: string; mode: object }; bytes: Buffer }> {
    this.socket.send('{"type":"next"}');
    const data = await this.take(true);
    const end = 4 + data.readUInt32LE(0);
    return { header: JSON.parse(data.subarray(4, end).toString()), bytes: data.subarray(end) };
  }
}

describe('recording', () => {
  test('begins, takes what the screen is shown and says of it, is listed, and ends with the camera', async () => {
    expect(JSON.parse((await get('/api/recording')).text)).toMatchObject({ state: 'off', frames: 0 });
    expect(JSON.parse((await get('/api/recordings')).text)).toEqual([]);
    await write('POST', '/api/camera', { name: `folder:${shots}` });
    const begun = await write('POST', '/api/recording', {});
    expect(begun.status).toBe(201);
    const { folder: recorded, limitBytes } = JSON.parse(begun.text);
    expect(dirname(recorded)).toBe(join(folder, 'recordings'));
    expect(limitBytes).toBe(2e9);

    const live = new Live({ origin: origin(), cookie });
    await live.opened;
    const { header } = await live.frame();
    // A still, which is measured for itself.
    expect(header).toMatchObject({ anew: false });
    const reading = { status: 'no-pattern', reason: 'no-star', star: null };
    const optics = { focalMm: 24, fNumber: 2.8, pixelUm: null, mask: null };
    live.socket.send(JSON.stringify({ type: 'reading', sequence: header.sequence, optics, reading }));
    await expect.poll(async () => JSON.parse((await get('/api/recordings')).text).length).toBe(1);
    await expect.poll(async () => (await framesOf(recorded))[0].reading).toEqual(reading);
    const [first] = await framesOf(recorded);
    expect(first).toMatchObject({ optics, frame: { name: header.name } });
    expect(Buffer.from(first.frame.bytes).equals(await readFile(join(shots, header.name)))).toBe(true);

    // One recording, one camera.
    await write('POST', '/api/camera', { name: `replay:${recorded}` });
    expect(JSON.parse((await get('/api/recording')).text)).toMatchObject({ state: 'off', folder: recorded });
    expect((await live.frame()).header).toMatchObject({ name: header.name, optics, anew: false });
    live.socket.close();
    await write('POST', '/api/camera', { name: `folder:${shots}` });
    const ended = await send('DELETE', '/api/recording', { cookie, origin: origin() });
    expect(JSON.parse(ended.text).state).toBe('off');
  });

  test('goes on with the page that is still there when a second one was opened and closed', async () => {
    await write('POST', '/api/camera', { name: 'sim' });
    const { folder: recorded } = JSON.parse((await write('POST', '/api/recording', {})).text);
    const frames = async () => (await framesOf(recorded)).map(({ frame }) => frame.sequence);
    const first = new Live({ origin: origin(), cookie });
    await first.opened;
    const before = (await first.frame()).header.sequence;
    const second = new Live({ origin: origin(), cookie });
    await second.opened;
    const shown = (await second.frame()).header.sequence;
    const beside = (await first.frame()).header.sequence;
    const closed = new Promise((resolve) => second.socket.once('close', resolve));
    second.socket.close();
    await closed;
    const after = (await first.frame()).header.sequence;
    first.socket.close();
    await send('DELETE', '/api/recording', { cookie, origin: origin() });
    expect(await frames()).toEqual([before, shown, after]);
    expect(beside).toBeGreaterThan(shown - 1);
    const anew = (await framesOf(recorded)).map(({ frame }) => frame.anew);
    expect(anew).toEqual([true, true, true]);
    await write('POST', '/api/camera', { name: `folder:${shots}` });
  });

  test('what a client says of a frame must be of the right shape', async () => {
    const live = new Live({ origin: origin(), cookie });
    await live.opened;
    const closed = new Promise((resolve) => live.socket.once('close', resolve));
    live.socket.send('{"type":"reading","sequence":-1,"optics":{},"reading":{"status":"measured"}}');
    expect(await closed).toBe(1008);
  });

  test('a video input is the page’s own: no shutter, and one line that says so; its pictures are taken', async () => {
    expect((await write('POST', '/api/camera', { name: 'video:Any' })).text).toContain('"video:Any"');
    const refused = await write('POST', '/api/camera/capture', {});
    expect([refused.status, JSON.parse(refused.text).error]).toEqual([
      400,
      expect.stringMatching(/^a video input [^\n]+$/),
    ]);
    const { folder: recorded } = JSON.parse((await write('POST', '/api/recording', {})).text);
    const mode = { kind: 'live', magnification: null, pixelUm: null };
    const header = { sequence: 7, timeUtc: '2026-01-17T21:00:00.000Z', name: 'video-7.png', mode };
    const bring = (what: unknown) => {
      const path = `/api/recording/frame?header=${encodeURIComponent(JSON.stringify(what))}`;
      return send('POST', path, { cookie, origin: origin() }, 'a picture');
    };
    expect(JSON.parse((await bring(header)).text)).toEqual({ ...header, anew: true });
    expect(JSON.parse((await bring({ ...header, sequence: 8 })).text)).toEqual({ ...header, sequence: 8, anew: false });
    expect((await bring({ ...header, sequence: -1 })).status).toBe(400);
    expect((await bring('not a header')).status).toBe(400);
    await expect.poll(async () => (await framesOf(recorded)).length).toBe(2);
    expect(Buffer.from((await framesOf(recorded))[0].frame.bytes).toString()).toBe('a picture');
    // However soon another one begins, it has a folder of its own.
    const next = JSON.parse((await write('POST', '/api/recording', {})).text).folder;
    expect([dirname(next), next === recorded]).toEqual([dirname(recorded), false]);
    await send('DELETE', '/api/recording', { cookie, origin: origin() });
    expect(JSON.parse((await bring(header)).text)).toEqual(header);
    await write('POST', '/api/camera', { name: `folder:${shots}` });
  });
});

describe('live', () => {
  test('the upgrade needs host, origin and cookie', async () => {
    const right = { origin: origin(), cookie };
    for (const headers of [
      { origin: origin() },
      { cookie },
      { ...right, origin: 'http://evil.example' },
      { ...right, host: 'evil.example' },
      { ...right, cookie: `${cookie}x` },
    ])
      expect(await new Live(headers as Record<string, string>).opened).toBe(false);
    const live = new Live(right);
    expect(await live.opened).toBe(true);
    live.socket.close();
  });

  test('a folder: status, then a frame for each credit, byte for byte; camera raw comes as PNG', async () => {
    const live = new Live({ origin: origin(), cookie });
    expect(await live.opened).toBe(true);
    expect(JSON.parse((await live.take(false)).toString())).toMatchObject({ type: 'camera', name: `folder:${shots}` });
    const { header, bytes } = await live.frame();
    expect(header).toMatchObject({ sequence: 0, name: 'a.jpg', mode: { kind: 'still', pixelUm: null } });
    expect(bytes).toEqual(await readFile(join(shots, 'a.jpg')));

    const mosaic = new Uint16Array(32 * 24).fill(8191);
    await writeFile(join(shots, 'b.dng'), writeDng(32, 24, mosaic, { whiteLevel: 16383 }));
    const raw = await live.frame();
    const shown = await decode(raw.bytes, raw.header.name.replace('dng', 'png'));
    // Half the light is 188 of 255 on the sRGB curve (IEC 61966-2-1).
    expect(shown).toMatchObject({ widthPx: 32, heightPx: 24, maxValue: 255 });
    expect(new Set(shown.data)).toEqual(new Set([188]));

    // A browser would turn it by its orientation: it gets the sensor's own axes.
    await sharp({ create: { width: 20, height: 10, channels: 3, background: '#204060' } })
      .withMetadata({ orientation: 6 })
      .jpeg()
      .toFile(join(shots, 'c.jpg'));
    const turned = await sharp((await live.frame()).bytes).metadata();
    expect([turned.width, turned.height, turned.orientation ?? 1]).toEqual([20, 10, 1]);
    live.socket.close();
  });

  test('a still tells the focal length of its EXIF', async () => {
    const live = new Live({ origin: origin(), cookie });
    await live.opened;
    await sharp({ create: { width: 20, height: 10, channels: 3, background: '#204060' } })
      .withExif({ IFD2: { FocalLength: '24/1' } })
      .jpeg()
      .toFile(join(shots, 'c2.jpg'));
    expect((await live.frame()).header.mode).toMatchObject({ kind: 'still', focalMm: 24 });
    live.socket.close();
  });

  test('what is no picture is passed on, for the screen to say so', async () => {
    const live = new Live({ origin: origin(), cookie });
    await live.opened;
    await writeFile(join(shots, 'd.jpg'), 'no picture');
    expect((await live.frame()).bytes.toString()).toBe('no picture');
    live.socket.close();
  });

  test('an unknown message ends the connection', async () => {
    const live = new Live({ origin: origin(), cookie });
    await live.opened;
    const closed = new Promise((resolve) => live.socket.once('close', resolve));
    live.socket.send('{"type":"all"}');
    expect(await closed).toBe(1008);
  });

  test('changing to the simulated camera: frames go on, its world turns by config, a still is taken', async () => {
    const live = new Live({ origin: origin(), cookie });
    await live.opened;
    live.socket.send('{"type":"next"}'); // waits for the folder, comes from the simulator
    expect((await write('POST', '/api/camera', { name: 'sim' })).status).toBe(200);
    await live.take(true);
    const { header } = await live.frame();
    expect(header.mode).toMatchObject({ kind: 'live', pixelUm: expect.any(Number) });
    expect((await write('PUT', '/api/camera/config', { name: 'ring', value: '6.5' })).status).toBe(200);
    expect((await write('PUT', '/api/camera/config', { name: 'ring', value: '65' })).status).toBe(400);
    const config: { name: string; value: string }[] = JSON.parse((await get('/api/camera/config')).text);
    expect(Object.fromEntries(config.map(({ name, value }) => [name, value]))).toMatchObject({ ring: '6.5' });
    const still = await fetch(`http://${address}/api/camera/capture`, {
      method: 'POST',
      headers: { cookie, origin: origin() },
    });
    expect(JSON.parse(still.headers.get('x-frame')!)).toMatchObject({
      mode: { kind: 'still', pixelUm: expect.any(Number) },
    });
    expect((await sharp(Buffer.from(await still.arrayBuffer())).metadata()).format).toBe('jpeg');
    // Remembered for the next start.
    expect(JSON.parse((await get('/api/settings')).text).camera).toBe('sim');
    live.socket.close();
  });
});

describe('settings file', () => {
  test('one from before the kit loads with all it had, and is backed up first', async () => {
    const path = join(folder, 'older', SETTINGS_FILE);
    await mkdir(join(folder, 'older'));
    const optics = { focalMm: 24, fNumber: 2.8, pixelUm: null };
    const older = JSON.stringify({
      optics,
      lensName: 'wide',
      camera: 'sim',
      steadySeconds: 3,
      screen: { tint: false },
    });
    await writeFile(path, older);
    const settings = await SettingsFile.open(path);
    expect(settings.warning).toBe(null);
    const none = { cameras: [], lenses: [], masks: [], calibrations: [] };
    expect(settings.get()).toMatchObject({ ...JSON.parse(older), body: '', kit: none });
    const [backup] = await readdir(join(folder, 'older', 'backups'));
    expect(await readFile(join(folder, 'older', 'backups', backup), 'utf8')).toBe(older);
  });

  test('the last backup serves where the file is damaged', async () => {
    const path = join(folder, 'spoilt', SETTINGS_FILE);
    const settings = await SettingsFile.open(path);
    await settings.set({ lensName: 'wide' });
    await settings.backup();
    await writeFile(path, '{"lensName": "Fab');
    const again = await SettingsFile.open(path);
    expect(again.get().lensName).toBe('wide');
    expect(again.warning).toMatch(/those of \d{4}-\d\d-\d\d serve/);
  });

  test('a damaged one is put aside, not lost', async () => {
    const path = join(folder, 'damaged', SETTINGS_FILE);
    await mkdir(join(folder, 'damaged'));
    await writeFile(path, '{"lensName": "Fab');
    const settings = await SettingsFile.open(path);
    expect(settings.get().lensName).toBe('');
    expect(settings.warning).toMatch(/the old file is/);
    const [aside] = await readdir(join(folder, 'damaged'));
    expect(await readFile(join(folder, 'damaged', aside), 'utf8')).toBe('{"lensName": "Fab');
  });

  test('changes made at once: the last one stays, whole', async () => {
    const path = join(folder, 'many', SETTINGS_FILE);
    const settings = await SettingsFile.open(path);
    await Promise.all(Array.from({ length: 20 }, (_, i) => settings.set({ lensName: `lens ${i}` })));
    expect(settings.get().lensName).toBe('lens 19');
    expect((await SettingsFile.open(path)).get().lensName).toBe('lens 19');
    expect(await readdir(join(folder, 'many'))).not.toContain(`${SETTINGS_FILE}.new`);
  });
});
