/** Every word of the screen that is not shared with the command line (those are in core/strings.ts). */
import type { FocusFigures, OffsetFigures, SkyFigures } from '../core/calculators.ts';
import type { ConfigWrite } from '../core/camera/config.ts';
import type { Check, CheckRole, LensReport } from '../core/camera/readiness.ts';
import type { Role } from '../core/camera/roles.ts';
import type { Calibration, CalibrationRefusal, CalibrationResult, Direction } from '../core/guide/calibrate.ts';
import type { Aim } from '../core/guide/guide.ts';
import type { MotorLearned } from '../core/guide/motor.ts';
import type { Estimate, RingPrediction, RingResidual } from '../core/notebook/ring.ts';
import type { LearnedMask, Mask, ZoneLayout } from '../core/optics/mask.ts';
import type { Daylight } from '../core/sky/daylight.ts';
import type { Night } from '../core/sky/night.ts';
import type { Place } from '../core/sky/place.ts';
import type { Target } from '../core/sky/targets.ts';
import { directionWords } from '../core/sky/words.ts';
import type { FieldMap } from '../core/stars/map.ts';
import { ENTRY_VERDICTS, FIELD_CARD, figure, marksText, SUN_CAUTION, withSigma } from '../core/strings.ts';
import type {
  CameraMessage,
  Entry,
  FrameHeader,
  ImportResult,
  NewEntry,
  RecordingInfo,
  RecordingMessage,
  Settings,
} from '../host/api.ts';
import type { MotorEnd } from './motor.ts';
import type { Plan } from './plan.ts';

const MINUS = '−';
/** Between what must stay on one line. */
const NBSP = '\u00a0';

/** A number to at most three significant digits, as people read them in the dark. */
export function amount(value: number): string {
  const size = Math.abs(value);
  const digits = size < 1 ? 2 : size < 10 ? 1 : 0;
  return value.toFixed(digits).replace('-', MINUS);
}

/** Offset in the best unit there is. */
function offset(offsetPx: number, sigmaPx: number, defocusUm?: number | null, sigmaUm?: number | null): string {
  if (defocusUm === null || defocusUm === undefined) return withSigma(offsetPx, sigmaPx, 'px');
  return withSigma(defocusUm, sigmaUm ?? 0, 'µm');
}

const megabytes = (bytes: number) => Math.round(bytes / 1e6);

function duration(seconds: number): string {
  const whole = Math.round(seconds);
  return whole < 60 ? `${whole} s` : `${Math.floor(whole / 60)} min ${whole % 60} s`;
}

function verdict(draft: Pick<NewEntry, 'offsetPx' | 'offsetSigmaPx' | 'defocusUm' | 'defocusSigmaUm' | 'verdict'>) {
  const { offsetPx, offsetSigmaPx, defocusUm, defocusSigmaUm } = draft;
  const judged = draft.verdict && draft.verdict !== 'not-measured' ? `${ENTRY_VERDICTS[draft.verdict]}, ` : '';
  if (offsetPx === null || offsetPx === undefined) return `${judged}${ENTRY_VERDICTS['not-measured']}`;
  const amounts = offset(offsetPx, offsetSigmaPx ?? 0, defocusUm, defocusSigmaUm);
  return `${judged}${amounts}`;
}

const counted = (count: number, one: string, many: string) => `${count} ${count === 1 ? one : many}`;

const signed = (value: number) => `${value > 0 ? '+' : ''}${amount(value)}`;

const DIRECTIONS: Record<Direction, string> = { clockwise: 'clockwise', 'counter-clockwise': 'counter-clockwise' };

const REFUSALS: Record<CalibrationRefusal, string> = {
  'no-pattern': 'The pattern was not seen all the way. Bring the star to the middle and start again.',
  'not-still': 'The ring was still moving. Let go of it, wait, then press the key.',
  'too-small': 'The turn was too small to tell from noise. Turn further.',
  'mask-moved': 'The mask turned with the ring. Hold it fast and start again.',
  'marks-equal': 'Both marks are the same. Read the ring again, or leave the marks empty.',
};

/** Hours and minutes by this computer's clock. */
function clock(ms: number): string {
  return new Date(ms).toLocaleTimeString('en-GB', { hour: '2-digit', minute: '2-digit' });
}

/** From dusk to dawn; where the Sun crosses that altitude at no time, it stays below or above it. */
function span({ duskMs, dawnMs }: Night['civil'], isBelow: boolean): string {
  if (duskMs === null && dawnMs === null) return isBelow ? 'all day' : 'not this night';
  return `${duskMs === null ? '' : clock(duskMs)} – ${dawnMs === null ? '' : clock(dawnMs)}`;
}

/** A camera's name as it is said, without the way to it. */
function cameraLabel(name: string): string {
  const [, kind, place] = /^(replay|video):(.*)$/.exec(name) ?? [];
  if (!kind) return name === 'sim' ? 'Simulated camera' : name;
  const last = place.split(/[\\/]/).at(-1) ?? place;
  return kind === 'replay' ? `Replay of ${last}` : last;
}

export const strings = {
  name: 'Nightring',
  starting: 'Nightring starts …',
  hostGone: 'The host does not answer. Start Nightring again.',
  hostRefused: (status: number) => `The host refused (${status}). Try again.`,
  pixels: (px: number) => `${amount(px)} px`,
  time: (timeUtc: string) => `${timeUtc.slice(0, 10)} ${timeUtc.slice(11, 16)}`,
  quantity: (value: number | null, unit: string) => (value === null ? '' : `${amount(value)} ${unit}`),

  nav: {
    label: 'Screens',
    prepare: 'Prepare',
    focus: 'Focus',
    prove: 'Prove',
    notebook: 'Notebook',
    settings: 'Settings',
    help: 'Help',
  },

  nextStep: {
    label: 'Next step',
    prepare: { line: 'Star chosen, mask on, ring at its start?', go: 'Turn the ring' },
    prove: { line: 'Sharp? Then write down where the ring stands.', go: 'Write down' },
    notebook: { line: 'After each zoom, and as it gets colder, once more.', go: 'Next zoom' },
  },

  caution: {
    label: 'Caution',
    sun: SUN_CAUTION,
    ground: 'Know your ground and the weather before dark; keep to places where you may be.',
    understood: 'Understood',
  },

  place: {
    title: 'Place',
    unknown: 'Where will the tripod stand? Nothing leaves this computer.',
    summary: ({ name, latitudeDeg, longitudeDeg, elevationM }: Place) =>
      [
        name,
        `${Math.abs(latitudeDeg).toFixed(3)}° ${latitudeDeg < 0 ? 'S' : 'N'}`,
        `${Math.abs(longitudeDeg).toFixed(3)}° ${longitudeDeg < 0 ? 'W' : 'E'}`,
        `${elevationM} m`,
      ]
        .filter(Boolean)
        .join(' · '),
    change: 'Change',
    done: 'Done',
    name: 'Name of the place',
    latitude: 'Latitude, ° N',
    longitude: 'Longitude, ° E',
    coordinatesHint: 'South and west with a minus.',
    elevation: 'Height, m',
    towards: 'Pictures towards',
    notDecided: 'Not decided',
    horizon: 'Nothing seen below, °',
    exposure: 'Live view frame by night, s',
    exposureHint: 'Empty: a tenth of a second.',
    fromPicture: 'From a picture',
    fromCamera: 'From the camera',
    noGps: 'The picture holds no position. Type it, or switch the camera’s position receiver on.',
  },

  sky: {
    title: 'Sky',
    targets: 'Focus on',
    later: 'Time looked at',
    looked: (atMs: number, isNow: boolean) => `${isNow ? 'Now' : 'At'} ${clock(atMs)}`,
    none: (daylight: Daylight) =>
      daylight === 'day' || daylight === 'civil'
        ? 'Too bright a sky for stars. Look later with the → key.'
        : 'Nothing bright enough stands above the obstacle. Look later with the → key, open the lens, or take test shots of some seconds.',
    until({ windows, atMs }: Plan, { body }: Target): string {
      const now = windows.get(body.name)?.find(({ fromMs, untilMs }) => fromMs <= atMs && untilMs >= atMs);
      return now ? `until${NBSP}${clock(now.untilMs)}` : '';
    },
    noLens: 'Set focal length and f-number in Settings: then brightness is judged too.',
    sunUnknown: 'With the place set, Nightring knows where it stands.',
    sun: 'Sun',
    twilight: 'Twilight',
    sunDown: ({ night, sky, daylight }: Plan) =>
      `${directionWords(sky.sun)},\ndown ${span({ duskMs: night.sunsetMs, dawnMs: night.sunriseMs }, daylight !== 'day')}`,
    twilights({ night, sky }: Plan): string {
      const { altitudeDeg } = sky.sun;
      return `civil ${span(night.civil, altitudeDeg < -6)},\nnautical ${span(night.nautical, altitudeDeg < -12)}`;
    },
    darkness: ({ night, sky }: Plan) => span(night.astronomical, sky.sun.altitudeDeg < -18),
    light: ({ body, airmass }: Target) =>
      [`mag${NBSP}${body.magnitude.toFixed(1).replace('-', MINUS)}`, airmass !== null && `air${NBSP}${amount(airmass)}`]
        .filter(Boolean)
        .join(', '),
    dark: 'Dark',
    moon: 'Moon',
    moonHours: (riseMs: number | null, setMs: number | null) =>
      [riseMs !== null && `up ${clock(riseMs)}`, setMs !== null && `down ${clock(setMs)}`].filter(Boolean).join(', '),
    chart: (names: string[]) =>
      `Chart of the sky, north up, east left${names.length > 0 ? `, with ${names.join(', ')}` : ''}`,
  },

  fieldCard: FIELD_CARD,

  camera: {
    state(link: 'connecting' | 'open' | 'closed', { state, name, message }: CameraMessage): string {
      if (link === 'connecting') return 'Connecting';
      if (link === 'closed') return 'The host is gone; trying again';
      const label = cameraLabel(name);
      switch (state) {
        case 'none':
          if (name.startsWith('replay:')) return 'The recording is over: choose it again or a camera in Settings';
          return message || 'No camera: choose one in Settings';
        case 'starting':
          return `${label}: starting`;
        case 'running':
          return label;
        case 'lost':
          // Why, and when it is tried again, Focus says.
          return `${label}: lost`;
      }
    },
    lost: 'Camera lost',
    free: 'Free it and try again',
    dropped: (frames: number) => `${frames} dropped`,
    speed: (framesPerS: number, toScreenMs: number) => `${framesPerS} frames a second, ${toScreenMs} ms`,
  },

  videoInput: {
    refused: (name: string) =>
      name === 'NotAllowedError'
        ? 'The browser may not use the camera: permit it in the browser, then choose it again'
        : name === 'NotReadableError'
          ? 'The video input is in use: close the other program'
          : `The video input cannot be opened (${name}): plug it in again`,
    missing: (label: string) => `There is no video input "${label}": plug it in`,
    lost: 'The video input sends no pictures: check its cable',
  },

  recording: {
    title: 'Recording',
    start: 'Record',
    stop: 'Stop recording',
    meter: 'Size of the recording',
    held: ({ bytes, limitBytes, heldS, frames, skipped }: RecordingMessage) =>
      [
        `${megabytes(bytes)} of ${megabytes(limitBytes)} MB`,
        `the last ${duration(heldS)} kept`,
        `${frames} frames written`,
        skipped > 0 && `${skipped} left out: the disk is slow`,
      ]
        .filter(Boolean)
        .join(', '),
    stopped: (why: string) => `Recording has stopped: ${why}. What was recorded is kept.`,
    limitMb: 'Largest size, MB',
    limitHint: 'Then the oldest part gives way.',
    replay: 'Replay',
    choose: 'Choose a recording',
    recorded: ({ startedUtc, heldS, camera }: RecordingInfo) =>
      `${startedUtc.slice(0, 16).replace('T', ' ')}, ${duration(heldS)}, ${camera}`,
    where: ({ folder }: RecordingInfo) => `The latest is ${folder}. Delete there what you no longer need.`,
    running: (bytes: number) => `Recording, ${megabytes(bytes)} MB`,
  },

  replay: {
    label: 'Replay',
    position: (atS: number, lengthS: number) => `${duration(atS)} of ${duration(lengthS)}`,
    speed: 'Speed',
    speeds: (value: string) => (value === 'max' ? 'as fast as measured' : `${value} ×`),
    hold: 'Hold',
    step: 'One frame',
  },

  vision: { failed: (reason: string) => `Measuring cannot start (${reason}). Reload the page.` },

  opticsSummary({ lensName, optics }: Settings): string {
    const parts = [
      lensName,
      optics.focalMm !== null && `${optics.focalMm} mm`,
      optics.fNumber !== null && `f/${optics.fNumber}`,
    ];
    return parts.filter(Boolean).join(' · ') || 'Lens not set';
  },

  picture: {
    lost({ state, retryInS }: CameraMessage): string {
      if (state === 'starting') return 'Camera lost, trying again';
      return retryInS === undefined ? 'Camera lost' : `Camera lost, trying again (${Math.ceil(retryInS)} s)`;
    },
    closeUp: 'Close-up of the star with marks at the six spots',
    whole: 'Whole live picture',
  },

  facts: {
    label: 'Measured',
    snr: 'Signal to noise',
    spots: 'Spots from star',
    middle: 'Middle pair at',
    outer: 'Outer pairs at ±',
    degrees: (angleDeg: number) => `${angleDeg.toFixed(1).replace('-', MINUS)}°`,
  },

  instruction: { label: 'What to do now' },

  balance: {
    label: 'Balance of the gaps',
    none: 'No pattern to balance.',
    difference: (px: number, tolerancePx: number) =>
      Math.abs(px) <= tolerancePx ? 'equal within the depth of focus' : `difference ${amount(Math.abs(px))} px`,
  },

  trend: {
    label: 'Last minute',
    description: 'Distance from focus over the last minute; the band is the depth of focus',
    amount: (y: number) => String(Number(y.toPrecision(3))).replace('-', MINUS),
    seconds: (x: number) => (x === 0 ? 'now' : `${amount(x)} s`),
  },

  controls: {
    label: 'Keys',
    calibrate: 'Calibrate',
    testShot: 'Test shot',
    log: 'Write down',
    sound: 'Sound',
    tint: 'Red picture',
    dimmer: 'Dimmer',
    brighter: 'Brighter',
    magnify: 'Magnify',
    motor: 'By motor',
  },

  testShot: {
    label: 'Test shot',
    noneYet: 'No test shot yet',
    take: 'Take a test shot',
    taking: 'Taking the picture …',
    back: 'Back to live view',
    picture: 'Test shot with marks at the six spots',
    headline: { true: 'In focus', false: 'Out of focus', null: 'Measured' },
    damaged: 'The picture came damaged; take it again.',
    none: 'No pattern',
    bare: (stars: string) => `Looked at as a shot without the mask: ${stars}`,
    detail: (distance: string, { focused, toleranceUm }: Aim) =>
      [
        `${distance} from focus`,
        focused && { 'in-front': 'focused in front of the star', behind: 'focused behind the star' }[focused],
        toleranceUm !== null && `depth of focus ± ${amount(toleranceUm)} µm`,
      ]
        .filter(Boolean)
        .join('; '),
  },

  prove: {
    label: 'Shot without the mask',
    invite: [
      'Mask on: its pattern is measured, as in live view.',
      'Mask off: the stars are measured, how large, how round, and where in the field.',
      'A picture file can be dropped here, too.',
    ],
    open: 'Open a picture',
    maskOff: 'Rehearsal: mask off',
    shot: ({ name, timeUtc }: FrameHeader, isNewest: boolean) =>
      `${isNewest ? 'Newest shot' : 'Shot'}, ${timeUtc.slice(11, 19)} UTC, ${name}`,
    counted: ({ stars, dim, saturated }: FieldMap, before: FieldMap | null) =>
      [
        `${stars} stars${before ? ` (${before.stars} before)` : ''}`,
        `${dim} of them dim`,
        saturated > 0 && `${saturated} burnt out`,
      ]
        .filter(Boolean)
        .join(', '),
    earlier: 'Earlier',
    later: 'Later',
    keepBefore: 'Compare with this',
    fieldLabel: 'Stars over the field',
    map: (cells: string[]) => `Half-flux radius over the field, row by row, px: ${cells.join(', ')}`,
    noStars: 'none',
    pairs: ({ timeUtc }: FrameHeader) => `Before (${timeUtc.slice(11, 19)}) and after`,
    starsAlone: 'Stars',
    zoom: (times: number) => `${100 * times} %`,
    before: 'Before',
    after: 'After',
    crop: (when: string, where: string) => [when, where].filter(Boolean).join(': '),
    cells: [
      'Upper left',
      'Top',
      'Upper right',
      'Left',
      'Middle',
      'Right',
      'Lower left',
      'Bottom',
      'Lower right',
    ] as readonly string[],
  },

  learnMask: {
    keep: 'Keep for this mask',
    kept: 'Kept for this mask',
    figures: ({ pitchUm, outerAngleDeg, learned }: Pick<Mask, 'pitchUm' | 'outerAngleDeg' | 'learned'>) =>
      `Mask: pitch ${pitchUm!.toFixed(0)} ± ${learned!.pitchSigmaUm.toFixed(0)} µm, outer angle ${outerAngleDeg!.toFixed(2)} ± ${learned!.outerAngleSigmaDeg.toFixed(2)}°`,
    missing: {
      'no-focal-length': 'With the focal length set, this picture would teach the mask’s pitch.',
      'no-pixel-size': 'With the camera’s pixel size known, this picture would teach the mask’s pitch.',
    },
    learned: ({ timeUtc, pitchSigmaUm }: LearnedMask) =>
      `Learned from a test shot on ${timeUtc.slice(0, 10)}, ± ${pitchSigmaUm.toFixed(0)} µm.`,
  },

  motor: {
    label: 'Focus by motor',
    phases: { looking: 'Hands off: looking', moving: 'The motor moves' },
    ends: {
      'in-focus': { headline: 'In focus', detail: 'The motor stands still. Prove it on a test shot.' },
      stopped: { headline: 'Stopped', detail: 'The motor takes no more steps.' },
      'no-pictures': {
        headline: 'No pictures',
        detail: 'Nothing is moved while nothing is seen. Wait for the camera.',
      },
      'no-response': {
        headline: 'No response',
        detail:
          'The steps change nothing. On many lenses the switch must stand at AF for the motor; else turn by hand.',
      },
      'star-lost': {
        headline: 'Star lost',
        detail: 'The pattern was seen no more, nor after two steps back. Find the star, begin nearer to focus.',
      },
      'at-limit': { headline: 'At its end', detail: 'The motor is at its end before focus. Turn by hand.' },
      'too-far': {
        headline: 'Far from focus',
        detail: 'Focus is further than the motor may go. Turn nearer by hand, or allow it more in Settings.',
      },
      'too-coarse': { headline: 'Steps too coarse', detail: 'One step is more than the depth of focus. Turn by hand.' },
      'too-uncertain': {
        headline: 'Not sure enough',
        detail: 'Near focus, but too uncertain to call. Magnify, or use a brighter star, and begin again.',
      },
      'not-converging': {
        headline: 'Gave up',
        detail: 'Steps do not do what the ones before did. Keep hands and wind off; begin again or turn by hand.',
      },
      refused: { headline: 'Refused', detail: 'The camera takes no focus steps. Is the lens set to AF, live view on?' },
    } satisfies Record<MotorEnd, { headline: string; detail: string }>,
    distance: (distance: string) => `${distance} from focus`,
    learned(moves: number, { bandsPerStep, playSteps }: MotorLearned, toleranceUm: number | null): string {
      const step = bandsPerStep === null || toleranceUm === null ? null : bandsPerStep * toleranceUm;
      return [
        moves === 1 ? '1 move' : `${moves} moves`,
        step !== null && `${Number(step.toPrecision(2))} µm a step`,
        playSteps !== null && `${Math.round(playSteps)} steps of play`,
      ]
        .filter(Boolean)
        .join(' · ');
    },
    stop: 'STOP',
    space: 'Space',
    back: 'Back',
    again: 'Again',
  },

  readiness: {
    label: 'Is the camera ready?',
    noCamera: 'No camera is running.',
    summary(checks: readonly Check[]): string {
      const count = (state: Check['state']) => checks.filter((check) => check.state === state).length;
      const [change, byHand] = [count('change'), count('by-hand')];
      const parts = [change > 0 && `${change} to change`, byHand > 0 && `${byHand} to check by hand`].filter(Boolean);
      return parts.length > 0 ? `${parts.join(', ')}.` : 'Everything it reports is as it should be.';
    },
    states: { fine: 'Fine', change: 'Change it', 'by-hand': 'Check by hand' },
    advice: (state: 'change' | 'by-hand', advice: string) => (state === 'change' ? advice : `By hand: ${advice}`),
    marks: { fine: '✓', change: '!', 'by-hand': '?' },
    points: {
      focusMode: { name: 'Focus mode', advice: 'manual, on the lens or the camera' },
      stabilisation: { name: 'Stabilisation', advice: 'off, on the lens and the camera' },
      exposureMode: { name: 'Exposure mode', advice: 'M on the dial' },
      iso: { name: 'Sensitivity', advice: 'a fixed ISO, not automatic' },
      shutter: { name: 'Exposure time', advice: 'a fixed time for test shots' },
      aperture: { name: 'Aperture', advice: 'the one you will shoot with' },
      magnify: { name: 'Live view', advice: 'magnified fully on the star' },
      battery: { name: 'Battery', advice: 'a charged one; cold halves it' },
      card: { name: 'Card', advice: 'in, with room, and pictures go to it' },
      clock: { name: 'Clock', advice: 'right to the minute' },
    } satisfies Record<CheckRole, { name: string; advice: string }>,
    value: (role: CheckRole, value: string) => (role === 'clock' && value !== '' ? `off by ${value}` : value),
    toValue: (role: CheckRole, writes: readonly ConfigWrite[]) =>
      role === 'clock' ? 'Set' : `Set ${writes[writes.length - 1].value}`,
    look: 'Look again',
    setAll: 'Set all',
    told({ lensName, focalMm, fNumber, pixelUm }: LensReport & { pixelUm: number | null }): string {
      const parts = [
        lensName,
        focalMm !== null && `${focalMm} mm`,
        fNumber !== null && `f/${fNumber}`,
        pixelUm !== null && `live pixel ${Number(pixelUm.toPrecision(3))} µm`,
      ].filter(Boolean);
      return parts.length > 0 ? `Read from the camera: ${parts.join(', ')}.` : '';
    },
  },

  roles: {
    title: 'What the camera lets be set',
    purpose:
      'Known cameras need nothing here. If yours can do more than Nightring finds, paste what "gphoto2 --list-all-config" prints.',
    paste: 'Configuration list',
    tryIt: 'Try it',
    tryThis: 'Try this camera’s',
    found: (body: string) => (body ? `Found for ${body}` : 'Found'),
    guessed: 'Guessed from its label: look twice.',
    unknownForm: 'Its values are of no known form: this stays by hand.',
    byHand: 'By hand',
    option: (name: string, label: string, value: string) => `${label || name} (${name})${value ? ` = ${value}` : ''}`,
    keep: 'Keep this',
    kept: 'Kept. The camera is looked at anew.',
    keptFor: (body: string) => `Kept for ${body || 'a camera without a name'}`,
    forget: 'Forget it',
    names: {
      focusMode: 'Focus mode',
      stabilisation: 'Stabilisation',
      exposureMode: 'Exposure mode',
      iso: 'Sensitivity',
      isoAuto: 'Automatic sensitivity',
      shutter: 'Exposure time',
      aperture: 'Aperture',
      magnify: 'Live-view magnification',
      magnifyArea: 'Place of the magnified part',
      driveFocus: 'Focus motor',
      battery: 'Battery',
      card: 'Card',
      clock: 'Clock',
      lensName: 'Name of the lens',
      focalMm: 'Focal length',
    } satisfies Record<Role, string>,
    travel: 'Focus motor: furthest from its start, steps',
    travelHint: 'Empty: as is usual for its kind.',
  },

  calibration: {
    label: 'Calibration turn',
    leave: 'Leave',
    wait: 'Wait: not still yet',
    rest: 'Leave the ring alone',
    restDetail: 'Best a little out of focus. The turn teaches which way is which for this lens and this mask.',
    begin: 'Begin',
    markBefore: 'Ring mark now, if you read it',
    markAfter: 'Ring mark after the turn',
    turn: (direction: Direction) => `Turn a little ${DIRECTIONS[direction]}`,
    other: (direction: Direction) => `I turn ${DIRECTIONS[direction]}`,
    phases: {
      turn: 'As seen from behind the camera; a few degrees. Not far enough yet.',
      hold: 'Far enough: let go of the ring.',
      ready: 'Far enough and still.',
    },
    ask: 'Which way did the ring go on its scale?',
    towardsNear: 'Towards near',
    towardsInfinity: 'Towards ∞ or past it',
    cannotSay: 'Cannot say',
    learned: 'Learned',
    refused: 'Not learned',
    finish: 'Done',
    again: 'Again',
    outcome(result: CalibrationResult): string {
      if (result.status === 'refused') {
        const { why, changePx, neededPx } = result;
        const numbers =
          changePx !== null && neededPx !== null ? ` (${amount(Math.abs(changePx))} of ${amount(neededPx)} px)` : '';
        return REFUSALS[why] + numbers;
      }
      const { perMark, orientation } = result.calibration;
      const parts = [
        'Nightring now knows which way to turn',
        perMark && 'how far in ring marks',
        orientation && 'which side is in front',
      ].filter(Boolean);
      return `${parts.join(', ')}. Repeat after turning the mask or changing the lens.`;
    },
  },

  demo: {
    label: 'Rehearsal',
    ring: 'Ring ← →',
    lens: 'Rehearsal lens',
    temperature: '°C',
    zoom: 'Zoom',
    times: '×',
    magnification: 'Magnified ×',
    value: (value: number) => value.toFixed(2).replace('-', MINUS),
  },

  field: {
    notNumber: 'Type a number, such as 3.2',
    notAbove: (min: number) => `Type a number above ${min}`,
    notWithin: (from: number, to: number) => `Type a number from ${from} to ${to}`,
  },

  entry: {
    label: 'Write it down',
    defaultUnit: 'marks',
    save: 'Save',
    correct: (time: string) => `Correct the entry of ${time}`,
    leave: 'Leave it',
    measured: (draft: Parameters<typeof verdict>[0]) => `Measured: ${verdict(draft)}`,
    verdict: 'Counts as',
    verdictHint: 'What is in focus teaches where to start next time.',
    verdicts: ENTRY_VERDICTS,
    fields: {
      ringPosition: 'Ring reads',
      ringUnit: 'in',
      temperatureC: 'Temperature, °C',
      target: 'Star or planet',
      lens: 'Lens',
      focalMm: 'Focal length, mm',
      note: 'Note',
    },
  },

  notebook: {
    list: 'Written down',
    empty: 'Nothing yet.',
    saved: 'Saved.',
    edit: 'Correct',
    remove: 'Take out',
    removed: 'Taken out.',
    undo: 'Put it back',
    putBack: 'Put back.',
    readOnly: 'The notebook can only be read',
    restore: 'Go on with what is shown',
    restoreHint: 'The damaged file is put aside, not lost.',
    columns: ['UTC', 'Ring', 'Off by', 'Lens', 'Focal length', 'Temperature', 'Star or planet', 'Measured', 'Note'],
    residual: ({ residual, bad }: RingResidual) => `${signed(residual)}${bad ? ' doubtful' : ''}`,
    ring: ({ ringPosition, ringUnit }: Entry) => (ringPosition === null ? '' : `${ringPosition} ${ringUnit}`),
    measured: (entry: Entry) => verdict(entry),
  },

  data: {
    title: 'Data',
    everything: 'Save everything',
    kit: 'Save kit',
    csv: 'Save entries as CSV',
    import: 'Take over a file',
    hint: 'Two notebooks become one: taking over what is known already changes nothing; the later change counts.',
    imported: ({ added, changed, removed, skipped, kit, settings }: ImportResult) =>
      [
        `${added} taken over`,
        changed > 0 && `${changed} changed`,
        removed > 0 && `${removed} taken out`,
        `${skipped} known already`,
        kit && 'kit added',
        settings && 'settings replaced',
      ]
        .filter(Boolean)
        .join(', ')
        .concat('.'),
  },

  refocus: { label: 'Focus again', again: 'Focus again', later: 'Not now' },

  start: {
    title: 'Where to start',
    at: ({ position, sigma }: RingPrediction, unit: string) => withSigma(position, sigma, unit),
    detail: ({ low95, high95, entries }: RingPrediction, unit: string) =>
      `In 95 of 100 cases between ${amount(low95)} and ${amount(high95)} ${unit}; from ${counted(entries, 'entry', 'entries')} in focus.`,
    none: 'At the ∞ mark: no focus of this lens has been written down yet.',
    temperatureC: 'Temperature now, °C',
    line: (at: string) => `Start at ${at}`,
  },

  ring: {
    title: (lens: string) => (lens ? `What the ring of ${lens} does` : 'What the ring does'),
    nothing: 'Each entry in focus teaches where the ring will have to stand next time. None of this lens yet.',
    expect: (focalMm: number | null, temperatureC: number | null) =>
      ['In focus', focalMm !== null && `at ${focalMm} mm`, temperatureC !== null && `and ${amount(temperatureC)} °C`]
        .filter(Boolean)
        .join(' '),
    position: ({ position, sigma }: RingPrediction, unit: string) => withSigma(position, sigma, unit),
    perDegree: 'For each °C warmer',
    backlash: 'Slack, by side of approach',
    noise: 'Scatter of one reading',
    estimate: ({ value, sigma }: Estimate, unit: string) => withSigma(value, sigma, unit),
    spread: (sigma: number, unit: string) => `± ${amount(sigma)} ${unit}`,
    doubtful: (count: number) =>
      `${counted(count, 'entry does', 'entries do')} not fit the others: correct it below, or leave it; it hardly counts.`,
  },

  kit: {
    title: 'On the tripod',
    body: 'Camera body',
    lens: 'Lens',
    mask: 'Mask',
    focalMm: 'Focal length, mm',
    fNumber: 'f-number',
    notInKit: (name: string) => (name ? `${name} (not in the kit)` : 'Not chosen'),
    inUse: 'In use',
    add: 'Add to the kit',
    addChoose: 'Choose …',
    keep: 'Keep in the kit',
    remove: 'Take out of the kit',
    pixelUm: 'Sensor pixel, µm',
    widthPx: 'Pixels across',
    heightPx: 'Pixels down',
    liveMode: (magnification: number) => `Live view × ${magnification}, pixels across`,
    liveHint: 'As many pixels as the live picture is wide at that magnification.',
    focalMinMm: 'Shortest, mm',
    focalMaxMm: 'Longest, mm',
    widest: 'Widest f-number',
    ringUnit: 'Ring is read in',
    ringUnits: { marks: 'its marks', degrees: 'degrees', mm: 'mm on a tape', steps: 'motor steps' } as const,
    ringFrom: 'Scale from',
    ringTo: 'to',
    rising: 'Numbers rise',
    risings: { '': 'Not known', clockwise: 'clockwise', 'counter-clockwise': 'counter-clockwise' } as const,
    risingHint: 'Turning as seen from behind the camera.',
    backlash: 'Slack of the ring',
    backlashHint: 'How far it turns before the lens follows; empty if not known.',
    barrelDiameterMm: 'Ring diameter, mm',
    barrelHint: 'For a printed tape.',
  },

  settings: {
    camera: 'Camera',
    cameraChoice: 'Found',
    cameraName: 'By name',
    cameraNameHint: 'sim, usb, folder:PATH, replay:PATH, video:LABEL, or a port such as ptpip:192.0.2.1',
    lookAgain: 'Look again',
    lookForVideo: 'Video inputs',
    noVideo: 'There is no video input: plug it in and look again.',
    lens: 'Lens',
    lensName: 'Name',
    readFromCamera: 'Read from the camera.',
    focalMm: 'Focal length, mm',
    fNumber: 'f-number',
    pixelUm: 'Live pixel on the sensor, µm',
    pixelUmHint: 'Leave empty if the camera tells, or if you know the pitch of the mask.',
    mask: 'Mask',
    maskName: 'Name',
    layout: 'Zones',
    layouts: {
      half: 'Half and two quarters',
      'strips-u': 'Three strips, middle grating between',
      'strips-n': 'Three strips, middle grating at one end',
    } satisfies Record<ZoneLayout, string>,
    pitchUm: 'Grating pitch, µm',
    pitchUmHint: 'All three alike; empty if not known.',
    outerAngleDeg: 'Outer gratings turned by, °',
    outerAngleHint: 'Empty: as measured.',
    dutyPercent: 'Gratings open, %',
    ribPercent: 'Ribs, % of width',
    handedness: 'Which one looks like the mask?',
    handednessHint: 'Seen from behind the camera; it may be turned round. One is the mirror image of the other.',
    asDrawn: 'This one',
    mirrored: 'Mirrored',
    notKnown: 'Not known',
    orientation: 'How it sits, middle pair level',
    orientations: { 0: 'Not known: the calibration turn tells', 1: 'As drawn', '-1': 'Upside down' },
    ring: 'Focus ring',
    notCalibrated: 'Not calibrated: the distance is shown, the direction not yet.',
    calibrated: ({ clockwiseSign, perMark, focalMm, orientation }: Calibration) =>
      [
        focalMm === null ? 'Calibrated' : `Calibrated at ${focalMm} mm`,
        `clockwise moves the middle pair ${clockwiseSign > 0 ? 'to its positive side' : 'to its negative side'}`,
        perMark ? 'ring marks known' : 'ring marks not known',
        orientation === null ? 'side in front not known' : 'side in front known',
      ].join('; '),
    calibrate: 'Calibration turn',
    forget: 'Forget it',
    steadySeconds: 'Steady for, s',
    screen: 'Screen',
    textSize: 'Text size',
    tint: 'Live picture in red',
    sound: 'Tone tells closeness',
  },

  paper: {
    title: 'On paper',
    sheets: { card: 'Field card', tape: 'Ring tape', report: 'Session report' },
    files: {
      card: 'nightring-card.pdf',
      tape: 'nightring-tape.pdf',
      report: 'nightring-report.pdf',
    },
  },

  calculator: {
    title: 'What lens and sky allow',
    missing: (isLens: boolean) =>
      isLens
        ? 'Focal length and f-number are not known: type them in Settings.'
        : 'The size of a sensor pixel is not known: type it here, or choose a camera body in Settings.',
    fields: {
      blurPx: 'Blur and trail let pass, px',
      exposureS: 'Exposure, s',
      iso: 'ISO',
      skyMag: 'Sky, mag/arcsec²',
      readNoiseE: 'Read noise, electrons',
      pixelUm: 'Sensor pixel, µm',
    },
    skyHint: (skyMag: number, isPlanned: boolean) =>
      `22 darkest, 19 suburb. Now ${skyMag.toFixed(1)}${isPlanned ? ', by Moon and twilight' : ''}.`,
    sharpFrom: 'Focused on the stars, sharp from',
    sharpDetail: ({ hyperfocalM, nearestHyperfocalM, limit }: FocusFigures) =>
      `Focused at ${figure(hyperfocalM, 'm')} the stars just pass, and it is sharp from ${figure(nearestHyperfocalM, 'm')}.${
        limit === 'diffraction' ? ' Diffraction blurs more than you let pass.' : ''
      }`,
    trailAfter: 'Stars trail after',
    trailDetail: (cornerS: number | null) =>
      cornerS === null
        ? 'In the middle of the picture, for the fastest stars.'
        : `In the middle of the picture; in its corners after ${figure(cornerS, 's')}.`,
    skyLevel: 'The sky comes out at',
    skyDetail: ({ skyLimitedS, stopsBelowGrey }: SkyFigures) =>
      `of white, ${figure(Math.abs(stopsBelowGrey), 'stops')} ${
        stopsBelowGrey < 0 ? 'above' : 'below'
      } middle grey. The camera’s own noise counts up to ${figure(skyLimitedS, 's')}.`,
    now: 'Where the ring stands, stars blur by',
    nowDetail: ({ depthsOfFocus, focusedAtM, marks, marksSigma }: OffsetFigures, isSideKnown: boolean) =>
      [
        `${figure(depthsOfFocus, '')} depths of focus`,
        marks !== null && `${marksText(marks, marksSigma!)} ring marks`,
        isSideKnown && (focusedAtM === null ? 'past infinity' : `${figure(focusedAtM, 'm')} is sharpest`),
      ]
        .filter(Boolean)
        .join('; ')
        .concat('.'),
  },

  help: {
    stepsTitle: 'An evening',
    steps: [
      'Before dark, on Prepare: place, what is on the tripod, the star, whether the camera is ready.',
      'Switch autofocus and stabilisation off. Turn the ring to its ∞ mark.',
      'Put the mask before the lens; point at the brightest star or planet; magnify live view fully.',
      'Make the calibration turn once for each lens.',
      'Follow the arrow until Nightring says stop, then let go of the ring.',
      'Take a test shot with the mask on; write the ring position down; take the mask off.',
      'Focus again after each zoom and as it gets colder.',
    ],
    keysTitle: 'Keys',
    keys: [
      ['1 – 6', 'Prepare, focus, prove, notebook, settings, help'],
      ['Esc', 'Back to Focus'],
      ['C', 'Calibration turn'],
      ['M', 'Magnify live view about the star, and back (some cameras: arrows move the part)'],
      ['F', 'Focus by motor'],
      ['Space', 'STOP the motor'],
      ['P', 'Prove: take a test shot'],
      ['L', 'Write down where the ring stands'],
      ['↑ ↓', 'Prepare: choose the star'],
      ['← →', 'Prepare: look half an hour on or back'],
      ['R A', 'Prepare: look at the camera again, set all that can be set'],
      ['R', 'Settings: record what the camera shows, stop recording'],
      ['B ← → +', 'Prove: compare with this shot; earlier or later one; larger stars'],
      ['R', 'Prove, in the rehearsal: mask on or off'],
      ['Z', 'Notebook: next zoom'],
      ['G X', 'When asked to: focus again, or not now'],
      ['U', 'Notebook: put back what was taken out'],
      ['Enter', 'Next step, save, understood'],
      ['S', 'Sound on or off'],
      ['T', 'Live picture in red or in colour'],
      ['− +', 'Dimmer, brighter'],
      ['← →', 'Rehearsal: turn the ring (with Shift: faster)'],
    ],
  },
};
