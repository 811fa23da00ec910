import { readFileSync, writeFileSync } from 'node:fs';
import { readFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { NOTEBOOK_FILE } from '../../host/datafolder.ts';
import { Notebook } from '../../host/notebook/notebook.ts';
import { type Host, launchBrowser, type OpenPage, openPage, startHost, waitForInstruction } from './support.ts';

let host: Host;
let browser: Browser;
let opened: OpenPage;

beforeAll(async () => {
  host = await startHost();
  browser = await launchBrowser();
  opened = await openPage(browser, host.url);
});
afterAll(async () => {
  await browser?.close();
  await host?.stop();
});

const rows = (page: Page) => page.getByRole('row').allTextContents();

describe('the notebook', () => {
  test('an entry written by keyboard is listed, and again after a reload', async () => {
    const { page, problems } = opened;
    await waitForInstruction(page, 'distance');
    await page.keyboard.press('l');
    // The cursor stands in the first field; in the rehearsal ring and temperature are read for the user.
    const ring = page.getByLabel('Ring reads');
    await expect.poll(() => ring.inputValue()).toBe('5');
    expect(await ring.evaluate((element) => element === document.activeElement)).toBe(true);
    await ring.fill('6,4');
    await page.getByLabel('Star or planet').fill('Lantern Star');
    await page.getByLabel('Note').fill('clpst 1234, thin haze');
    await page.keyboard.press('Enter');
    await page.getByText('Saved.').waitFor();
    const [, entry] = await rows(page);
    expect(entry).toMatch(/6\.4 marks/);
    expect(entry).toMatch(/Rehearsal lens24 mm/);
    expect(entry).toMatch(/out of focus, −?\d+ ± \d+ µm/);
    expect(entry).toMatch(/clpst 1234, thin haze/);

    await page.reload();
    await page.getByRole('button', { name: /Notebook/ }).waitFor();
    await page.keyboard.press('4');
    await page.getByText('Lantern Star').waitFor();
    expect((await rows(page))[1]).toBe(entry);
    expect(problems).toEqual([]);
  });

  test('a wrong number is refused with words and nothing typed is lost', async () => {
    const { page } = opened;
    const before = (await rows(page)).length;
    await page.getByLabel('Ring reads').fill('six');
    await page.getByLabel('Note').fill('keep me');
    await page.keyboard.press('Enter');
    expect(await page.getByRole('alert').textContent()).toMatch(/Type a number/);
    expect(await page.getByLabel('Note').inputValue()).toBe('keep me');
    expect(await page.getByLabel('Ring reads').getAttribute('aria-invalid')).toBe('true');
    expect((await rows(page)).length).toBe(before);
  });

  test('letters typed into a field are no shortcuts; Escape leaves', async () => {
    const { page } = opened;
    const note = page.getByLabel('Note');
    await note.fill('');
    await note.pressSequentially('c p l s t 1 3 -');
    expect(await note.inputValue()).toBe('c p l s t 1 3 -');
    await page.keyboard.press('Escape');
    await page.getByRole('button', { name: /Focus/, pressed: undefined }).waitFor();
    expect(await page.getByRole('button', { name: /Focus/ }).getAttribute('aria-current')).toBe('page');
    await page.keyboard.press('4');
  });

  test('an entry is corrected, taken out and put back', async () => {
    const { page } = opened;
    await page.keyboard.press('Escape');
    await page.keyboard.press('4');
    const before = await rows(page);
    await page.getByRole('button', { name: 'Correct' }).first().click();
    await page.getByText('Correct the entry of').waitFor();
    const ring = page.getByLabel('Ring reads');
    expect(await ring.inputValue()).toBe('6.4');
    await ring.fill('6.5');
    await page.getByLabel('Counts as').selectOption('in focus');
    await ring.press('Enter');
    await page.getByText('Saved.').waitFor();
    await page.getByRole('heading', { name: 'Write it down' }).waitFor();
    expect((await rows(page))[1]).toMatch(/6\.5 marks.*in focus, /);

    await page.getByRole('button', { name: 'Take out' }).first().click();
    await page.getByText('Taken out.').waitFor();
    await page.getByText('Nothing yet.').waitFor();
    // The ring's field has the cursor again; the key for undoing must not be typed into it.
    await page.getByRole('button', { name: 'Put it back' }).click();
    await page.getByText('Put back.').waitFor();
    expect(await rows(page)).toHaveLength(before.length);
    expect((await rows(page))[1]).toMatch(/6\.5 marks/);
  });

  test('saves everything as JSON and the entries as CSV, and takes both over without doubling', async () => {
    const { page } = opened;
    const saved = async (label: string) => {
      const [file] = await Promise.all([page.waitForEvent('download'), page.getByText(label).click()]);
      return readFile((await file.path())!, 'utf8');
    };
    const json = await saved('Save everything');
    expect(JSON.parse(json).notebook.entries[0]).toMatchObject({ ringPosition: 6.5, target: 'Lantern Star' });
    const csv = await saved('Save entries as CSV');
    expect(csv).toMatch(/Lantern Star/);
    expect(JSON.parse(await saved('Save kit'))).toMatchObject({ kit: { lenses: [] } });

    const before = await rows(page);
    const upload = (content: string) =>
      page.getByLabel('Take over a file').setInputFiles({
        name: 'notebook.json',
        mimeType: 'application/json',
        buffer: Buffer.from(content),
      });
    await upload(json);
    await page.getByText('0 taken over, 1 known already, kit added, settings replaced.').waitFor();
    expect(await rows(page)).toEqual(before);
    await upload(csv);
    await page.getByText('0 taken over, 1 known already.').waitFor();
    expect(await rows(page)).toEqual(before);
    await upload('not a notebook');
    await page.getByRole('alert').filter({ hasText: 'Nothing was imported' }).waitFor();
  });

  test('prints card and report; asks for the ring’s diameter before it prints a tape', async () => {
    const { page } = opened;
    for (const sheet of ['Field card', 'Session report']) {
      const [file] = await Promise.all([
        page.waitForEvent('download'),
        page.getByRole('button', { name: sheet }).click(),
      ]);
      expect(file.suggestedFilename()).toMatch(/^nightring-(card|report)\.pdf$/);
      expect(await readFile((await file.path())!, 'latin1')).toMatch(/^%PDF-/);
    }
    await page.getByRole('button', { name: 'Ring tape' }).click();
    await page
      .getByRole('alert')
      .filter({ hasText: 'the diameter of the focus ring of Rehearsal lens is not known' })
      .waitFor();
  });
});

describe('a notebook that is damaged', () => {
  test('its backup is shown, and one button goes on with it', async () => {
    const damaged = await startHost(`folder:${tmpdir()}/nightring-no-such-folder`, (data) => {
      const path = join(data, NOTEBOOK_FILE);
      const notebook = new Notebook(path);
      notebook.add({ lens: 'wide', ringPosition: 6.4, ringUnit: 'marks', verdict: 'in-focus', note: 'kept' });
      notebook.close();
      // The first pages overwritten, as by a stick pulled out too early.
      writeFileSync(path, readFileSync(path).fill(0xa5, 0, 8192));
    });
    try {
      const { page } = await openPage(browser, damaged.url);
      await page.getByRole('button', { name: /Notebook/ }).waitFor();
      await page.keyboard.press('4');
      await page.getByText(/is damaged; it was left as it is. Its backup of .* is shown, to be read only/).waitFor();
      await page.getByRole('cell', { name: 'kept' }).waitFor();
      expect(await page.getByLabel('Ring reads').count()).toBe(0);
      expect(await page.getByRole('button', { name: 'Take out' }).count()).toBe(0);
      await page.getByRole('button', { name: 'Go on with what is shown' }).click();
      await page.getByLabel('Ring reads').fill('6.5');
      await page.keyboard.press('Enter');
      await page.getByText('Saved.').waitFor();
      expect(await rows(page)).toHaveLength(3);
    } finally {
      await damaged.stop();
    }
  });
});
