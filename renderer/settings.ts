import { createContext, useContext } from 'react';
import type { Calibration } from '../core/guide/calibrate.ts';
import type { Settings } from '../host/api.ts';

/** How the screen looks and sounds; kept inside the settings document under `screen`. */
export interface ScreenSettings {
  /** Live picture in shades of red. */
  tint: boolean;
  sound: boolean;
  /** Brightness of the interface, percent. */
  brightness: number;
  /** Size of all text, percent. */
  textSize: number;
  /** The field card was shown and understood. */
  fieldCardSeen: boolean;
}

const DEFAULT_SCREEN: ScreenSettings = {
  tint: true,
  sound: false,
  brightness: 100,
  textSize: 100,
  fieldCardSeen: false,
};

export const BRIGHTNESS_STEPS = [40, 55, 70, 85, 100];
export const TEXT_SIZES = [100, 125, 150];

export function screenOf(settings: Settings): ScreenSettings {
  return { ...DEFAULT_SCREEN, ...(settings.screen as Partial<ScreenSettings> | undefined) };
}

/** The calibration kept, null when there is none or it is of a version we do not know. */
export function calibrationOf(settings: Settings): Calibration | null {
  return settings.calibration?.version === 1 ? settings.calibration : null;
}

export interface SettingsAccess {
  settings: Settings;
  /** Shows the change at once and saves the whole document; resolves when it is saved, or the failure is shown. */
  change(patch: Partial<Settings>): Promise<void>;
  changeScreen(patch: Partial<ScreenSettings>): void;
}

export const SettingsContext = createContext<SettingsAccess | null>(null);

export function useSettings(): SettingsAccess {
  return useContext(SettingsContext)!;
}
