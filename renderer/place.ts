import type { Place } from '../core/sky/place.ts';
import scenario from '../samples/scenario.json' with { type: 'json' };
import { useSessionState } from './session.ts';
import { useSettings } from './settings.ts';

/**
 * Where the tripod stands; null while it is not known. The rehearsal has an invented place, which holds for the
 * simulated camera only: where the Sun stands over it says nothing of a real evening.
 */
export function usePlace(): Place | null {
  const { settings } = useSettings();
  const simulated = useSessionState(({ camera }) => camera.name === 'sim');
  if (simulated) return settings.place ?? scenario.place;
  return settings.place?.name === scenario.place.name ? null : settings.place;
}
