import { type InUse, withLens } from '../kit/kit.ts';
import type { LensReport } from './readiness.ts';

/** What of the settings was read from a camera, as it was read; null where it was not. */
export interface ReadFromCamera extends LensReport {
  /** The camera's name, as on the command line. */
  camera: string;
}

export const NOTHING_READ: ReadFromCamera = { camera: '', lensName: null, focalMm: null, fNumber: null };

type Lens = Pick<InUse, 'lensName' | 'optics' | 'calibration'>;

/**
 * Lets what the camera reports of its lens flow into the settings. What the user typed stays; what was empty, or
 * itself read from a camera, follows the camera; what another camera told is forgotten where this one says nothing.
 * @returns the settings to change; null when nothing does
 */
export function takeLens(
  inUse: InUse,
  read: ReadFromCamera,
  camera: string,
  report: LensReport,
): (Partial<Lens> & { fromCamera: ReadFromCamera }) | null {
  const sameCamera = read.camera === camera;
  /** The value to have, and the mark that it was read. */
  const follow = <T>(mine: T | null, was: T | null, told: T | null): [value: T | null, mark: T | null] => {
    const isRead = was !== null && mine === was;
    if (told !== null && (mine === null || isRead || mine === told)) return [told, told];
    if (isRead && !sameCamera) return [null, null];
    return [mine, isRead ? was : null];
  };
  const { optics } = inUse;
  const [lensName, lensNameMark] = follow(inUse.lensName || null, read.lensName, report.lensName);
  const [focalMm, focalMark] = follow(optics.focalMm, read.focalMm, report.focalMm);
  const [fNumber, fNumberMark] = follow(optics.fNumber, read.fNumber, report.fNumber);
  const fromCamera = { camera, lensName: lensNameMark, focalMm: focalMark, fNumber: fNumberMark };
  const change: Partial<Lens> = {};
  if ((lensName ?? '') !== inUse.lensName) Object.assign(change, withLens(inUse, lensName ?? ''));
  if (focalMm !== optics.focalMm) change.optics = { ...(change.optics ?? optics), focalMm };
  if (fNumber !== optics.fNumber) change.optics = { ...(change.optics ?? optics), fNumber };
  const isNews = Object.keys(change).length > 0 || JSON.stringify(fromCamera) !== JSON.stringify(read);
  return isNews ? { ...change, fromCamera } : null;
}

/** Which values in use are as the camera told. */
export function isRead(inUse: Pick<InUse, 'lensName' | 'optics'>, read: ReadFromCamera) {
  return {
    lensName: read.lensName !== null && read.lensName === inUse.lensName,
    focalMm: read.focalMm !== null && read.focalMm === inUse.optics.focalMm,
    fNumber: read.fNumber !== null && read.fNumber === inUse.optics.fNumber,
  };
}
