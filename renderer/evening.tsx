/** The evening so far: how cold it is, when focus was found, and whether something asks for finding it again. */
import { createContext, type ReactNode, useCallback, useContext, useEffect, useRef, useState } from 'react';
import { alignment, type Direction } from '../core/guide/calibrate.ts';
import { type Circumstances, type RefocusReason, RefocusWatch, thermalShift } from '../core/guide/watch.ts';
import { depthOfFocusUm } from '../core/optics/formulas.ts';
import type { Settings } from '../host/api.ts';
import { useNotebook } from './notebook.tsx';
import { type SessionState, useSession, useSessionState } from './session.ts';
import { calibrationOf, useSettings } from './settings.ts';
import { simulatedValue } from './simulated.ts';

export interface EveningAccess {
  /** As typed, or as the rehearsal's air has it. */
  temperatureC: number | null;
  setTemperatureC(celsius: number | null): void;
  /** The focal length that focus was found at and still holds for; null when nothing was found yet. */
  found: { focalMm: number | null } | null;
  /** Why to focus again. */
  reason: RefocusReason | null;
  /** The way the ring was last seen to turn; null before, or while it is not known which way is which. */
  lastTurned: Direction | null;
  /** Focus was written down. */
  confirm(): void;
  /** Focus is looked for anew. */
  again(): void;
  /** The reason is set aside. */
  later(): void;
}

const EveningContext = createContext<EveningAccess | null>(null);

export function useEvening(): EveningAccess {
  return useContext(EveningContext)!;
}

/** Looks also while no pictures come, and reads the rehearsal's air, this often. */
const LOOK_MS = 5000;
/** A focus found longer ago belongs to another evening. */
const RESUME_MS = 3 * 3_600_000;

export function EveningProvider({ children }: { children: ReactNode }) {
  const session = useSession();
  const { settings } = useSettings();
  const { memory, entries } = useNotebook();
  const running = useSessionState(({ camera }) => camera.state === 'running' && camera.name === settings.camera);
  const watch = useRef(new RefocusWatch()).current;
  const resumed = useRef(false);
  const umPerMark = useRef<number | null>(null);
  const [temperatureC, setTemperatureC] = useState<number | null>(null);
  const [lastTurned, setLastTurned] = useState<Direction | null>(null);
  const [, redraw] = useState(0);

  useEffect(() => {
    umPerMark.current = null;
  }, [settings.calibration]);
  const now = useCallback((): Circumstances => {
    const focalMm = focalOf(session.state) ?? settings.optics.focalMm;
    const perDegree = memory && focalMm !== null ? memory.model.perDegree(focalMm) : null;
    return circumstances(session.state, settings, {
      focalMm,
      temperatureC,
      thermal: thermalShift(focalMm, perDegree, umPerMark.current),
    });
  }, [session, settings, memory, temperatureC]);

  // After a new start of the page the newest focus written down goes on being watched.
  useEffect(() => {
    if (resumed.current || !entries) return;
    resumed.current = true;
    const newest = entries.find(({ lens, verdict }) => lens === settings.lensName && verdict === 'in-focus');
    if (!newest) return;
    const { focalMm, temperatureC } = newest;
    const timeMs = Date.parse(newest.timeUtc);
    const ageMs = Date.now() - timeMs;
    if (ageMs < 0 || ageMs > RESUME_MS) return;
    watch.confirm({ ...now(), timeMs, focalMm, temperatureC, track: null });
    redraw((count) => count + 1);
  }, [entries, settings.lensName, now, watch]);

  useEffect(() => {
    const look = () => {
      umPerMark.current = umPerMarkOf(session.state) ?? umPerMark.current;
      setLastTurned((before) => turnedOf(session.state, settings) ?? before);
      const [since, reason] = [watch.since, watch.reason];
      watch.look(now());
      if (watch.since !== since || watch.reason !== reason) redraw((count) => count + 1);
    };
    const stop = session.subscribe(look);
    const timer = setInterval(look, LOOK_MS);
    look();
    return () => {
      stop();
      clearInterval(timer);
    };
  }, [session, settings, now, watch]);

  useEffect(() => {
    if (!running || settings.camera !== 'sim') return;
    const read = () =>
      void simulatedValue('sim', 'temperatureC').then((value) => value !== null && setTemperatureC(value));
    const timer = setInterval(read, LOOK_MS);
    read();
    return () => clearInterval(timer);
  }, [running, settings.camera]);

  const act = (change: () => void) => () => {
    change();
    redraw((count) => count + 1);
  };
  const access: EveningAccess = {
    temperatureC,
    setTemperatureC,
    found: watch.since && !watch.reason ? { focalMm: watch.since.focalMm } : null,
    reason: watch.reason,
    lastTurned,
    confirm: act(() => watch.confirm(now())),
    again: act(() => {
      watch.end();
      session.dismissTestShot();
    }),
    later: act(() => watch.dismiss(now())),
  };
  return <EveningContext value={access}>{children}</EveningContext>;
}

/** Focal length by the newest picture's own EXIF. */
function focalOf({ header, testShot }: SessionState): number | null {
  const shot = testShot?.state === 'measured' ? testShot.result.header : null;
  return shot?.mode.focalMm ?? header?.mode.focalMm ?? null;
}

function circumstances(
  { track, header, instruction }: SessionState,
  { optics }: Settings,
  known: Pick<Circumstances, 'focalMm' | 'temperatureC' | 'thermal'>,
): Circumstances {
  return {
    ...known,
    timeMs: Date.now(),
    toleranceUm: optics.fNumber === null ? null : depthOfFocusUm(optics.fNumber),
    magnification: header?.mode.magnification ?? null,
    pixelUm: header?.mode.pixelUm ?? null,
    track,
    tolerancePx: 'aim' in instruction ? instruction.aim.tolerancePx : null,
  };
}

/** Defocus per ring mark as the calibration turn has it, µm. */
function umPerMarkOf({ instruction }: SessionState): number | null {
  if (!('aim' in instruction)) return null;
  const { distanceUm, distanceMarks } = instruction.aim;
  return distanceUm && distanceMarks ? distanceUm / distanceMarks : null;
}

/** The way the ring turns right now, null when it rests or cannot be told. */
function turnedOf({ track }: SessionState, settings: Settings): Direction | null {
  const calibration = calibrationOf(settings);
  if (!calibration || track?.state !== 'turning' || track.middleAngleDeg === null) return null;
  const { ratePxPerS, rateSigmaPxPerS } = track;
  if (ratePxPerS === null || rateSigmaPxPerS === null || Math.abs(ratePxPerS) < 3 * rateSigmaPxPerS) return null;
  const aligned = alignment(calibration, track.middleAngleDeg);
  if (!aligned) return null;
  return Math.sign(ratePxPerS) * aligned === calibration.clockwiseSign ? 'clockwise' : 'counter-clockwise';
}
