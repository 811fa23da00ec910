/** What the station makes of devices that come and go, and of questions in between. */
import { mkdir, mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, onTestFinished, test, vi } from 'vitest';
import { Camera } from '../../host/cameras/camera.ts';
import { CameraError } from '../../host/cameras/source.ts';
import { Station } from '../../host/server/station.ts';

test.each([
  ['usb:250,250', true],
  [`folder:${tmpdir()}`, false],
])('something is plugged in while %s is in use: told; a camera on USB is tried at once (%s)', async (name, tries) => {
  const bus = await mkdtemp(join(tmpdir(), 'nightring-bus-'));
  const retry = vi.spyOn(Camera.prototype, 'retryNow');
  const station = new Station({ folder: bus, everyMs: 5 });
  onTestFinished(async () => {
    await station.close();
    retry.mockRestore();
    await rm(bus, { recursive: true });
  });
  const told: string[] = [];
  station.onStatus(({ type }) => told.push(type));
  await station.choose(name);
  await new Promise((resolve) => setTimeout(resolve, 50)); // it has looked
  expect(told).not.toContain('usb');
  await mkdir(join(bus, '1-2'));
  await expect.poll(() => told).toContain('usb');
  expect(retry.mock.calls.length > 0).toBe(tries);
});

test('without a camera, of one left meanwhile, or of a video input, no settings are read', async () => {
  const station = new Station();
  onTestFinished(() => station.close());
  expect(await station.readConfig()).toEqual([]);
  await station.choose('sim');
  expect((await station.readConfig()).length).toBeGreaterThan(0);
  const left = vi.spyOn(Camera.prototype, 'readConfig').mockRejectedValueOnce(new CameraError('closed', 'left'));
  expect(await station.readConfig()).toEqual([]);
  left.mockRejectedValueOnce(new CameraError('busy', 'it is busy'));
  await expect(station.readConfig()).rejects.toMatchObject({ code: 'busy' });
  left.mockRestore();
  await station.choose('video:Any');
  expect(await station.readConfig()).toEqual([]);
});

test('cameras chosen one upon the other, and closing in between: each is left before the next, none stays behind', async () => {
  const station = new Station();
  const left = vi.spyOn(Camera.prototype, 'close');
  onTestFinished(() => left.mockRestore());
  await Promise.all([station.choose('sim'), station.choose('sim'), station.choose(`folder:${tmpdir()}`)]);
  expect(station.status.name).toBe(`folder:${tmpdir()}`);
  expect(left).toHaveBeenCalledTimes(2);
  const choosing = station.choose('sim');
  await Promise.all([station.close(), station.choose('sim'), choosing]);
  expect(left).toHaveBeenCalledTimes(3);
  expect(() => station.camera).toThrow(/no camera/);
});
