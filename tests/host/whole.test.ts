/** Pictures are taken from a folder when they are whole, not when their copying only stalls. */
import { appendFile, mkdtemp, rm, utimes, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import fc from 'fast-check';
import sharp from 'sharp';
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import type { Frame } from '../../core/frame.ts';
import { openFolder } from '../../host/cameras/folder.ts';
import type { CameraSource } from '../../host/cameras/source.ts';
import { wholenessOf } from '../../host/cameras/whole.ts';
import { decode } from '../../host/decode/decode.ts';
import { withThumbnail } from '../support/encode.ts';
import { writeDng } from './dng.ts';

/** The folder is looked at, then rests for a moment. */
const looks = vi.hoisted(() => ({ count: 0 }));
vi.mock('node:timers/promises', async (original) => {
  const real = await original<typeof import('node:timers/promises')>();
  const setTimeout = (ms: number) => {
    looks.count++;
    return real.setTimeout(ms);
  };
  return { ...real, setTimeout };
});

const [WIDTH_PX, HEIGHT_PX] = [900, 600];

/** Noise: as many bytes as a picture's details make, 0xff among them. */
function noise(lengthBytes: number): Uint8Array {
  let state = 1;
  return Uint8Array.from({ length: lengthBytes }, () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return state >>> 24;
  });
}

const noisy = (width = WIDTH_PX, height = HEIGHT_PX) =>
  sharp(noise(width * height * 3), { raw: { width, height, channels: 3 } });

type Entry = [tag: number, type: 3 | 4 | 7, values: number[]];

/** A TIFF directory at `offset` with what does not fit into its entries behind it. */
function directoryAt(offset: number, entries: Entry[], next: number, isLittle: boolean): Buffer {
  const width = { 3: 2, 4: 4, 7: 1 };
  const directory = Buffer.alloc(2 + 12 * entries.length + 4);
  const put = (into: Buffer, at: number, bytes: number, value: number) =>
    isLittle ? into.writeUIntLE(value, at, bytes) : into.writeUIntBE(value, at, bytes);
  const further: Buffer[] = [];
  let furtherAt = offset + directory.length;
  put(directory, 0, 2, entries.length);
  for (const [index, [tag, type, values]] of entries.entries()) {
    const at = 2 + 12 * index;
    const bytes = Buffer.alloc(Math.max(4, values.length * width[type]));
    for (const [i, value] of values.entries()) put(bytes, i * width[type], width[type], value);
    put(directory, at, 2, tag);
    put(directory, at + 2, 2, type);
    put(directory, at + 4, 4, values.length);
    if (bytes.length === 4) bytes.copy(directory, at + 8);
    else {
      put(directory, at + 8, 4, furtherAt);
      further.push(bytes);
      furtherAt += bytes.length;
    }
  }
  put(directory, directory.length - 4, 4, next);
  return Buffer.concat([directory, ...further]);
}

/**
 * As cameras write their raw: directories first, in the first one a small preview and the EXIF block with a garbage
 * offset behind it as some writers leave, in SubIFDs a JPEG and the raw strips, which are what is copied last.
 */
function cameraRaw(isLittle: boolean): Buffer {
  const strips = [0, 1, 2].map((index) => noise(50_000 + index));
  const jpeg = noise(20_000);
  const [firstAt, exifAt, jpegAt, rawAt, pixelsAt] = [8, 500, 1000, 1500, 2000];
  const stripsAt = [0, 1, 2].map((index) => pixelsAt + 20_000 + 50_001 * index);
  const parts: [number, Uint8Array][] = [
    [0, isLittle ? Buffer.of(0x49, 0x49, 42, 0, 8, 0, 0, 0) : Buffer.of(0x4d, 0x4d, 0, 42, 0, 0, 0, 8)],
    [
      firstAt,
      directoryAt(
        firstAt,
        [
          [273, 4, [1900]],
          [279, 4, [100]],
          [330, 4, [jpegAt, rawAt]],
          [34665, 4, [exifAt]],
        ],
        0,
        isLittle,
      ),
    ],
    [exifAt, directoryAt(exifAt, [[37500, 7, [...noise(64)]]], 0x3161805, isLittle)],
    [
      jpegAt,
      directoryAt(
        jpegAt,
        [
          [513, 4, [pixelsAt]],
          [514, 4, [jpeg.length]],
        ],
        0,
        isLittle,
      ),
    ],
    [
      rawAt,
      directoryAt(
        rawAt,
        [
          [259, 3, [1]],
          [273, 4, stripsAt],
          [279, 4, strips.map(({ length }) => length)],
        ],
        0,
        isLittle,
      ),
    ],
    [1900, noise(100)],
    [pixelsAt, jpeg],
    ...strips.map((strip, index): [number, Uint8Array] => [stripsAt[index], strip]),
  ];
  const file = Buffer.alloc(stripsAt[2] + strips[2].length);
  for (const [at, bytes] of parts) file.set(bytes, at);
  return file;
}

/** Boxes as a CR3 has them; the pixels' length is told in 64 bits. */
function cr3(): Buffer {
  const box = (type: string, content: Uint8Array, isLong = false) => {
    const head = Buffer.alloc(isLong ? 16 : 8);
    head.writeUInt32BE(isLong ? 1 : head.length + content.length);
    head.write(type, 4, 'latin1');
    if (isLong) head.writeBigUInt64BE(BigInt(head.length + content.length), 8);
    return Buffer.concat([head, content]);
  };
  const [brand, movie, preview] = [Buffer.from('crx \0\0\0\x01crx isom'), noise(9000), noise(30_000)];
  return Buffer.concat([
    box('ftyp', brand),
    box('moov', movie),
    box('uuid', preview),
    box('mdat', noise(200_000), true),
  ]);
}

const plainJpeg = await noisy().jpeg({ quality: 80 }).toBuffer();
const thumbnail = await noisy(100, 80).jpeg({ quality: 90 }).toBuffer();
const jpeg = withThumbnail(plainJpeg, thumbnail);
const dng = writeDng(WIDTH_PX, HEIGHT_PX, Uint16Array.from(noise(WIDTH_PX * HEIGHT_PX)));
const webp = await noisy().webp().toBuffer();
const png = await noisy().png().toBuffer();
const tiff = await noisy().tiff({ compression: 'none' }).toBuffer();
const whole: Record<string, Buffer> = {
  'a JPEG with a thumbnail': jpeg,
  'a progressive JPEG': withThumbnail(await noisy().jpeg({ progressive: true }).toBuffer(), thumbnail),
  'a PNG': png,
  'a WebP': webp,
  'a lossless WebP': await noisy().webp({ lossless: true }).toBuffer(),
  'a TIFF in strips': tiff,
  'a TIFF in tiles': await noisy().tiff({ compression: 'lzw', tile: true, tileWidth: 256, tileHeight: 256 }).toBuffer(),
  'a TIFF of several pages': twoPages(),
  'a DNG whose directory is last': dng,
  'camera raw whose pixels are last': cameraRaw(true),
  'camera raw in the other order of bytes': cameraRaw(false),
  'a CR3': cr3(),
};

/** The second page behind the first. */
function twoPages(): Buffer {
  const pixels = noise(50_000);
  const pages = [8, 60_000];
  const file = Buffer.alloc(pages[1] + 100 + pixels.length);
  file.set([0x49, 0x49, 42, 0, pages[0]]);
  for (const [index, at] of pages.entries()) {
    const entries: Entry[] = [
      [273, 4, [at + 100]],
      [279, 4, [pixels.length]],
    ];
    file.set(directoryAt(at, entries, pages[index + 1] ?? 0, true), at);
    file.set(pixels, at + 100);
  }
  return file;
}

/** Also counts what is read. */
async function look(bytes: Buffer) {
  let readBytes = 0;
  const read = async (offset: number, lengthBytes: number) => {
    const part = bytes.subarray(offset, offset + lengthBytes);
    readBytes += part.length;
    return part;
  };
  return { wholeness: await wholenessOf({ sizeBytes: bytes.length, read }), readBytes };
}
const told = async (bytes: Buffer) => (await look(bytes)).wholeness;
/** Given all its room before it is copied. */
const allotted = (bytes: Buffer, copiedBytes: number) => Buffer.from(bytes).fill(0, Math.floor(copiedBytes));

describe('whole or not', () => {
  test.each(Object.entries(whole))('%s', async (_, bytes) => {
    expect(await told(bytes)).toBe('whole');
    for (const share of [0.001, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99])
      expect([share, await told(bytes.subarray(0, share * bytes.length))]).toEqual([share, 'partial']);
    expect(await told(bytes.subarray(0, -1))).toBe('partial');
    // No look takes for whole what was given its room, whatever it has of it.
    expect(await told(Buffer.alloc(bytes.length))).toBe('partial');
    for (const share of [0.1, 0.5, 0.9])
      expect(await told(allotted(bytes, share * bytes.length))).toMatch(/partial|unknown/);
  });

  test('a JPEG is not whole with its thumbnail, wherever it is cut', async () => {
    const endOfThumbnail = jpeg.indexOf(thumbnail) + thumbnail.length;
    for (const more of [0, 1, 500, 20_000, 60_000])
      expect(await told(jpeg.subarray(0, endOfThumbnail + more))).toBe('partial');
  });

  test("behind a JPEG's end may lie a camera's own bytes, zeros, or a further picture with a thumbnail", async () => {
    expect(await told(Buffer.concat([jpeg, noise(300)]))).toBe('whole');
    expect(await told(Buffer.concat([jpeg, Buffer.alloc(32 << 10)]))).toBe('whole');
    const further = withThumbnail(await noisy(400, 300).jpeg({ quality: 95 }).toBuffer(), thumbnail);
    const both = Buffer.concat([jpeg, further]);
    expect(await told(both)).toBe('whole');
    expect(await told(both.subarray(0, jpeg.length - 1))).toBe('partial');
    expect(await told(both.subarray(0, -1))).toBe('partial'); // its thumbnail is far from the end
  });

  test('before a marker there may be fill bytes (ISO/IEC 10918-1, B.1.1.2)', async () => {
    const filled = Buffer.concat([jpeg.subarray(0, 2), Buffer.of(0xff, 0xff, 0xff), jpeg.subarray(2)]);
    expect(await told(filled)).toBe('whole');
    expect(await told(filled.subarray(0, -1))).toBe('partial');
  });

  test('what does not say where it ends', async () => {
    const unknown = Buffer.concat([Buffer.from('a kind of its own'), noise(10_000)]);
    const panasonic = Buffer.concat([Buffer.from('IIU\0\x08\0\0\0'), noise(10_000)]);
    for (const bytes of [
      unknown,
      panasonic,
      Buffer.from('a'),
      Buffer.from('RIFF\0\0\0\0WAVE'),
      Buffer.from('no picture at all'),
    ])
      expect(await told(bytes)).toBe('unknown');
    const untilEnd = cr3();
    untilEnd.writeUInt32BE(0, untilEnd.indexOf('mdat') - 4);
    expect(await told(untilEnd)).toBe('unknown');
  });

  test('a TIFF that is written anew has no directory before its end', async () => {
    const begun = Buffer.from(tiff);
    begun.writeUInt32LE(0, 4);
    expect(await told(begun)).toBe('partial');
  });

  test('directories that go round in a circle, or have no end', async () => {
    const circle = cameraRaw(true);
    const subdirectories = circle.readUInt32LE(8 + 2 + 2 * 12 + 8);
    circle.writeUInt32LE(8, subdirectories); // the first one again
    expect(await told(circle)).toBe('whole');
    const chain = Buffer.alloc(8 + 200 * 6 + 1);
    chain.set([0x49, 0x49, 42, 0, 8]);
    for (let index = 0; index < 200; index++) chain.writeUInt32LE(8 + 6 * (index + 1), 8 + 6 * index + 2);
    chain[chain.length - 1] = 1;
    expect(await told(chain)).toBe('unknown');
  });

  test('damaged bytes never fail, and never cost more than some looks at the file', async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.constantFrom(...Object.values(whole)),
        fc.array(fc.tuple(fc.nat(3000), fc.constantFrom(0, 1, 0x7f, 0xff)), { minLength: 1, maxLength: 8 }),
        async (bytes, changes) => {
          const damaged = Buffer.from(bytes);
          for (const [at, value] of changes) damaged[at] = value;
          expect((await look(damaged)).readBytes).toBeLessThan(4 * bytes.length + (2 << 20));
        },
      ),
      { numRuns: 1000 },
    );
  });

  test('of a large picture only little is read', async () => {
    const raw = Buffer.concat([cameraRaw(true), noise(100)]);
    expect((await look(raw)).readBytes).toBeLessThan(10_000);
    const large = Buffer.concat([jpeg.subarray(0, -2), Buffer.alloc(20 << 20, 1), jpeg.subarray(-2)]);
    expect(await look(large)).toMatchObject({ wholeness: 'whole' });
    expect((await look(large)).readBytes).toBeLessThan(70_000);
  });
});

describe('a folder whose pictures are being copied', () => {
  let folder: string;
  let camera: CameraSource;
  let frames: Frame[];
  /** Real time goes on for the folder's looks; how long files have rested is told by this clock. */
  let nowMs: number;
  beforeEach(async () => {
    folder = await mkdtemp(join(tmpdir(), 'nightring-whole-'));
    frames = [];
    nowMs = Date.now();
    vi.useFakeTimers({ toFake: ['Date'], now: nowMs });
  });
  afterEach(async () => {
    await camera.close();
    vi.useRealTimers();
    await rm(folder, { recursive: true, force: true });
  });
  const open = async () => {
    camera = await openFolder(folder);
    await camera.start(
      (frame) => void frames.push(frame),
      (error) => {
        throw error;
      },
    );
  };
  /** So many looks later, and what was under way has ended. */
  const looked = async (count: number) => {
    for (const goal = looks.count + count; looks.count < goal; )
      await new Promise((resolve) => setTimeout(resolve, 20));
  };
  const rest = async (ms: number) => {
    await looked(2);
    nowMs += ms;
    vi.setSystemTime(nowMs);
    await looked(2);
  };
  const names = () => frames.map(({ name }) => name);
  const write = (name: string, bytes: Uint8Array | string) => writeFile(join(folder, name), bytes);

  const copied: [name: string, bytes: Buffer, copiedBytes: number][] = [
    ['a.jpg', jpeg, 40_000], // with the thumbnail's end
    ['b.dng', cameraRaw(true), 100_000],
    ['c.nef', cameraRaw(false), 2500],
    ['d.tif', tiff, tiff.length >> 1],
    ['e.webp', webp, webp.length - 1],
    ['f.png', png, png.length - 1],
    ['g.cr3', cr3(), 50_000],
  ];

  test('a copy that stalls for 25 s is waited for, a whole picture is not', async () => {
    await open();
    for (const [name, bytes, copiedBytes] of copied) await write(name, bytes.subarray(0, copiedBytes));
    await write('h.jpg', jpeg);
    await rest(1000);
    expect(names()).toEqual(['h.jpg']);
    await rest(24_000);
    expect(names()).toEqual(['h.jpg']);
    for (const [name, bytes, copiedBytes] of copied) await appendFile(join(folder, name), bytes.subarray(copiedBytes));
    await rest(1000);
    expect(names()).toEqual(['h.jpg', ...copied.map(([name]) => name)]);
    for (const [index, [, bytes]] of copied.entries()) expect(bytes.equals(frames[index + 1].bytes)).toBe(true);
  });

  test('what stays cut short holds up nothing, is told damaged after half a minute, and comes again when it is whole', async () => {
    const cut: [string, Buffer][] = [
      ['a.jpg', jpeg],
      ['b.dng', dng],
      ['c.png', png],
      ['d.webp', webp],
      ['e.tif', tiff],
    ];
    await open();
    for (const [name, bytes] of cut) await write(name, bytes.subarray(0, bytes.length * 0.7));
    await write('f.jpg', jpeg);
    await rest(29_000);
    expect(names()).toEqual(['f.jpg']);
    await rest(2000);
    expect(names()).toEqual(['f.jpg', ...cut.map(([name]) => name)]);
    for (const { bytes, name } of frames.slice(1))
      await expect(decode(bytes, name)).rejects.toMatchObject({
        name: 'DecodeError',
        message: expect.stringMatching(/^.+$/),
      });
    await write('a.jpg', jpeg);
    await rest(1000);
    expect(names().slice(1 + cut.length)).toEqual(['a.jpg']);
    expect(jpeg.equals(frames.at(-1)!.bytes)).toBe(true);
  });

  test('a kind that does not tell its end rests for two seconds', async () => {
    await open();
    await write('a.raf', 'a kind of its own');
    await rest(1900);
    expect(names()).toEqual([]);
    await appendFile(join(folder, 'a.raf'), 'more');
    await rest(1900);
    expect(names()).toEqual([]);
    await rest(200);
    expect(names()).toEqual(['a.raf']);
  });

  test('what is long there comes at once in order of name; a clock that is wrong holds up nothing', async () => {
    for (const [name, bytes] of [
      ['shot1.raf', 'a kind of its own'],
      ['shot2.jpg', jpeg],
      ['shot3.jpg', jpeg.subarray(0, 40_000)],
      ['shot4.webp', webp],
    ] as const) {
      await write(name, bytes);
      await utimes(join(folder, name), new Date(nowMs - 3_600_000), new Date(nowMs - 3_600_000));
    }
    await open();
    await looked(1);
    expect(names()).toEqual(['shot1.raf', 'shot2.jpg', 'shot3.jpg', 'shot4.webp']);
    await write('tomorrow.jpg', jpeg);
    await utimes(join(folder, 'tomorrow.jpg'), new Date(nowMs + 86_400_000), new Date(nowMs + 86_400_000));
    await rest(1000);
    expect(names().slice(4)).toEqual(['tomorrow.jpg']);
  });
});
