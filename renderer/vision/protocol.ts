import type { Optics, Reading } from '../../core/measurement.ts';
import type { FieldMap } from '../../core/stars/map.ts';
import type { StarList } from '../../core/stars/star.ts';
import type { FrameHeader } from '../../host/api.ts';
import type { Region, View } from './view.ts';

/** One frame for the vision worker, decoded or as a capture device gives it; `picture` is transferred. */
export interface VisionRequest {
  header: FrameHeader;
  picture: ImageBitmap | VideoFrame;
  /** Time that decoding took, ms. */
  decodeMs: number;
  optics: Optics;
  /** Draw the picture in shades of red. */
  tint: boolean;
}

/** What the vision worker found; the views' pixels are transferred. */
export interface VisionResult {
  type: 'reading';
  header: FrameHeader;
  /** As in the request. */
  optics: Optics;
  reading: Reading;
  /** Part of the frame that the close-up shows; null for all of it. */
  region: Region | null;
  closeUp: View;
  /** Null where the last one will do. */
  whole: View | null;
  /** Of a still without the mask's pattern; null otherwise. */
  stars: StarShot | null;
  decodeMs: number;
  measureMs: number;
}

/** The stars of a still without the mask. */
export interface StarShot {
  list: StarList;
  map: FieldMap;
  /** Small parts at full size round stars all over the field, to be shown beside those of another shot. */
  crops: View[];
}

export interface VisionFailure {
  type: 'unreadable';
  header: FrameHeader;
  reason: string;
}

export type VisionMessage = VisionResult | VisionFailure;

/**
 * Splits a binary live message: uint32 little-endian header length, UTF-8 JSON header, picture bytes.
 * @throws RangeError when the message is shorter than it says
 */
export function splitMessage(message: ArrayBuffer): { header: FrameHeader; bytes: Uint8Array<ArrayBuffer> } {
  const headerEnd = 4 + new DataView(message).getUint32(0, true);
  if (headerEnd > message.byteLength) throw new RangeError('live message is cut short');
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(message, 4, headerEnd - 4)));
  return { header, bytes: new Uint8Array(message, headerEnd) };
}
