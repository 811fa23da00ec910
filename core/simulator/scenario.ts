import type { Mask } from '../optics/mask.ts';
import type { Place } from '../sky/place.ts';

/** An invented evening: camera, lens, mask, star and how they change. See samples/scenario.json. */
export interface Scenario {
  name: string;
  place: Place;
  camera: {
    name: string;
    sensorWidthPx: number;
    sensorHeightPx: number;
    sensorPixelUm: number;
    liveWidthPx: number;
    liveHeightPx: number;
    /** 1 shows the whole sensor, m the middle 1/m of it. */
    magnifications: number[];
    /** Electrons per µm² of sensor that give white. */
    whiteEPerUm2: number;
    /** Per sensor pixel. */
    readNoiseE: number;
    /** In the whole live-view frame. */
    hotPixels: number;
    /** Of test shots without the mask, s. */
    stillS: number;
    /** Full width at half maximum of the blur by the sensor's own pixels and filter, µm. */
    softnessUm: number;
    jpegQuality: number;
    /** Settings that do not show in the pictures, as they are at the start. */
    body: Record<'focusMode' | 'stabilisation' | 'exposureMode' | 'iso' | 'shutter' | 'card' | 'battery', string> & {
      clockAheadS: number;
    };
  };
  lens: {
    name: string;
    fNumber: number;
    sphericalWaves: number;
    /** What its errors add to a star's width in focus (full width at half maximum), and in the corners, µm. */
    softnessUm: number;
    cornerUm: number;
    /** Marks engraved on the focus ring. */
    ringMin: number;
    ringMax: number;
    ringStart: number;
    /** The ring turns this far before the lens follows when the direction changes. */
    backlashMarks: number;
    /** Steps of the focus motor for one mark; it turns the ring. */
    motorStepsPerMark: number;
    /** Where infinity really lies, hidden from the user. */
    settings: {
      focalMm: number;
      infinityMark: number;
      /** Defocus per ring mark, µm. */
      umPerMark: number;
      /** How infinity moves as the lens cools or warms, marks per °C. */
      marksPerDegree: number;
    }[];
    /** Temperature for which `infinityMark` holds. */
    referenceC: number;
  };
  mask: Mask;
  maskRotationDeg: number;
  star: {
    name: string;
    /** Through the mask, per live-view frame. */
    photoelectrons: number;
    temperatureK: number;
    /** Longest way from the frame's middle, and speed, both on the sensor. */
    driftUm: number;
    driftUmPerS: number;
    /** Standard deviation of the star's dancing from frame to frame, arc seconds. */
    jitterArcsec: number;
  };
  /** Fainter stars around it: distance on the sensor at the shortest focal length's scale, and share of its light. */
  fieldStars: { xUm: number; yUm: number; share: number }[];
  /** All stars of a test shot without the mask; the faintest gives so many electrons a channel. */
  sky: { stars: number; faintestE: number };
  skyEPerUm2: number;
  evening: { startC: number; coolingCPerHour: number; lowestC: number };
}
