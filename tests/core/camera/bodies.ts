import { readFileSync } from 'node:fs';
import { type ConfigValue, parseConfigList } from '../../../core/camera/config.ts';

const fixture = (name: string) =>
  readFileSync(new URL(`../../reference/fixtures/config-${name}.txt`, import.meta.url), 'utf8');

/** What libgphoto2's own command line printed for the virtual camera (tests/camera/list-config.ts). */
export const printed = { '0x0A': fixture('0x0A'), '0x0B': fixture('0x0B') };

/**
 * A body that magnifies by keys and drives focus by sizes, as it would be printed. Names, types and ranges are
 * those of camlibs/ptp2/config.c in libgphoto2 2.5.34; written from it, not printed by a camera.
 */
const keys = [
  'focusmagnifier',
  'focusmagnifierexit',
  'remotekeyup',
  'remotekeydown',
  'remotekeyleft',
  'remotekeyright',
];
export const printedKeys = `${keys
  .map((key) => `/main/actions/${key}\nLabel: ${key}\nReadonly: 0\nType: TOGGLE\nCurrent: 2\nEND`)
  .join('\n')}
/main/actions/manualfocus
Label: Manual-Focus
Readonly: 0
Type: RANGE
Current: 0
Bottom: -7
Top: 7
Step: 1
END
/main/imgsettings/imagestabilization
Label: Image Stabilization
Readonly: 0
Type: RADIO
Current: On
Choice: 0 Off
Choice: 1 On
END
`;

/** A body that no table knows. */
export const printedUnknown = `/main/a/vr9
Label: Vibration Reduction
Readonly: 0
Type: RADIO
Current: Sport
Choice: 0 Off
Choice: 1 Normal
Choice: 2 Sport
END
/main/a/afm
Label: Focus Mode
Readonly: 0
Type: RADIO
Current: AF-S
Choice: 0 AF-S
Choice: 1 MF
END
`;

export const bodyA: ConfigValue[] = parseConfigList(printed['0x0A']);
export const bodyB: ConfigValue[] = parseConfigList(printed['0x0B']);

/** The same with some values changed. */
export function changed(config: readonly ConfigValue[], values: Record<string, string>): ConfigValue[] {
  return config.map((entry) => ({ ...entry, value: values[entry.name] ?? entry.value }));
}
