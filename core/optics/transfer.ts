/**
 * The sRGB transfer curve of IEC 61966-2-1 (5.2 and its inverse). Light is 0…1, 1 being white;
 * values outside are clipped when encoding.
 */

/** Light 0…1 → encoded value 0…1. */
export function srgbEncode(light: number): number {
  if (light <= 0) return 0;
  if (light >= 1) return 1;
  return light <= 0.0031308 ? 12.92 * light : 1.055 * light ** (1 / 2.4) - 0.055;
}

/** Encoded value 0…1 → light 0…1. */
export function srgbDecode(value: number): number {
  return value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4;
}
