import exifr from 'exifr';

/** What a picture's EXIF block says of lens and exposure (CIPA DC-008); null where absent. */
export interface Exif {
  focalMm: number | null;
  fNumber: number | null;
  exposureS: number | null;
  iso: number | null;
  /** Local time of the camera's clock, `YYYY-MM-DDTHH:MM:SS`, no zone. */
  takenLocal: string | null;
  /** Size of one pixel of the stored picture on the sensor, µm, from the focal-plane resolution. */
  pixelUm: number | null;
}

export const NO_EXIF: Exif = {
  focalMm: null,
  fNumber: null,
  exposureS: null,
  iso: null,
  takenLocal: null,
  pixelUm: null,
};

const TAGS = [
  'FocalLength',
  'FNumber',
  'ExposureTime',
  'ISO',
  'DateTimeOriginal',
  'ExifImageWidth',
  'FocalPlaneXResolution',
  'FocalPlaneResolutionUnit',
];

/**
 * Reads EXIF from JPEG, TIFF, PNG or TIFF-based camera raw. Absent or unreadable blocks give nulls, never an error.
 * @param widthPx width of the decoded picture: when it is not the one that EXIF states, the picture was
 *   cropped or resized later and its focal-plane resolution holds no longer
 */
export async function readExif(bytes: Uint8Array, widthPx: number): Promise<Exif> {
  const tags = await exifr
    .parse(bytes, { pick: TAGS, translateValues: false, reviveValues: false })
    .catch(() => undefined);
  if (!tags) return NO_EXIF;
  return {
    focalMm: positive(tags.FocalLength),
    fNumber: positive(tags.FNumber),
    exposureS: positive(tags.ExposureTime),
    iso: positive(Array.isArray(tags.ISO) ? tags.ISO[0] : tags.ISO),
    takenLocal: localTime(tags.DateTimeOriginal),
    pixelUm: isResized(positive(tags.ExifImageWidth), widthPx)
      ? null
      : pixelSize(tags.FocalPlaneXResolution, tags.FocalPlaneResolutionUnit),
  };
}

function positive(value: unknown): number | null {
  return typeof value === 'number' && Number.isFinite(value) && value > 0 ? value : null;
}

/** Camera raw may be a few columns wider than the picture EXIF speaks of. */
function isResized(exifWidthPx: number | null, widthPx: number): boolean {
  return exifWidthPx !== null && Math.abs(exifWidthPx / widthPx - 1) > 0.02;
}

function localTime(value: unknown): string | null {
  const parts = typeof value === 'string' && /^(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d)/.exec(value);
  return parts ? `${parts[1]}-${parts[2]}-${parts[3]}T${parts[4]}` : null;
}

/** µm in one unit of FocalPlaneResolutionUnit: 2 inch, 3 cm (CIPA DC-008); 4 mm, 5 µm (TIFF/EP, ISO 12234-2). */
const UNIT_UM: Record<number, number> = { 2: 25400, 3: 10000, 4: 1000, 5: 1 };

function pixelSize(resolution: unknown, unit: unknown): number | null {
  const perUnit = positive(resolution);
  // The unit's default is inch.
  const unitUm = UNIT_UM[typeof unit === 'number' ? unit : 2];
  if (perUnit === null || !unitUm) return null;
  const sizeUm = unitUm / perUnit;
  // Some cameras write nonsense here; sensors have had pixels between half a µm and 25 µm.
  return sizeUm > 0.5 && sizeUm < 25 ? sizeUm : null;
}
