/**
 * Whether a file holds a picture to its end, told from the few bytes that say where it ends: pictures may be 100 MB
 * and lie on a network. A program that copies says nothing while it waits, so size and time alone do not tell.
 */

/** 'unknown': of a kind that does not say where it ends, as far as is looked at here. */
export type Wholeness = 'whole' | 'partial' | 'unknown';

/** A file as long as it is now. */
export interface PictureFile {
  sizeBytes: number;
  /** Fewer bytes where the file has become shorter. */
  read(offset: number, lengthBytes: number): Promise<Buffer>;
}

/** Damaged bytes never throw; what reading throws is passed on. */
export async function wholenessOf(file: PictureFile): Promise<Wholeness> {
  try {
    const bytes = new Bytes(file);
    const head = await bytes.at(0, Math.min(HEAD_BYTES, file.sizeBytes));
    if (isBlank(head)) return 'partial'; // no picture begins so: it was given its room, and nothing is copied yet
    const starts = (signature: string, offset = 0) => head.toString('latin1').startsWith(signature, offset);
    if (starts('\xff\xd8\xff')) return await jpeg(bytes);
    if (starts('\x89PNG\r\n\x1a\n')) return await png(bytes);
    const lengthsHold = await told(bytes, head, starts);
    // The lengths are there, but where the copying program was given all room beforehand, what they speak of may not be.
    return lengthsHold === 'whole' && isBlank(await bytes.tail(0, BLOCK_BYTES)) ? 'unknown' : lengthsHold;
  } catch (error) {
    if (error instanceof Missing) return 'partial';
    throw error;
  }
}

/** Formats that tell lengths, and have no mark at their end. */
async function told(bytes: Bytes, head: Buffer, starts: (signature: string, offset?: number) => boolean) {
  if (starts('RIFF') && starts('WEBP', 8)) return webp(bytes, head);
  if (starts('II*\0') || starts('MM\0*')) return tiff(bytes, head);
  return starts('ftyp', 4) ? boxes(bytes) : 'unknown';
}

const HEAD_BYTES = 12;
/** File systems give room in blocks of this size, zeros until written; a picture's last ones are hardly ever all zero. */
const BLOCK_BYTES = 4096;
/** Cameras put a few bytes of their own behind a JPEG's end, and files are filled up with zeros: the end is looked for near it. */
const END_WITHIN_BYTES = 64 << 10;
/** More parts than any photograph has: damaged, or made to keep us busy. */
const MAX_PARTS = 1000;
const MAX_DIRECTORIES = 100;
/** More strips or tiles than the largest picture that is decoded has. */
const MAX_VALUES = 1 << 20;

const isBlank = (bytes: Buffer) => bytes.every((byte) => byte === 0);

/** What should be there lies beyond the end of the file. */
class Missing extends Error {}

class Bytes {
  readonly #file: PictureFile;

  constructor(file: PictureFile) {
    this.#file = file;
  }

  get sizeBytes(): number {
    return this.#file.sizeBytes;
  }

  /** @throws Missing */
  mustReach(end: number): void {
    if (end > this.sizeBytes) throw new Missing();
  }

  /** @throws Missing */
  async at(offset: number, lengthBytes: number): Promise<Buffer> {
    this.mustReach(offset + lengthBytes);
    const bytes = await this.#file.read(offset, lengthBytes);
    if (bytes.length < lengthBytes) throw new Missing();
    return bytes;
  }

  /** The last bytes of the file, none of them before `from`. @throws Missing */
  async tail(from: number, lengthBytes: number): Promise<Buffer> {
    this.mustReach(from);
    const start = Math.max(from, this.sizeBytes - lengthBytes);
    return this.at(start, this.sizeBytes - start);
  }
}

/**
 * ISO/IEC 10918-1, B.1.1: segments tell their lengths as far as the first scan, which steps over the thumbnail that
 * APP1 holds with an end of its own. In a scan's data 0xff never stands before 0xd9, so what is found from there on is
 * the picture's own end, or that of a further picture behind it (CIPA DC-007, MPF).
 */
async function jpeg(bytes: Bytes): Promise<Wholeness> {
  let at = 2;
  for (let parts = 0; parts < MAX_PARTS; parts++) {
    const segment = await bytes.at(at, 4);
    if (segment[0] !== 0xff) return isBlank(segment) ? 'partial' : 'unknown'; // not yet copied; else decoders may skip it
    const isFillByte = segment[1] === 0xff;
    const next = isFillByte ? at + 1 : at + 2 + segment.readUInt16BE(2);
    if (segment[1] === 0xda)
      return (await bytes.tail(next, END_WITHIN_BYTES)).includes('\xff\xd9', 0, 'latin1') ? 'whole' : 'partial';
    at = next;
  }
  return 'unknown';
}

/** PNG (ISO/IEC 15948, 11.2.5): the last chunk is IEND, empty but for its check sum. */
async function png(bytes: Bytes): Promise<Wholeness> {
  const tail = await bytes.tail(8, END_WITHIN_BYTES);
  const at = tail.lastIndexOf('IEND');
  return at >= 0 && at + 8 <= tail.length ? 'whole' : 'partial';
}

/** WebP (RFC 9649, 2.4): RIFF tells how much comes behind its own length. */
function webp(bytes: Bytes, head: Buffer): Wholeness {
  return head.readUInt32LE(4) + 8 <= bytes.sizeBytes ? 'whole' : 'partial';
}

/** ISO base media file format (ISO/IEC 14496-12, 4.2), as HEIF and some camera raw are: boxes one behind the other, pixels in 'mdat'. */
async function boxes(bytes: Bytes): Promise<Wholeness> {
  let hasPixels = false;
  let at = 0;
  for (let parts = 0; at + 8 <= bytes.sizeBytes; parts++) {
    const box = await bytes.at(at, 8);
    const short = box.readUInt32BE(0);
    const lengthBytes = short === 1 ? Number((await bytes.at(at + 8, 8)).readBigUInt64BE()) : short;
    // 0 is a box that ends with the file, wherever that is; less than its own head no box can be.
    if (lengthBytes < 8 || parts === MAX_PARTS) return 'unknown';
    bytes.mustReach(at + lengthBytes);
    hasPixels ||= box.toString('latin1', 4) === 'mdat';
    at += lengthBytes;
  }
  return hasPixels ? 'whole' : 'partial';
}

/** Bytes of one value, by its type (TIFF 6.0, section 2; 13 is a directory's offset, TIFF Technical Note 1). */
const TYPE_BYTES = [0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4];
/** Further directories: SubIFDs, where DNG keeps the raw picture, and EXIF's, with the maker's note. */
const DIRECTORY_TAGS = [330, 34665];
/** Where pixels lie, and how many bytes of them: strips, tiles, a JPEG (TIFF 6.0, sections 3, 15 and 22). */
const PIXEL_TAGS = [
  [273, 279],
  [324, 325],
  [513, 514],
];
const OFFSET_TAGS = new Set([...DIRECTORY_TAGS, ...PIXEL_TAGS.flat()]);

/**
 * TIFF 6.0 and the camera raw made of it (DNG and most others): whatever the directories speak of has to lie
 * within the file. Many writers put the directories last and their offset into the head after that: until then it is 0.
 */
async function tiff(bytes: Bytes, head: Buffer): Promise<Wholeness> {
  const number: ReadNumber = (from, at, width) =>
    head[0] === 0x49 ? from.readUIntLE(at, width) : from.readUIntBE(at, width);
  bytes.mustReach(8);
  const first = number(head, 4, 4);
  if (first === 0) return 'partial';
  const seen = new Set<number>(); // damaged ones may go round in a circle
  const waiting = [{ offset: first, isChained: true }];
  let isTold = false;
  for (const { offset, isChained } of waiting) {
    if (offset === 0 || seen.has(offset)) continue;
    if (seen.size === MAX_DIRECTORIES) return 'unknown';
    seen.add(offset);
    const { values, next } = await directory(bytes, offset, number);
    for (const [startTag, lengthTag] of PIXEL_TAGS) {
      const starts = values.get(startTag) ?? [];
      const lengths = values.get(lengthTag) ?? [];
      if (starts.length !== lengths.length) return 'unknown';
      for (const [index, start] of starts.entries()) bytes.mustReach(start + lengths[index]);
      isTold ||= starts.length > 0;
    }
    for (const tag of DIRECTORY_TAGS)
      for (const inner of values.get(tag) ?? []) waiting.push({ offset: inner, isChained: false });
    if (isChained) waiting.push({ offset: next, isChained }); // of others it means nothing: some writers leave there what was
  }
  return isTold ? 'whole' : 'unknown';
}

type ReadNumber = (from: Buffer, at: number, width: number) => number;

/** One image file directory: the offsets and lengths in it. All values must be there (the maker's note is one). @throws Missing */
async function directory(bytes: Bytes, offset: number, number: ReadNumber) {
  const entriesBytes = 12 * number(await bytes.at(offset, 2), 0, 2);
  const entries = await bytes.at(offset + 2, entriesBytes + 4);
  const values = new Map<number, number[]>();
  for (let at = 0; at < entriesBytes; at += 12) {
    const tag = number(entries, at, 2);
    const width = TYPE_BYTES[number(entries, at + 2, 2)] ?? 0;
    const count = number(entries, at + 4, 4);
    const start = width * count <= 4 ? offset + 2 + at + 8 : number(entries, at + 8, 4);
    bytes.mustReach(start + width * count);
    const isOffset = width === 2 || width === 4;
    if (!OFFSET_TAGS.has(tag) || !isOffset || count > MAX_VALUES) continue;
    const raw = await bytes.at(start, width * count);
    values.set(
      tag,
      Array.from({ length: count }, (_, index) => number(raw, index * width, width)),
    );
  }
  return { values, next: number(entries, entriesBytes, 4) };
}
