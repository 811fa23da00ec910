/**
 * What flows through the program: camera → frame → measurement → guidance.
 * Image coordinates everywhere: x right, y down, pixel centres at integers, 0-based.
 */
import type { Optics } from './measurement.ts';

/** How the camera made the picture; frames of different modes have different scales. */
export interface FrameMode {
  /** 'live' is live view, 'still' a stored photograph. */
  kind: 'live' | 'still';
  /** Live-view magnification as the camera reports it (1 = whole field), null when unknown. */
  magnification: number | null;
  /** Size on the sensor of one pixel of this frame, µm, null when unknown. */
  pixelUm: number | null;
  /** Focal length that a still's EXIF states, mm; absent or null when it does not. */
  focalMm?: number | null;
  /** Exposure time of a still, s; absent or null when it is not known. */
  exposureS?: number | null;
}

/** One encoded picture as a camera delivers it. */
export interface Frame {
  /** Running number from the source, starting at 0; gaps are dropped frames. */
  sequence: number;
  /** Capture (or arrival) time, ISO 8601 UTC. */
  timeUtc: string;
  /** Encoded bytes (JPEG for live view; JPEG, PNG, TIFF or camera raw for stills). */
  bytes: Uint8Array;
  /** File name or a short label, for messages. */
  name: string;
  mode: FrameMode;
  /**
   * Set by recordings, so that their frames measure again as they did: true where measuring starts afresh, false
   * where the pattern was followed from the frame before, and of stills, which are always measured for themselves.
   * Undefined leaves it to whoever measures.
   */
  anew?: boolean;
  /** The optics that a recorded frame was measured with; they come before what is set now. */
  optics?: Optics;
}

/** Decoded pixels, row-major, channels interleaved. */
export interface PixelImage {
  widthPx: number;
  heightPx: number;
  /** 1 grey, 3 RGB, 4 RGBA (alpha ignored). */
  channels: 1 | 3 | 4;
  data: Uint8Array | Uint8ClampedArray | Uint16Array;
  /** Largest value a pixel can take (255, 65535, or the sensor's white level). */
  maxValue: number;
  /** 'srgb': values carry the IEC 61966-2-1 transfer curve; 'linear': proportional to light. */
  transfer: 'srgb' | 'linear';
  /** Makes the pixels of a part, where they are made only as they are looked at; without it all are there. */
  need?(part: Part): void;
}

/** A part of a picture, its left upper pixel and its size; it may reach beyond the picture. */
export interface Part {
  xPx: number;
  yPx: number;
  widthPx: number;
  heightPx: number;
}

export function wholeOf({ widthPx, heightPx }: Pick<PixelImage, 'widthPx' | 'heightPx'>): Part {
  return { xPx: 0, yPx: 0, widthPx, heightPx };
}

/** Whoever looks at each pixel asks for all. */
export function needAll(image: PixelImage): void {
  image.need?.(wholeOf(image));
}
