/**
 * A small TIFF writer, enough to make a camera-raw DNG for the tests
 * (TIFF 6.0; Adobe DNG specification 1.4: the tags a DNG must have).
 */

type Tag = {
  tag: number;
  type: 'byte' | 'ascii' | 'short' | 'long' | 'rational' | 'srational';
  values: number[] | string;
};

const TYPES = {
  byte: { code: 1, size: 1 },
  ascii: { code: 2, size: 1 },
  short: { code: 3, size: 2 },
  long: { code: 4, size: 4 },
  rational: { code: 5, size: 8 },
  srational: { code: 10, size: 8 },
} as const;

/** One-directory little-endian TIFF with the pixels in one strip, 16 bits a sample. */
export function writeTiff16(widthPx: number, heightPx: number, samples: Uint16Array, extra: Tag[]): Buffer {
  const strip = Buffer.from(samples.buffer, samples.byteOffset, samples.byteLength);
  const base: Tag[] = [
    { tag: 254, type: 'long', values: [0] }, // NewSubfileType: the full image
    { tag: 256, type: 'long', values: [widthPx] },
    { tag: 257, type: 'long', values: [heightPx] },
    { tag: 258, type: 'short', values: [16] },
    { tag: 259, type: 'short', values: [1] }, // no compression
    { tag: 273, type: 'long', values: [8] }, // the strip follows the header
    { tag: 277, type: 'short', values: [1] },
    { tag: 278, type: 'long', values: [heightPx] },
    { tag: 279, type: 'long', values: [strip.length] },
  ];
  const tags = [...base, ...extra].sort((a, b) => a.tag - b.tag);
  const directoryAt = 8 + strip.length + (strip.length % 2);
  let valueAt = directoryAt + 2 + tags.length * 12 + 4;
  const directory = Buffer.alloc(2 + tags.length * 12 + 4);
  const values: Buffer[] = [];
  directory.writeUInt16LE(tags.length, 0);
  tags.forEach((tag, index) => {
    const at = 2 + index * 12;
    const bytes = encode(tag);
    const { code, size } = TYPES[tag.type];
    directory.writeUInt16LE(tag.tag, at);
    directory.writeUInt16LE(code, at + 2);
    directory.writeUInt32LE(bytes.length / size, at + 4);
    if (bytes.length <= 4) bytes.copy(directory, at + 8);
    else {
      directory.writeUInt32LE(valueAt, at + 8);
      const padded = bytes.length % 2 ? Buffer.concat([bytes, Buffer.alloc(1)]) : bytes;
      values.push(padded);
      valueAt += padded.length;
    }
  });
  const header = Buffer.alloc(8);
  header.write('II', 'latin1');
  header.writeUInt16LE(42, 2);
  header.writeUInt32LE(directoryAt, 4);
  return Buffer.concat([header, strip, Buffer.alloc(strip.length % 2), directory, ...values]);
}

function encode({ type, values }: Tag): Buffer {
  if (typeof values === 'string') return Buffer.from(`${values}\0`, 'latin1');
  const { size } = TYPES[type];
  const bytes = Buffer.alloc(values.length * size);
  values.forEach((value, index) => {
    const at = index * size;
    if (size === 1) bytes.writeUInt8(value, at);
    else if (size === 2) bytes.writeUInt16LE(value, at);
    else if (size === 4) bytes.writeUInt32LE(value, at);
    else {
      bytes.writeInt32LE(Math.round(value * 10000), at);
      bytes.writeInt32LE(10000, at + 4);
    }
  });
  return bytes;
}

/** A camera-raw DNG with an RGGB mosaic; black level 0, white level as given. */
export function writeDng(
  widthPx: number,
  heightPx: number,
  mosaic: Uint16Array,
  { blackLevel = 0, whiteLevel = 65535, orientation = 1 } = {},
): Buffer {
  return writeTiff16(widthPx, heightPx, mosaic, [
    { tag: 262, type: 'short', values: [32803] }, // colour filter array
    { tag: 271, type: 'ascii', values: 'Example' },
    { tag: 272, type: 'ascii', values: 'Example camera' },
    { tag: 274, type: 'short', values: [orientation] },
    { tag: 33421, type: 'short', values: [2, 2] }, // CFARepeatPatternDim
    { tag: 33422, type: 'byte', values: [0, 1, 1, 2] }, // CFAPattern: red green / green blue
    { tag: 50706, type: 'byte', values: [1, 4, 0, 0] }, // DNGVersion
    { tag: 50708, type: 'ascii', values: 'Example camera' }, // UniqueCameraModel
    { tag: 50714, type: 'long', values: [blackLevel] },
    { tag: 50717, type: 'long', values: [whiteLevel] },
    { tag: 50721, type: 'srational', values: [1, 0, 0, 0, 1, 0, 0, 0, 1] }, // ColorMatrix1
    { tag: 50728, type: 'rational', values: [1, 1, 1] }, // AsShotNeutral
    { tag: 50778, type: 'short', values: [21] }, // CalibrationIlluminant1: D65
  ]);
}
