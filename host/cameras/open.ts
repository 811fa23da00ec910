import type { CameraInfo } from './messages.ts';
import { CameraError, type CameraSource } from './source.ts';

/** Folders, recordings, video inputs of the screen, and the kinds of port that libgphoto2 has (gphoto2-port.h, GPPortType). */
const WITH_PLACE = /^(folder|replay|video|usb|ptpip|ip|serial|disk|usbdiskdirect|usbscsi):./;

/** Whether a text can name a camera: `sim`, `folder:PATH`, `replay:PATH`, `video:LABEL`, `usb` or a port of libgphoto2 (`usb:001,005`, `ptpip:ADDRESS`). */
export function isCameraName(name: string): boolean {
  return name === 'sim' || name === 'usb' || WITH_PLACE.test(name);
}

/** A capture device that the page opens through the browser; the host has no part in its frames. */
export function isVideoInput(name: string): boolean {
  return name.startsWith('video:');
}

/**
 * Opens a camera by its name on the command line; `usb` is the first one found there. Each kind is
 * loaded when first asked for: simulator and addon are not needed by the others.
 * @param identity of the body that had this name before
 * @throws CameraError
 */
export async function openCamera(name: string, identity: string | null = null): Promise<CameraSource> {
  if (name === 'sim') return (await import('./sim.ts')).openSim();
  if (name.startsWith('folder:')) return (await import('./folder.ts')).openFolder(name.slice('folder:'.length));
  if (name.startsWith('replay:')) return (await import('./replay.ts')).openReplay(name.slice('replay:'.length));
  if (isVideoInput(name))
    throw new CameraError(
      'unsupported',
      'the screen alone opens video inputs; run "nightring serve" and choose it there',
    );
  return (await import('./gphoto.ts')).openGphoto(name, identity);
}

/** Cameras there are now: the simulated one and those that libgphoto2 finds. @throws CameraError */
export async function listCameras(): Promise<CameraInfo[]> {
  const { listGphoto } = await import('./gphoto.ts');
  const found = await listGphoto().catch((error: unknown) => {
    // Without the addon there are no tethered cameras; opening one says why.
    if (error instanceof CameraError && error.code === 'missing-library') return [];
    throw error;
  });
  return [{ name: 'sim', label: 'Simulated camera' }, ...found];
}
