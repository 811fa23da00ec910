/** The command line as a user meets it: real processes, their output and exit status. */
import { type ChildProcess, spawn } from 'node:child_process';
import { mkdtemp, readFile, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { writeDng } from './dng.ts';
import { encoded, patternJpeg, picture, starOnlyJpeg } from './pictures.ts';

const BIN = join(import.meta.dirname, '..', '..', 'bin', 'nightring.mjs');

let folder: string;
beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), 'nightring-cli-'));
  const pattern = await patternJpeg();
  await writeFile(at('pattern.jpg'), pattern);
  await writeFile(at('star.jpg'), await starOnlyJpeg());
  await writeFile(at('half.jpg'), pattern.subarray(0, pattern.length / 2));
  await writeFile(at('empty.jpg'), '');
  await writeFile(at('text.jpg'), 'not a picture');
});
afterAll(() => rm(folder, { recursive: true }));

const at = (name: string) => join(folder, name);

interface Ended {
  code: number | null;
  out: string;
  err: string;
}

function start(...args: string[]): { child: ChildProcess; ended: Promise<Ended> } {
  const child = spawn(process.execPath, [BIN, ...args], {
    cwd: folder,
    env: { ...process.env, NIGHTRING_DATA: at('data') },
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  let [out, err] = ['', ''];
  child.stdout!.on('data', (text) => (out += text));
  child.stderr!.on('data', (text) => (err += text));
  const ended = new Promise<Ended>((resolve) => child.on('close', (code) => resolve({ code, out, err })));
  return { child, ended };
}
const run = (...args: string[]) => start(...args).ended;
const jsonLines = (text: string) =>
  text
    .trim()
    .split('\n')
    .map((line) => JSON.parse(line));

describe('measure', () => {
  test('--json: the contract, one object per image in order; unreadable outweighs no pattern', async () => {
    const files = ['pattern.jpg', 'star.jpg', 'half.jpg', 'empty.jpg', 'text.jpg', 'missing.jpg', '.'];
    const { code, out, err } = await run('measure', '--json', ...files);
    const lines = jsonLines(out);
    expect(lines.map((line) => line.file)).toEqual(files);
    expect(lines.map((line) => line.status)).toEqual(['measured', 'no-pattern', ...Array(5).fill('unreadable')]);
    expect(lines[0]).toMatchObject({
      star: { xPx: expect.closeTo(160, 0), yPx: expect.closeTo(120, 0) },
      offsetPx: expect.any(Number),
      offsetSigmaPx: expect.any(Number),
      middleAngleDeg: expect.closeTo(0, 0),
      outerAngleDeg: expect.closeTo(20, 0),
      spotDistancePx: expect.any(Number),
      defocusUm: null,
      defocusSigmaUm: null,
      snr: expect.any(Number),
      decodeMs: expect.any(Number),
      measureMs: expect.any(Number),
    });
    expect(lines[1]).toMatchObject({
      reason: expect.any(String),
      decodeMs: expect.any(Number),
      measureMs: expect.any(Number),
    });
    for (const line of lines.slice(2)) expect(Object.keys(line)).toEqual(['file', 'status', 'reason']);
    expect(code).toBe(1);
    expect(err).toBe('');
  });

  test('exit 0 when all are measured, 3 when one holds no pattern', async () => {
    expect((await run('measure', 'pattern.jpg', 'pattern.jpg')).code).toBe(0);
    expect((await run('measure', 'star.jpg', 'pattern.jpg')).code).toBe(3);
  });

  test('optics from the options: defocus = offset · pixel · N / k', async () => {
    await writeFile(at('mask.json'), '{"orientation":1,"handedness":1,"outerAngleDeg":20}');
    const optics = ['--f-number', '2.8', '--pixel-um', '1.2', '--focal-mm', '24'];
    const [known] = jsonLines((await run('measure', '--json', ...optics, '--mask', 'mask.json', 'pattern.jpg')).out);
    // k of the half-disc example worked in DEVELOPERS.md's sources: 0.2122 (2 + tan 20°) or (2 − tan 20°).
    expect([0.5017, 0.3472].some((k) => Math.abs(Math.abs(known.k) - k) < 0.002)).toBe(true);
    expect(known.defocusUm).toBeCloseTo((known.offsetPx * 1.2 * 2.8) / known.k, 9);
    expect(known.maskAssumed).toBe(false);
    const [assumed] = jsonLines((await run('measure', '--json', ...optics, 'pattern.jpg')).out);
    expect(assumed.maskAssumed).toBe(true);
    expect(assumed.defocusSigmaUm).toBeGreaterThan(known.defocusSigmaUm);
  });

  test('optics from EXIF, when the options are left out', async () => {
    const exif = {
      IFD2: { FocalLength: '24/1', FNumber: '28/10', FocalPlaneXResolution: '2500/1', FocalPlaneResolutionUnit: '3' },
    };
    await encoded(picture()).jpeg({ quality: 95 }).withExif(exif).toFile(at('exif.jpg'));
    const [line] = jsonLines((await run('measure', '--json', 'exif.jpg')).out);
    expect(line.pixelUm).toBeCloseTo(4, 6);
    expect(line.defocusUm).toBeCloseTo((line.offsetPx * 4 * 2.8) / line.k, 9);
    const [told] = jsonLines((await run('measure', '--json', '--pixel-um', '2', 'exif.jpg')).out);
    expect(told.defocusUm).toBeCloseTo((told.offsetPx * 2 * 2.8) / told.k, 9);
  });

  test('text: one line each on standard output, remarks beside it', async () => {
    const { out, err, code } = await run(
      'measure',
      '--f-number',
      '2.8',
      '--pixel-um',
      '1.2',
      'pattern.jpg',
      'star.jpg',
      'text.jpg',
    );
    const lines = out.trim().split('\n');
    expect(lines).toHaveLength(3);
    expect(lines[0]).toMatch(
      /^pattern\.jpg {2}offset +[+−]\d+\.\d\d ± \d+\.\d\d px .*defocus +[+−]\d+\.\d ± \d+\.\d µm/,
    );
    expect(lines[1]).toMatch(/^star\.jpg {5}no pattern {2}/);
    expect(lines[2]).toMatch(/^text\.jpg {5}unreadable {2}/);
    expect(err).toMatch(/mask is assumed/);
    expect(code).toBe(1);
  });

  test('camera raw, from mosaic to reading', async () => {
    const scene = picture({ widthPx: 640, heightPx: 480, star: { ...STAR, xPx: 320, yPx: 240 }, pixelUm: 0.6 });
    const linear = scene.data as Uint8Array;
    const mosaic = Uint16Array.from({ length: 640 * 480 }, (_, i) => {
      const [x, y] = [i % 640, Math.floor(i / 640)];
      const value = linear[3 * i + ((x & 1) + (y & 1))] / 255;
      return Math.round(16383 * (value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4));
    });
    await writeFile(at('shot.dng'), writeDng(640, 480, mosaic, { whiteLevel: 16383 }));
    const [line] = jsonLines((await run('measure', '--json', 'shot.dng')).out);
    expect(line.status).toBe('measured');
    expect(Math.hypot(line.star.xPx - 320, line.star.yPx - 240)).toBeLessThan(1);
  });

  test.each([
    ['no file', []],
    ['an unknown option', ['--frobnicate', 'pattern.jpg']],
    ['a negative focal length', ['--focal-mm', '-24', 'pattern.jpg']],
    ['a focal length of 0', ['--focal-mm', '0', 'pattern.jpg']],
    ['a focal length in words', ['--focal-mm', 'wide', 'pattern.jpg']],
    ['an empty f-number', ['--f-number', '', 'pattern.jpg']],
    ['an infinite f-number', ['--f-number', 'Infinity', 'pattern.jpg']],
    ['a pixel size with a unit', ['--pixel-um', '4um', 'pattern.jpg']],
    ['a mask file that is not there', ['--mask', 'nowhere.json', 'pattern.jpg']],
    ['a mask file that is not JSON', ['--mask', 'text.jpg', 'pattern.jpg']],
  ])('%s is wrong usage: exit 2, one line, nothing read', async (_, args) => {
    const { code, out, err } = await run('measure', '--json', ...args);
    expect(code).toBe(2);
    expect(out).toBe('');
    expect(err.trim().split('\n')).toHaveLength(1);
  });

  test.each([
    ['k = 0: half discs at atan 2', '{"layout":"half","handedness":-1,"outerAngleDeg":63.43494882292201}', /k = 0/],
    ['an unknown layout', '{"layout":"thirds"}', /layout/],
    ['a negative pitch', '{"pitchUm":-1}', /pitchUm/],
    ['a misspelt field', '{"pitchMicron":100}', /pitchMicron/],
    ['a list', '[]', /expected object/],
  ])('a mask file with %s: exit 2, says what is wrong', async (_, text, message) => {
    await writeFile(at('bad-mask.json'), text);
    const { code, out, err } = await run('measure', '--mask', 'bad-mask.json', 'pattern.jpg');
    expect(code).toBe(2);
    expect(out).toBe('');
    expect(err).toMatch(message);
    expect(err.trim().split('\n')).toHaveLength(1);
  });

  test('a reader that goes away early is no error', async () => {
    const { child, ended } = start('measure', '--json', ...Array(40).fill('pattern.jpg'));
    child.stdout!.once('data', () => child.stdout!.destroy());
    const { code, err } = await ended;
    expect(code).toBe(0);
    expect(err).toBe('');
  });
});

const STAR = {
  xPx: 0,
  yPx: 0,
  photoelectrons: 1_500_000,
  temperatureK: 6500,
  widthPx: 0,
  heightPx: 0,
  angleDeg: 0,
  square: false,
};

describe('watch', () => {
  test('sim: numbered lines with the time, ends after N frames', async () => {
    const { code, out } = await run('watch', '--camera', 'sim', '--frames', '3', '--json');
    const lines = jsonLines(out);
    expect(lines.map((line) => line.frame)).toEqual([1, 2, 3]);
    for (const line of lines) {
      expect(line.status).toBe('measured');
      expect(line.timeUtc).toMatch(/^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$/);
      expect(line.defocusUm).toEqual(expect.any(Number));
    }
    expect(code).toBe(0);
  });

  test('Ctrl-C ends it in good order', async () => {
    const { child, ended } = start('watch', '--camera', 'sim');
    child.stdout!.once('data', () => child.kill('SIGINT'));
    expect((await ended).code).toBe(0);
  });

  test('a folder measures as its files do', async () => {
    const shots = await mkdtemp(join(folder, 'shots-'));
    await writeFile(join(shots, '2.jpg'), await readFile(at('star.jpg')));
    await writeFile(join(shots, '1.jpg'), await readFile(at('pattern.jpg')));
    const { code, out } = await run('watch', '--camera', `folder:${shots}`, '--frames', '2', '--json');
    const lines = jsonLines(out);
    expect(lines.map((line) => [line.file, line.status])).toEqual([
      ['1.jpg', 'measured'],
      ['2.jpg', 'no-pattern'],
    ]);
    const [direct] = jsonLines((await run('measure', '--json', 'pattern.jpg')).out);
    expect(lines[0].offsetPx).toBe(direct.offsetPx);
    expect(code).toBe(3);
  });

  test.each([['folder:/nowhere/at/all'], ['ptpip:127.0.0.1:1:1']])(
    '%s is not there: exit 4, one line',
    async (name) => {
      const { code, out, err } = await run('watch', '--camera', name);
      expect(code).toBe(4);
      expect(out).toBe('');
      expect(err.trim().split('\n')).toHaveLength(1);
    },
  );

  test.each([
    ['no camera', []],
    ['a name of no camera', ['--camera', 'bogus']],
    ['a kind of port that is none', ['--camera', 'ptip:192.0.2.1']],
    ['no frames', ['--camera', 'sim', '--frames', '0']],
    ['half a frame', ['--camera', 'sim', '--frames', '1.5']],
  ])('%s: exit 2', async (_, args) => {
    const { code, err } = await run('watch', ...args);
    expect(code).toBe(2);
    expect(err.trim().split('\n')).toHaveLength(1);
  });
});

describe('the rest', () => {
  test.each([
    ['measure'],
    ['watch'],
    ['serve'],
    ['cameras'],
    ['notebook list'],
    ['notebook export'],
    ['notebook import'],
    ['notebook predict'],
  ])('%s --help shows an example', async (command) => {
    const { code, out } = await run(...command.split(' '), '--help');
    expect(code).toBe(0);
    expect(out).toMatch(/Examples?:\n {2}nightring /);
  });

  test('cameras lists the simulated one', async () => {
    const { code, out } = await run('cameras');
    expect(out).toMatch(/^sim /m);
    expect(code).toBe(0);
  });

  test('an unknown command: exit 2', async () => {
    expect((await run('mesure', 'pattern.jpg')).code).toBe(2);
  });

  test('notebook: export, import, list', async () => {
    const notebook = { format: 'nightring-notebook', version: 1, entries: [ENTRY] };
    await writeFile(at('notebook.json'), JSON.stringify(notebook));
    expect(await run('notebook', 'import', 'notebook.json')).toMatchObject({
      code: 0,
      out: '1 entry added, 0 known already.\n',
    });
    expect(await run('notebook', 'import', 'notebook.json')).toMatchObject({
      code: 0,
      out: '0 entries added, 1 known already.\n',
    });
    const listed = await run('notebook', 'list');
    expect(listed.out).toMatch(/^2026-01-17 21:04 .*6\.4 marks/);
    expect(listed.err).toBe('');
    expect(JSON.parse((await run('notebook', 'export')).out).notebook.entries).toMatchObject([ENTRY]);
    expect((await run('notebook', 'export', '--format', 'csv')).out).toContain('6.4');
    expect((await run('notebook', 'export', '--output', 'copy.json')).code).toBe(0);
    expect((await run('notebook', 'export', '--output', 'copy.json')).code).toBe(2);
    expect((await run('notebook', 'export', '--format', 'xml')).code).toBe(2);
    expect((await run('notebook', 'import', 'nowhere.json')).code).toBe(1);
    const refused = await run('notebook', 'import', 'text.jpg');
    expect(refused.code).toBe(1);
    expect(refused.err.trim().split('\n')).toHaveLength(1);
  });

  test('notebook predict: where to start, in words and as JSON', async () => {
    const data = at('predict-data');
    const readings = [
      ['21:00', 10, 6.52],
      ['22:00', 6, 6.61],
      ['23:00', 4, 4.7],
      ['23:30', 2, 6.74],
    ];
    const lines = readings.map(([time, c, ring]) => `2031-10-14T${time}:00Z,wide,24,${c},${ring},marks,in-focus`);
    const header = 'timeUtc,lens,focalMm,temperatureC,ringPosition,ringUnit,verdict';
    await writeFile(at('by-hand.csv'), [header, ...lines, ''].join('\n'));
    expect((await run('notebook', 'import', 'by-hand.csv', '--data', data)).out).toMatch(/^4 entries added/);
    const asked = ['notebook', 'predict', '--data', data, '--lens', 'wide', '--focal-mm', '24'];
    const told = await run(...asked, '--temperature-c', '6');
    expect(told.code).toBe(0);
    expect(told.out).toMatch(/^Start at 6\.6 ± 0\.2 marks \(95 %: 6\.\d to [67]\.\d; 4 entries in focus\)\.$/m);
    expect(told.out).toMatch(/^Doubtful: 2031-10-14 23:00, 4\.7 marks/m);
    const found = JSON.parse((await run(...asked, '--temperature-c=-12', '--json')).out);
    expect(found).toMatchObject({ lens: 'wide', unit: 'marks', focalMm: 24, temperatureC: -12, entries: 4 });
    expect(found.position).toBeGreaterThan(6.7);
    expect(found.residuals.filter(({ bad }: { bad: boolean }) => bad)).toHaveLength(1);
    expect((await run('notebook', 'predict', '--data', data, '--lens', 'long')).code).toBe(3);
    expect((await run('notebook', 'predict', '--data', data)).code).toBe(2);
    expect((await run(...asked, '--temperature-c', 'cold')).code).toBe(2);
  });

  test('notebook merge takes the file of another machine; kit and settings go apart', async () => {
    const [one, other] = ['one', 'other'].map((name) => at(`laptop-${name}`));
    for (const [data, note] of [
      [one, 'first'],
      [other, 'second'],
    ]) {
      await writeFile(at('note.csv'), `timeUtc,note\n2031-10-14T21:00:00Z,${note}\n`);
      await run('notebook', 'import', 'note.csv', '--data', data);
    }
    const merge = () => run('notebook', 'merge', join(other, 'notebook.sqlite'), '--data', one);
    expect((await merge()).out).toBe('1 entry added, 0 known already.\n');
    expect((await merge()).out).toBe('0 entries added, 1 known already.\n');
    const kit = JSON.parse((await run('notebook', 'export', '--only', 'kit', '--data', one)).out);
    expect(Object.keys(kit)).toEqual(['format', 'version', 'kit']);
    const csvKit = await run('notebook', 'export', '--format', 'csv', '--only', 'kit', '--data', one);
    expect(csvKit).toMatchObject({ code: 2, out: '', err: expect.stringMatching(/^nightring: CSV holds [^\n]*\n$/) });
    await writeFile(at('picture.csv'), Buffer.from('timeUtc\n\u0000\ufffdA\u0001"b"\n'));
    const picture = await run('notebook', 'import', 'picture.csv', '--data', one);
    expect(picture).toMatchObject({
      code: 1,
      err: expect.stringMatching(/^nightring: [ -~]*neither JSON nor CSV[ -~]*\n$/),
    });
    expect(JSON.parse((await run('notebook', 'schema')).out)).toMatchObject({ type: 'object' });
  });

  test('a damaged notebook: its backup is shown, and restore goes on with it', async () => {
    const data = at('damaged-data');
    await writeFile(at('kept.csv'), 'timeUtc,note\n2031-10-14T21:00:00Z,kept\n');
    await run('notebook', 'import', 'kept.csv', '--data', data);
    const backup = await run('notebook', 'backup', '--data', data);
    expect(backup.out).toMatch(/^Written to .*backups/);
    await writeFile(join(data, 'notebook.sqlite'), 'ring at 3.2, cold\n'.repeat(500));
    const listed = await run('notebook', 'list', '--data', data);
    expect(listed).toMatchObject({ code: 0, out: expect.stringContaining('kept') });
    expect(listed.err).toMatch(/^The notebook .* is damaged.*to be read only.*\n$/);
    const refused = await run('notebook', 'import', 'kept.csv', '--data', data);
    expect(refused.code).not.toBe(0);
    expect((await run('notebook', 'restore', '--data', data)).out).toMatch(/^Restored\. .*\.bad\n$/);
    const after = await run('notebook', 'list', '--data', data);
    expect(after).toMatchObject({ err: '', out: expect.stringContaining('kept') });
    expect((await run('notebook', 'restore', '--data', data)).out).toMatch(/sound/);
  });

  test('serve prints a link that works, and ends on SIGTERM', async () => {
    const { child, ended } = start('serve', '--camera', `folder:${folder}`, '--data', at('serve-data'));
    const [link] = await new Promise<RegExpMatchArray>((resolve) =>
      child.stdout!.on('data', (text) => {
        const match = String(text).match(/http:\/\/127\.0\.0\.1:\d+\/\?token=\S+/);
        if (match) resolve(match);
      }),
    );
    const page = await fetch(link);
    expect(page.headers.get('set-cookie')).toMatch(/HttpOnly/);
    await page.arrayBuffer();
    child.kill('SIGTERM');
    const { code, err } = await ended;
    expect(code).toBe(0);
    expect(err).toBe('');
  });

  test('serve: a port that is in use', async () => {
    const { createServer } = await import('node:net');
    const other = createServer().listen(0, '127.0.0.1');
    await new Promise((resolve) => other.once('listening', resolve));
    const { port } = other.address() as { port: number };
    const { code, err } = await run('serve', '--port', String(port));
    other.close();
    expect(code).toBe(2);
    expect(err).toMatch(/in use/);
    expect((await run('serve', '--port', '99999')).code).toBe(2);
  });
});

const ENTRY = {
  id: '5f0c2f3e-53a5-4a0c-9d0c-0f2b5a1e7a11',
  timeUtc: '2026-01-17T21:04:05.000Z',
  ringPosition: 6.4,
  ringUnit: 'marks',
  lens: 'Fable 14-50 f/2.8',
  focalMm: 24,
};

describe('targets', () => {
  const PLACE = ['--latitude', '46', '--longitude', '8'];
  const EVENING = ['--time', '2026-11-25T21:00+01:00'];
  const pictures = join(import.meta.dirname, '..', 'reference', 'fixtures', 'gps');

  test('--json: the night first, then the targets, times UTC', async () => {
    const { code, out } = await run('targets', ...PLACE, ...EVENING, '--focal-mm', '24', '--f-number', '1.4', '--json');
    const [night, best] = jsonLines(out);
    expect(code).toBe(0);
    expect(night).toMatchObject({ type: 'night', timeUtc: '2026-11-25T20:00:00.000Z', daylight: 'night' });
    // Sunset and moonrise by PyEphem (tests/reference/fixtures/sky.json).
    expect(Math.abs(Date.parse(night.sun.setUtc) - Date.parse('2026-11-25T15:47:46Z'))).toBeLessThan(60_000);
    expect(Math.abs(Date.parse(night.moon.riseUtc) - Date.parse('2026-11-25T16:07:26Z'))).toBeLessThan(60_000);
    expect(best).toMatchObject({ type: 'target', name: 'Saturn', kind: 'planet', verdict: 'good' });
  });

  test('a table for people; the place from a picture; the Sun that is up is spoken of', async () => {
    const picture = join(pictures, 'south-west.jpg');
    const { code, out, err } = await run('targets', '--place-from', picture, '--time', '2026-11-25T16:00Z', '--all');
    expect(code).toBe(0);
    expect(err).toMatch(/-33\.252°, -70\.010°/);
    expect(err).toMatch(/The Sun is up, NNE 28°, 76° high/);
    expect(out).toMatch(/^Target +Direction/);
    expect(out).toMatch(/Antares .* refused +\d+° from the Sun/);
  });

  test('what is missing or wrong is said in one line', async () => {
    const wrong: [string[], number, RegExp][] = [
      [[], 2, /the place is not known; give --latitude/],
      [['--latitude', '46'], 2, /belong together/],
      [['--latitude', '460', '--longitude', '8'], 2, /not valid: latitudeDeg/],
      [[...PLACE, '--time', '2026-11-25T21:00'], 2, /a time with its zone/],
      [[...PLACE, '--towards', 'up'], 2, /a compass point/],
      [['--place-from', join(pictures, 'none.jpg')], 1, /holds no position/],
      [['--place-from', 'missing.jpg'], 1, /cannot be read/],
    ];
    for (const [args, status, message] of wrong) {
      const { code, out, err } = await run('targets', ...args);
      expect({ args, code, out }).toEqual({ args, code: status, out: '' });
      expect(err).toMatch(message);
      expect(err.trim().split('\n')).toHaveLength(1);
    }
  });
});
