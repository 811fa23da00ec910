import { AddonMissingError, GP, GphotoError } from '../../native/index.ts';
import { FREEING } from './free.ts';
import { CameraError, type CameraErrorCode } from './source.ts';

/** Why a body will not start live view: the driver's words, and what to do. */
const LIVE_VIEW_REASONS: [driver: string, advice: string][] = [
  ['Battery exhausted', 'its battery is empty; put in a charged one'],
  ['Temperature too high', 'it is too warm; switch it off for some minutes'],
  ['TTL error', 'its light meter reports an error; take the lens off, put it on again'],
  ['In Mirror-up operation', 'its mirror is locked up; end mirror lock-up'],
  ['Minimum aperture warning', "the lens's aperture ring is not locked; turn it to the largest f-number"],
  ['Processing of shooting operation', 'it still works on a picture; wait a moment'],
  ['Sequence error', 'it is in the middle of something; switch it off and on'],
  ['Exposure Program Mode is not P/A/S/M', 'its mode dial is on an automatic programme; turn it to M'],
  ['Bulb warning', 'its shutter is set to bulb; set a time'],
  ['Card unformatted', 'its card is not formatted; format it in the camera'],
  ['Card error', 'it cannot read its card; change the card'],
  ['Card protected', 'its card is write-protected; slide the lock back'],
  ['Recording destination card, but no card or card protected', 'it has no card to write to; put one in'],
  ['Pending unretrieved SDRAM image', 'a picture nobody fetched blocks it; switch it off and on'],
  ['Fully pressed button', 'its shutter button is held down; let it go'],
  ['Lens is retracting', 'the lens is drawn in; extend it'],
];

/**
 * What a body answers when live view is to start, which the library's log, or its text, tells (camlibs/ptp2/ptp.c,
 * ptp_errors).
 */
const LIVE_VIEW_CODES: [code: string, advice: string][] = [
  ['0xa101', 'its battery is nearly empty; put in a charged one'],
  ['0xa006', 'its lens is covered; take the cap off'],
  ['0xa005', 'it refuses; turn its mode dial to M, switch live view on in its menu, close its doors'],
  ['0xa102', 'it is not ready; switch live view on in its menu, else switch it off and on'],
  ['0xa200', 'an exposure is running; wait until it has ended'],
  ['0xa004', 'it shows pictures or its menu; leave that, or press the shutter button halfway'],
];

const BROKEN: [CameraErrorCode, string] = [
  'lost',
  'the connection to the camera broke; check the cable and that the camera is on',
];

/** Codes whose meaning does not depend on what was being done. */
const CODES = new Map<number, [CameraErrorCode, string]>([
  [GP.IO_USB_FIND, ['lost', 'the camera is no longer connected; check its cable and switch']],
  [GP.IO, BROKEN],
  [GP.IO_READ, BROKEN],
  [GP.IO_WRITE, BROKEN],
  [GP.TIMEOUT, ['timeout', 'the camera stopped answering; if it goes on, switch it off and on']],
  [GP.CAMERA_BUSY, ['busy', 'the camera is busy; wait until it has stored its picture']],
  [GP.CORRUPTED_DATA, ['bad-data', 'the camera sent damaged data; check the cable']],
  [GP.NOT_SUPPORTED, ['unsupported', 'this camera cannot do that by cable']],
  [GP.NO_SPACE, ['refused', 'the card is full; put in another one']],
  [GP.CANCEL, ['closed', 'the camera was closed']],
]);

/** Turns whatever the addon threw into one line for the user that says what to do next; what was thrown is its cause. */
export function toCameraError(error: unknown, port: string): CameraError {
  if (error instanceof CameraError) return error;
  const told = inWords(error, port);
  told.cause = error;
  return told;
}

function inWords(error: unknown, port: string): CameraError {
  if (error instanceof AddonMissingError) return missing(error);
  if (!(error instanceof GphotoError)) return new CameraError('other', String(error));
  const { code, operation, text, log } = error;

  if (code === GP.IO_USB_CLAIM || code === GP.IO_LOCK || /claim interface|resource busy/i.test(text))
    return new CameraError(
      'in-use',
      `another program holds the camera, most often the desktop's photo-volume mounter; run: ${FREEING}`,
    );
  if (operation === 'open' && /access denied|permission/i.test(text + log))
    return new CameraError(
      'permission',
      "this user may not use the camera's USB node; run: sudo usermod -aG plugdev $USER, then log in again; if that " +
        'is not enough: sudo apt install --reinstall libgphoto2-6 (its udev rules), then plug the camera in again',
    );
  const [, reason] = text.match(/Liveview cannot start: ([^;]*)/) ?? [];
  if (reason) return new CameraError('refused', `the camera cannot start live view: ${adviceFor(reason)}`);
  if (/does not seem to return a JPEG/.test(text))
    return new CameraError('bad-data', 'the camera sent something that is not a picture; check the cable');
  if (/does not support Live\s?View/i.test(text))
    return new CameraError(
      'unsupported',
      'this camera shows no live view by cable; watch a folder of test shots, or its HDMI output through a grabber',
    );
  if (operation === 'frame') {
    const said = text + log;
    const [, advice] = LIVE_VIEW_CODES.find(([response]) => said.includes(`(${response}: `)) ?? [];
    if (advice) return new CameraError('refused', `the camera cannot start live view: ${advice}`);
  }
  if (/focus at limit/.test(text)) return new CameraError('at-limit', 'the focus motor is at its end');
  if (operation === 'open') return cannotOpen(error, port);
  if (operation === 'set configuration') {
    if (code === GP.BAD_PARAMETERS) return new CameraError('refused', text);
    if (/access denied/i.test(text + log))
      return new CameraError('refused', 'the camera does not let that be changed by cable; change it on the body');
    if (/not in liveview|only in liveview|operation refused/i.test(text + log))
      return new CameraError(
        'refused',
        'the camera refuses that now; focus and magnification need a running live view',
      );
  }
  const [kind, message] = /End of stream/.test(log) ? BROKEN : (CODES.get(code) ?? []);
  if (kind) return new CameraError(kind, message!);
  return new CameraError('other', `the camera reports: ${text} (${operation}); switch it off and on and try again`);
}

function cannotOpen({ code, text }: GphotoError, port: string): CameraError {
  const network = port.startsWith('ptpip:');
  if (network && (code === GP.BAD_PARAMETERS || code === GP.UNKNOWN_PORT))
    return new CameraError(
      'not-found',
      `'${port}' is no address; write ptpip:ADDRESS:PORT:PORT with a numeric address, as in ptpip:192.168.1.1:15740:15740`,
    );
  if (code === GP.MODEL_NOT_FOUND || code === GP.UNKNOWN_PORT || code === GP.IO_USB_FIND)
    return new CameraError(
      'not-found',
      `no camera found at '${port}'; connect it, switch it on, set its USB mode to PTP`,
    );
  if (network && (code === GP.IO || code === GP.TIMEOUT))
    return new CameraError('not-found', `no camera answers at '${port}'; check its network mode and address`);
  if (network && code === GP.ERROR)
    return new CameraError(
      'in-use',
      `the camera at '${port}' refuses the connection; end other programs that use it, or switch it off and on`,
    );
  const [kind] = CODES.get(code) ?? ['other' as const];
  return new CameraError(kind, `the camera at '${port}' cannot be opened: ${text}; switch it off and on`);
}

function missing({ message }: AddonMissingError): CameraError {
  return new CameraError(
    'missing-library',
    /libgphoto2\S*: cannot open shared object/.test(message)
      ? 'cameras by cable need libgphoto2; run: sudo apt install libgphoto2-6'
      : 'the camera addon is not built; run: sudo apt install libgphoto2-dev g++ pkg-config && node native/build.mjs',
  );
}

function adviceFor(reason: string): string {
  const known = LIVE_VIEW_REASONS.find(([driver]) => reason.startsWith(driver))?.[1];
  return known ?? `${reason.trim()}; look at its own screen, else switch it off and on`;
}
