/** Moving the simulated camera's focus motor through the host, and stopping it. */
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { NOTEBOOK_FILE, SETTINGS_FILE } from '../../host/datafolder.ts';
import { Notebook } from '../../host/notebook/notebook.ts';
import { Sequence } from '../../host/server/sequence.ts';
import { type RunningHost, startHost } from '../../host/server/server.ts';
import { SettingsFile } from '../../host/server/settings.ts';

const never = new AbortController().signal;
const writes = (count: number, steps = 1) =>
  Array.from({ length: count }, () => ({ name: 'focusMotor', value: String(steps) }));

describe('a sequence of writes', () => {
  const written: string[] = [];
  const write = async (_: string, value: string) => void written.push(value);

  test('comes in order', async () => {
    const sequence = new Sequence();
    const values = ['1', '0', '7'].map((value) => ({ name: 'x', value }));
    expect(await sequence.run(write, values, never)).toBe(3);
    expect(written.splice(0)).toEqual(['1', '0', '7']);
  });

  test('breaks off when told, and can be started anew', async () => {
    const sequence = new Sequence();
    expect(await sequence.run(async () => sequence.stop(), writes(5), never)).toBe(1);
    expect(await sequence.run(write, writes(2), never)).toBe(2);
  });

  test('breaks off when whoever asked is gone', async () => {
    const gone = new AbortController();
    expect(await new Sequence().run(async () => gone.abort(), writes(5), gone.signal)).toBe(1);
  });

  test('is refused while another runs, and free again after a failure', async () => {
    const sequence = new Sequence();
    const { promise, reject } = Promise.withResolvers<void>();
    const first = sequence.run(() => promise, writes(1), never);
    await expect(sequence.run(write, writes(1), never)).rejects.toMatchObject({ code: 'busy' });
    reject(new Error('no'));
    await expect(first).rejects.toThrow('no');
    expect(await sequence.run(write, writes(1), never)).toBe(1);
  });
});

describe('the simulated camera’s motor', () => {
  let folder: string;
  let host: RunningHost;
  let notebook: Notebook;
  let headers: Record<string, string>;
  beforeAll(async () => {
    folder = await mkdtemp(join(tmpdir(), 'nightring-sequence-'));
    notebook = new Notebook(join(folder, NOTEBOOK_FILE));
    const settings = await SettingsFile.open(join(folder, SETTINGS_FILE));
    host = await startHost({ notebook, settings, pageFolder: folder, camera: 'sim' });
    const { origin } = new URL(host.url);
    const cookie = (await fetch(host.url)).headers.get('set-cookie')!.split(';')[0];
    headers = { cookie, origin, 'content-type': 'application/json' };
  });
  afterAll(async () => {
    await host.close();
    notebook.close();
    await rm(folder, { recursive: true });
  });

  const call = (method: string, path: string, body?: unknown, signal?: AbortSignal) =>
    fetch(new URL(path, host.url), { method, headers, signal, body: body ? JSON.stringify(body) : undefined });
  const ring = async () => {
    const config = await (await call('GET', '/api/camera/config')).json();
    return Number(config.find(({ name }: { name: string }) => name === 'ring').value);
  };

  test('stands still soon after the page that drives it is gone', async () => {
    const page = new AbortController();
    const drive = call('POST', '/api/camera/sequence', { writes: writes(150) }, page.signal);
    await expect.poll(ring).toBeGreaterThan(5);
    page.abort();
    await expect(drive).rejects.toThrow();
    await standsStill();
    // The host notices a page that is gone a moment later; until then the camera counts as driven.
    const free = async () => (await call('POST', '/api/camera/sequence', { writes: writes(1) })).status;
    await expect.poll(free).toBe(200);
  });

  test('stands still soon after STOP, from any page', async () => {
    await call('PUT', '/api/camera/config', { name: 'ring', value: '5' });
    const drive = call('POST', '/api/camera/sequence', { writes: writes(150) });
    await expect.poll(ring).toBeGreaterThan(5);
    expect((await call('DELETE', '/api/camera/sequence')).status).toBe(200);
    const { done } = await (await drive).json();
    expect(done).toBeLessThan(150);
    expect(await ring()).toBeCloseTo(5 + done / 200, 6);
  });

  test('turns the ring, 200 steps a mark, and says when it is at its end', async () => {
    const before = await ring();
    const answer = await call('POST', '/api/camera/sequence', { writes: writes(2, 30) });
    expect([answer.status, await answer.json()]).toEqual([200, { done: 2 }]);
    expect(await ring()).toBeCloseTo(before + 60 / 200, 6);

    const beyond = await call('POST', '/api/camera/sequence', { writes: writes(2, 1500) });
    expect([beyond.status, await beyond.json()]).toEqual([
      409,
      { error: 'the focus motor is at its end', code: 'at-limit' },
    ]);
    expect(await ring()).toBe(10);
  });

  /** It was broken off, not done: short of where it was sent. */
  async function standsStill(): Promise<void> {
    let last = await ring();
    await expect
      .poll(async () => {
        const now = await ring();
        const still = now === last;
        last = now;
        return still;
      })
      .toBe(true);
    expect(last).toBeLessThan(5 + 150 / 200);
  }

  test.each([{}, { writes: [] }, { writes: [{ name: 'ring' }] }])('refuses %j', async (body) => {
    expect((await call('POST', '/api/camera/sequence', body)).status).toBe(400);
  });
});
