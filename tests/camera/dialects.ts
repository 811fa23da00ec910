/** What differs between the virtual camera's dialects, for tests that both must pass. Names are libgphoto2's. */
import type { CameraSetting } from '../../native/index.ts';
import type { DialectName, VirtualCamera } from './virtual/camera.ts';
import { OpA, PropA } from './virtual/vendor-0a.ts';
import { OpB, PropB, RcB, Vendor0B } from './virtual/vendor-0b.ts';

export interface DialectFacts {
  name: DialectName;
  /** Operation codes. */
  op: { image: number; endLiveView: number; capture: number };
  /** "Not yet" answers the driver puts up with before it gives up a picture, and what it then says. */
  patience: { answer: number; survives: number; gives: number };
  /** Settings as a whole configuration must contain them. */
  settings: Partial<CameraSetting>[];
  fNumber: { setting: string; code: number; written: string; raw: number; wrong: string; offered: RegExp };
  /** Whole field to the strongest. */
  magnify: { setting: string; written: string; times: number };
  /** Writes that turn the motor, the second back again, and the sum of steps they make. */
  drive: { writes: string[]; steps: number; tooFar: string };
  /** Moves what is magnified so that it is centred there. */
  area: { setting: string; written: string; centre: { x: number; y: number } };
  /** A setting the body reports but does not let be changed. */
  locked: { setting: string; value: string };
  /** Makes live view refused for an empty battery. */
  emptyBattery(camera: VirtualCamera): void;
  /** Undoes it. */
  fullBattery(camera: VirtualCamera): void;
}

export const dialectFacts: DialectFacts[] = [
  {
    name: '0x0A',
    op: { image: OpA.getLiveViewImage, endLiveView: OpA.endLiveView, capture: OpA.captureToMedia },
    // library.c, camera_capture_preview: 20 tries, 10 ms apart
    patience: { answer: 0x2019, survives: 19, gives: 20 },
    // Units of the standard (ISO 15740): f-number in hundredths, focal length in hundredths of a millimetre.
    settings: [
      {
        path: '/main/capturesettings/f-number',
        name: 'f-number',
        label: 'F-Number',
        type: 'choice',
        value: 'f/2.8',
        readOnly: false,
        choices: ['f/2.8', 'f/4', 'f/5.6', 'f/8'],
      },
      { name: 'focallength', type: 'range', value: '24', readOnly: true, range: { min: 14, max: 50, step: 1 } },
      { name: 'batterylevel', type: 'text', value: '80%', readOnly: true },
      { name: 'iso', type: 'choice', value: '1600' },
      { name: 'focusmode', type: 'choice', value: 'Manual' },
      { name: 'expprogram', value: 'M' },
      {
        name: 'liveviewimagezoomratio',
        type: 'choice',
        choices: ['Entire Display', '25%', '50%', '100%'],
      },
      { name: 'manualfocusdrive', type: 'range', range: { min: -32767, max: 32767, step: 1 } },
    ],
    fNumber: {
      setting: 'f-number',
      code: 0x5007,
      written: 'f/5.6',
      raw: 560,
      wrong: 'f/1.2',
      offered: /takes one of: f\/2\.8, f\/4/,
    },
    magnify: { setting: 'liveviewimagezoomratio', written: '100%', times: 6 },
    drive: { writes: ['-150', '50'], steps: -100, tooFar: '30000' },
    area: { setting: 'changeafarea', written: '320x200', centre: { x: 320, y: 200 } },
    locked: { setting: 'focallength', value: '35' },
    emptyBattery: (camera) => camera.turn(PropA.prohibitCondition, 1 << 8),
    fullBattery: (camera) => camera.turn(PropA.prohibitCondition, 0),
  },
  {
    name: '0x0B',
    op: { image: OpB.getLiveViewImage, endLiveView: OpB.endLiveView, capture: OpB.pressRelease },
    // library.c, camera_capture_preview: until 3 s have passed, the waits growing by 5 ms: 34 of them
    patience: { answer: RcB.notReady, survives: 30, gives: 60 },
    settings: [
      {
        path: '/main/capturesettings/aperture',
        name: 'aperture',
        label: 'Aperture',
        type: 'choice',
        value: '2.8',
        readOnly: false,
        choices: ['2.8', '4', '5.6', '8'],
      },
      { name: 'shutterspeed', type: 'choice', value: '1', choices: ['30', '15', '8', '4', '1', '1/30'] },
      { name: 'lensname', type: 'text', value: 'Test Lens 14-50mm f/2.8', readOnly: true },
      { name: 'batterylevel', type: 'text', value: '75%', readOnly: true },
      { name: 'iso', type: 'choice', value: '1600' },
      { name: 'focusmode', type: 'choice', value: 'Manual' },
      { name: 'autoexposuremode', value: 'Manual' },
      { name: 'eoszoom', type: 'text', value: '0' }, // what is set cannot be read back
      { name: 'eoszoomposition', type: 'text', value: '0,0' },
      {
        name: 'manualfocusdrive',
        type: 'choice',
        value: 'None',
        choices: ['Near 1', 'Near 2', 'Near 3', 'None', 'Far 1', 'Far 2', 'Far 3'],
      },
    ],
    fNumber: {
      setting: 'aperture',
      code: PropB.aperture,
      written: '5.6',
      raw: 0x30,
      wrong: '1.2',
      offered: /takes one of: 2\.8, 4/,
    },
    magnify: { setting: 'eoszoom', written: '10', times: 10 },
    drive: { writes: ['Near 3', 'Far 2', 'Near 1', 'None'], steps: -84, tooFar: 'Near 3' },
    // The corner is given; at 1x the field is 6144 x 4080.
    area: { setting: 'eoszoomposition', written: '100,60', centre: { x: 100 + 3072, y: 60 + 2040 } },
    locked: { setting: 'focusmode', value: 'Manual' },
    emptyBattery: (camera) => refuse(camera, RcB.lowBattery),
    fullBattery: (camera) => refuse(camera, null),
  },
];

/** What vendor 0x0B answers when live view is switched on; null lets it. */
export function refuse({ dialect }: VirtualCamera, code: number | null): void {
  if (!(dialect instanceof Vendor0B)) throw new Error('only vendor 0x0B refuses by a code');
  dialect.refusesLiveView = code;
}
