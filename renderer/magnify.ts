import { useEffect, useRef, useState } from 'react';
import { type Magnifier, magnifier } from '../core/camera/magnify.ts';
import { bodyInUse } from '../core/kit/kit.ts';
import { useCamera } from './camera.tsx';
import { useSession, useSessionState } from './session.ts';
import { useSettings } from './settings.ts';

type Direction = Parameters<NonNullable<Magnifier['nudge']>>[0];

export interface Magnify {
  /** Fully, about the star; or back to the whole field. */
  toggle(): void;
  /** Live view is magnified fully, as far as known. */
  isMagnified: boolean;
  /** Where the magnified part goes by the body's own steps. */
  nudge?(direction: Direction): void;
}

/** Magnifying live view from the screen; null where the camera does not let it. */
export function useMagnify(): Magnify | null {
  const session = useSession();
  const { settings } = useSettings();
  const { config, roles, write } = useCamera();
  const reported = useSessionState(({ header }) => header?.mode.magnification ?? null);
  /** The level set last, for bodies that do not tell. */
  const [set, setSet] = useState(0);
  const frame = useRef<{ widthPx: number; heightPx: number } | null>(null);
  useEffect(
    () =>
      session.onPicture(({ whole }) => {
        if (whole) frame.current = { widthPx: whole.widthPx * whole.step, heightPx: whole.heightPx * whole.step };
      }),
    [session],
  );

  const lens = magnifier(roles, config);
  if (!lens) return null;
  const last = lens.levels.length - 1;
  // What comes with the pictures is newer than what was read.
  const level = (reported === null ? null : lens.levelAt(reported)) ?? lens.level ?? set;

  /** Where the star is in the whole field; unknown while only a part of it is shown. */
  const star = () => {
    const { reading } = session.state;
    if (level > 0 || !reading?.star || !frame.current) return null;
    const { widthPx, heightPx } = frame.current;
    return { x: (reading.star.xPx + 0.5) / widthPx, y: (reading.star.yPx + 0.5) / heightPx };
  };
  const toggle = () => {
    const next = level === last ? 0 : last;
    const body = bodyInUse(settings);
    setSet(next);
    void write(lens.writes(next, star(), body && { x: body.widthPx, y: body.heightPx }));
  };
  const { nudge } = lens;
  return { toggle, isMagnified: level === last, ...(nudge && { nudge: (direction) => void write(nudge(direction)) }) };
}
