/** USB devices coming and going, on a stand-in for the kernel's list. */
import { mkdir, mkdtemp, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, onTestFinished, test } from 'vitest';
import { watchUsb } from '../../host/cameras/hotplug.ts';

async function bus() {
  const folder = await mkdtemp(join(tmpdir(), 'nightring-bus-'));
  let changes = 0;
  const plug = async (name: string, devnum: number) => {
    await mkdir(join(folder, name), { recursive: true });
    await writeFile(join(folder, name, 'devnum'), `${devnum}\n`);
  };
  await plug('usb1', 1);
  await mkdir(join(folder, '1-0:1.0'));
  const end = watchUsb(() => changes++, { folder, everyMs: 5 });
  onTestFinished(end);
  const looks = () => new Promise((resolve) => setTimeout(resolve, 50));
  await looks();
  return { folder, plug, end, looks, count: () => changes };
}

test('tells of what comes, goes, and comes again with another number; of nothing else', async () => {
  const { folder, plug, looks, count } = await bus();
  expect(count()).toBe(0);
  await plug('1-2', 4);
  await expect.poll(count).toBeGreaterThan(0);
  await looks();
  const plugged = count();
  await rm(join(folder, '1-2'), { recursive: true });
  await expect.poll(count).toBeGreaterThan(plugged);
  await plug('1-2', 4);
  await looks();
  const again = count();
  await plug('1-2', 5); // so quickly that the name was always there
  await expect.poll(count).toBeGreaterThan(again);
  await looks();
  const settled = count();
  await looks();
  expect(count()).toBe(settled);
});

test('ends when told to', async () => {
  const { plug, end, looks, count } = await bus();
  end();
  await plug('1-2', 4);
  await looks();
  expect(count()).toBe(0);
});

test('tells nothing where there is no such list', async () => {
  let changes = 0;
  onTestFinished(watchUsb(() => changes++, { folder: '/nonexistent', everyMs: 1 }));
  await new Promise((resolve) => setTimeout(resolve, 30));
  expect(changes).toBe(0);
});
