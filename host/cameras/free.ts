import { execFile } from 'node:child_process';
import { promisify } from 'node:util';
import { CameraError } from './source.ts';

/** Frees a camera that the desktop's photo-volume mounter holds, by far the commonest holder: GNOME's, macOS's. */
export const FREEING = process.platform === 'darwin' ? 'killall PTPCamera' : 'gio mount -s gphoto2';

const LIMIT_MS = 10_000;

/** Runs that command. @throws CameraError */
export async function freeCamera(): Promise<void> {
  const [program, ...args] = FREEING.split(' ');
  await promisify(execFile)(program, args, { timeout: LIMIT_MS }).catch(({ code, stderr }) => {
    const why = code === 'ENOENT' ? `there is no "${program}" here` : String(stderr).trim().split('\n')[0];
    throw new CameraError(
      'in-use',
      `"${FREEING}" did not help${why && ` (${why})`}; close the program that holds the camera, or unplug the camera and plug it in again`,
    );
  });
}
