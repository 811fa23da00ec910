/**
 * Codes and datasets of ISO 15740 (PTP), as the virtual camera needs them: little-endian, strings as a length
 * byte and UTF-16, arrays as a 32-bit count and items.
 */

export const Op = {
  getDeviceInfo: 0x1001,
  openSession: 0x1002,
  closeSession: 0x1003,
  getStorageIds: 0x1004,
  getStorageInfo: 0x1005,
  getNumObjects: 0x1006,
  getObjectHandles: 0x1007,
  getObjectInfo: 0x1008,
  getObject: 0x1009,
  deleteObject: 0x100b,
  getPropDesc: 0x1014,
  getPropValue: 0x1015,
  setPropValue: 0x1016,
  getPartialObject: 0x101b,
} as const;

export const Rc = {
  ok: 0x2001,
  generalError: 0x2002,
  sessionNotOpen: 0x2003,
  operationNotSupported: 0x2005,
  invalidStorage: 0x2008,
  invalidObject: 0x2009,
  propNotSupported: 0x200a,
  accessDenied: 0x200f,
  deviceBusy: 0x2019,
  invalidPropValue: 0x201c,
} as const;

/** 'ascii' is not the standard's: bytes up to a zero, as vendor extension 0x0B sends texts. */
export type DataType = 'u8' | 'u16' | 'u32' | 'i16' | 'string' | 'ascii';
const typeCodes: Record<DataType, number> = { u8: 2, u16: 4, u32: 6, i16: 3, string: 0xffff, ascii: 0xffff };

/** Appends values in PTP's wire form. */
export class Writer {
  #parts: Buffer[] = [];

  u8(value: number): this {
    return this.bytes(Buffer.of(value));
  }
  u16(value: number): this {
    const part = Buffer.alloc(2);
    part.writeUInt16LE(value & 0xffff);
    return this.bytes(part);
  }
  u32(value: number): this {
    const part = Buffer.alloc(4);
    part.writeUInt32LE(value >>> 0);
    return this.bytes(part);
  }
  u64(value: number): this {
    return this.u32(value % 2 ** 32).u32(Math.floor(value / 2 ** 32));
  }
  string(value: string): this {
    if (value === '') return this.u8(0);
    return this.u8(value.length + 1).bytes(Buffer.from(`${value}\0`, 'utf16le'));
  }
  ascii(value: string): this {
    return this.bytes(Buffer.from(`${value}\0`, 'latin1'));
  }
  array16(values: number[]): this {
    this.u32(values.length);
    for (const value of values) this.u16(value);
    return this;
  }
  array32(values: number[]): this {
    this.u32(values.length);
    for (const value of values) this.u32(value);
    return this;
  }
  value(type: DataType, value: number | string): this {
    if (type === 'string') return this.string(String(value));
    if (type === 'ascii') return this.ascii(String(value));
    if (type === 'u8') return this.u8(Number(value));
    if (type === 'u32') return this.u32(Number(value));
    return this.u16(Number(value));
  }
  bytes(part: Uint8Array): this {
    this.#parts.push(Buffer.from(part));
    return this;
  }
  done(): Buffer {
    return Buffer.concat(this.#parts);
  }
}

/** One device property: what it is and what it is set to. */
export interface Property {
  code: number;
  type: DataType;
  value: number | string;
  writable: boolean;
  /** Allowed values: a list, or [least, greatest, step]. */
  choices?: (number | string)[];
  range?: [number, number, number];
}

/** ISO 15740 DevicePropDesc dataset. */
export function propDesc(property: Property): Buffer {
  const { code, type, value, writable, choices, range } = property;
  const writer = new Writer()
    .u16(code)
    .u16(typeCodes[type])
    .u8(writable ? 1 : 0);
  writer.value(type, value).value(type, value); // factory default and current
  if (range) {
    writer.u8(1);
    for (const limit of range) writer.value(type, limit);
  } else if (choices) {
    writer.u8(2).u16(choices.length);
    for (const choice of choices) writer.value(type, choice);
  } else {
    writer.u8(0);
  }
  return writer.done();
}

/** Reads a value that SetDevicePropValue sent; null when it is not of the type. */
export function readValue(type: DataType, data: Buffer): number | string | null {
  if (type === 'string') {
    const length = data[0] ?? 0;
    return length === 0 ? '' : data.toString('utf16le', 1, 1 + 2 * (length - 1));
  }
  if (type === 'ascii') return data.toString('latin1').replace(/\0.*$/s, '');
  if (data.length < { u8: 1, u16: 2, i16: 2, u32: 4 }[type]) return null;
  if (type === 'u8') return data.readUInt8();
  if (type === 'u32') return data.readUInt32LE();
  return type === 'u16' ? data.readUInt16LE() : data.readInt16LE();
}

/** Something on the card or in the camera's memory. */
export interface StoredObject {
  name: string;
  /** Handle of the folder, 0 at the top. */
  parent: number;
  /** 0 in memory. */
  storage: number;
  /** Null for a folder. */
  bytes: Uint8Array | null;
}

/** ISO 15740 ObjectInfo dataset. */
export function objectInfo({ name, parent, storage, bytes }: StoredObject): Buffer {
  const writer = new Writer().u32(storage);
  writer.u16(bytes ? 0x3801 : 0x3001).u16(0); // EXIF/JPEG or association; not protected
  writer.u32(bytes?.length ?? 0);
  writer.u16(0).u32(0).u32(0).u32(0); // no thumbnail
  writer.u32(0).u32(0).u32(0); // size in pixels not given
  writer
    .u32(parent)
    .u16(bytes ? 0 : 1)
    .u32(0)
    .u32(0); // folder, plain
  return writer.string(name).string('20260101T220000').string('20260101T220000').string('').done();
}
