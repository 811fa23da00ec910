/** All texts of the command line. */
import type { Entry } from '../../core/notebook/entry.ts';
import type { Night } from '../../core/sky/night.ts';
import type { Place } from '../../core/sky/place.ts';
import type { ImportResult } from '../api.ts';
import { EXIT } from './output.ts';

const EXIT_STATUS = `Exit status: ${EXIT.ok} all measured, ${EXIT.noPattern} some image holds no pattern, ${EXIT.unreadable} some image cannot be read
(comes before ${EXIT.noPattern}), ${EXIT.usage} wrong usage`;

const CAUTION = 'Never point lens, mask or live view at or near the Sun: it blinds and burns.';

export const strings = {
  program: 'Measures a three-grating focusing mask on a star and says how to turn the focus ring.',
  commandsHelp: `
Example:
  nightring serve                     opens the program with the simulated camera
  nightring measure --f-number 2.8 --pixel-um 4.4 shot.jpg

"nightring COMMAND --help" explains each command and its units.

Exit status: ${EXIT.ok} done, ${EXIT.unreadable} a file cannot be read, ${EXIT.usage} wrong usage, ${EXIT.noPattern} no pattern, too few stars or nothing to predict from,
${EXIT.cameraGone} the camera is not there or gone for good, ${EXIT.failed} something else failed.`,

  measure: {
    summary: 'measure the pattern in photographs',
    help: `
One line per image, in order. Lengths in the picture are pixels (px), defocus is microns (µm) on the sensor,
± is one standard deviation. The sign of the offset is explained in DEVELOPERS.md.
Focal length, f-number and pixel size are read from the picture's EXIF when the options are left out.

Examples:
  nightring measure --f-number 2.8 --pixel-um 4.4 shot.jpg
  nightring measure --json --mask mask.json *.jpg > readings.jsonl

A mask file is JSON; everything in it may be left out:
  {"layout":"half","orientation":1,"handedness":1,"pitchUm":175,"outerAngleDeg":20,"ribD":0,"duty":0.5}

${EXIT_STATUS}.`,
  },
  stars: {
    summary: 'find the stars of photographs without the mask; say how sharp they are over the field, and why',
    exposureS: "exposure time, s; else from the picture's EXIF",
    help: `
One line per image: stars found, half-flux radius (of the circle with half of a star's light, median over the stars
± one standard error, px), what is wrong, and, from the second image on, whether it is sharper than the first.
With --json one object per image, numbers unrounded: \`map\` (the field in 3 × 3 parts, row by row; what was found),
\`comparison\` (ratio of the half-flux radii to the first image's) and \`list\`, every star with place, flux (linear, sum of the
channels, a white one being 1), signal-to-noise, half-flux radius, full width at half maximum, elongation and the direction
of its longer axis. With focal length, pixel size and exposure time, trails by the sky's turning are told from shake.

Examples:
  nightring stars before.jpg after.jpg
  nightring stars --json shot.dng > stars.json

Exit status: ${EXIT.ok} all looked at, ${EXIT.noPattern} some image holds too few stars, ${EXIT.unreadable} some image cannot be read (comes before ${EXIT.noPattern}),
${EXIT.usage} wrong usage.`,
    counted: (count: number) => `${count} stars`.padStart(12),
    size: (text: string) => `half-flux radius ${text}`,
  },
  watch: {
    summary: "measure a camera's live view, or a folder's pictures as they appear",
    help: `
NAME is one of
  sim                    the simulated camera
  folder:PATH            pictures in a folder: those there are, then new ones
  replay:PATH            a recording, as it came or at another speed
  usb                    the first camera on USB
  ptpip:ADDRESS:PORT:PORT  a camera on the network, or any other port of libgphoto2

Lines are as of "nightring measure", with a running number and the time (UTC). Ctrl-C ends it.

Examples:
  nightring watch --camera sim --frames 10
  nightring watch --camera folder:/home/me/shots --f-number 2 --pixel-um 3.9 --json
  nightring watch --camera usb --record tonight
  nightring watch --camera replay:tonight --speed max --json

A recording holds frames and readings, the oldest giving way when it has its size. Replayed, its frames are
measured with the optics recorded with them, where options name no others, and give the same readings.

${CAUTION}

${EXIT_STATUS}, ${EXIT.cameraGone} the camera is gone for good.
Without --frames: ${EXIT.ok} when ended by Ctrl-C.`,
    speedOfReplay: '--speed is for recordings; see "nightring watch --help"',
    recordingStopped: (why: string) => `Recording has stopped: ${why}. What was recorded is kept.`,
  },
  serve: {
    summary: 'open the program in a browser on this machine',
    help: `
Prints a link that works on this machine only, until the program ends (Ctrl-C).

Examples:
  nightring serve
  nightring serve --camera usb --port 8420 --data /media/stick/nightring`,
    running: (url: string) => `Nightring runs at ${url}`,
    howToEnd: 'Open the link in a browser on this machine. Ctrl-C ends the program.',
    caution: CAUTION,
  },
  cameras: {
    summary: 'list the cameras there are',
    help: `
The first column is what --camera takes. Network cameras do not announce themselves:
name them as ptpip:ADDRESS:PORT:PORT.

Example:
  nightring cameras`,
    folderHint: ['folder:PATH', 'pictures in a folder, as they appear'],
  },
  targets: {
    summary: 'rank stars and planets as focus targets for place, time and lens',
    help: `
The place is the one set in the program, unless it is named here or read from a picture. Directions are as a compass
shows them (from true north over east), lifted by refraction. Times are this computer's, with --json UTC. The first
JSON line is the night ("type":"night"), the others are targets, the best first. What stands within 20° of the Sun
while it is up is refused.

Examples:
  nightring targets --latitude 46 --longitude 8 --focal-mm 24 --f-number 2.8
  nightring targets --place-from shot.jpg --towards SW --horizon-deg 15 --time 2026-01-17T21:00+01:00
  nightring targets --json > tonight.jsonl

${CAUTION}

Exit status: ${EXIT.ok} done, ${EXIT.unreadable} the picture cannot be read or has no position, ${EXIT.usage} wrong usage or no place.`,
    latitude: 'north positive, degrees',
    longitude: 'east positive, degrees',
    elevationM: 'height above the sea, m',
    placeFrom: 'take the place from the position in a picture (EXIF)',
    horizonDeg: 'nothing lower is seen, degrees (10)',
    towards: 'where the pictures will be taken: N, SSW, … or degrees',
    time: 'ISO 8601 with its zone, such as 2026-01-17T21:00Z (now)',
    exposureS: 'exposure of one live-view frame, s (0.1)',
    all: 'all of them, also those that are not up',
    json: 'one JSON object per line, numbers unrounded, times UTC',
    notDirection: 'It must be a compass point such as SSW, or degrees from 0 to 360.',
    notTime: 'It must be a time with its zone, such as 2026-01-17T21:00Z or 2026-01-17T21:00+01:00.',
    halfPlace: '--latitude and --longitude belong together; give both',
    noPlace: 'the place is not known; give --latitude and --longitude, or --place-from a picture that has its position',
    badPlace: (issue: string) => `the place is not valid: ${issue}`,
    noGps: (path: string) => `${path} holds no position; give --latitude and --longitude`,
    at: ({ name, latitudeDeg, longitudeDeg }: Place, local: string, utc: string) =>
      `${name || 'Place'}: ${latitudeDeg.toFixed(3)}°, ${longitudeDeg.toFixed(3)}°. ${local} (${utc} UTC).`,
    night({ sunsetMs, sunriseMs, civil, nautical, astronomical }: Night, clock: (ms: number | null) => string): string {
      const twilights = [civil, nautical, astronomical];
      const dusks = twilights.map(({ duskMs }) => clock(duskMs)).join(', ');
      const dawns = twilights.map(({ dawnMs }) => clock(dawnMs)).join(', ');
      return `Sunset ${clock(sunsetMs)}, dusk (Sun 6°, 12°, 18° down) ${dusks}; dawn ${dawns}, sunrise ${clock(sunriseMs)}.`;
    },
    moon: (phase: string, rise: string, set: string) => `Moon ${phase}; rises ${rise}, sets ${set}.`,
    never: '–',
    noLens: 'Lens not known: brightness is not judged; give --focal-mm and --f-number.',
    none: 'No star or planet stands above the obstacle; wait, or lower --horizon-deg.',
    columns: ['Target', 'Direction', 'Mag', 'Air', 'Above the obstacle in the dark', 'Now', 'Why'],
  },
  notebook: {
    summary: 'read, export, import and keep safe the notebook of ring positions, and ask it where to start',
    list: 'list the entries, newest first',
    listHelp: `
Times are UTC, temperatures °C, focal lengths mm, defocus µm.

Example:
  nightring notebook list`,
    empty: (path: string) => `The notebook ${path} has no entries yet.`,
    predict: 'say where the ring will have to stand, from the entries in focus',
    predictHelp: `
± is one standard deviation, the range holds 95 %. What is left out (focal length, temperature) widens both.
Lens and focal length are those of the settings when they are left out. README.md explains the model.

Example:
  nightring notebook predict --lens "24 mm f/2.8" --focal-mm 24 --temperature-c -2

Exit status: ${EXIT.ok} predicted, ${EXIT.usage} wrong usage, ${EXIT.noPattern} no entry of that lens was in focus.`,
    whichLens: 'no lens is set; name one with --lens',
    nothingKnown: (lens: string) => `no entry of "${lens}" was in focus; start at the ∞ mark, and see "notebook list"`,
    thermal: (amount: string) => `As it gets warmer: ${amount} for each °C.`,
    slack: (amount: string) => `Approached with falling numbers it reads lower by ${amount}.`,
    suspicious: ({ timeUtc, ringPosition, ringUnit, id }: Entry, residual: number) =>
      `Doubtful: ${timeUtc.slice(0, 16).replace('T', ' ')}, ${ringPosition} ${ringUnit}, is ${residual.toFixed(2)} from what the others say (${id}).`,
    export: 'write notebook, kit and settings to standard output or a file',
    exportHelp: `
JSON holds everything, or the part named with --only; CSV holds the entries. An existing file is not overwritten.

Examples:
  nightring notebook export --format csv > ring.csv
  nightring notebook export --output everything.json
  nightring notebook export --only kit --output kit.json`,
    import: 'take over a file: entries are merged, kit added by name, settings replaced',
    importFile: 'JSON or CSV saved by Nightring, or the notebook file of another machine',
    importHelp: `
Of two copies of an entry the one changed last stays; entries deleted on either machine stay deleted. Taking a file
over again changes nothing. CSV needs the column timeUtc; the other columns may be missing.

Examples:
  nightring notebook import everything.json
  nightring notebook merge /media/stick/notebook.sqlite`,
    imported: ({ added, changed, removed, skipped, kit, settings }: ImportResult) =>
      [
        `${added} ${added === 1 ? 'entry' : 'entries'} added`,
        changed > 0 && `${changed} changed`,
        removed > 0 && `${removed} removed`,
        `${skipped} known already`,
        kit && 'kit taken over',
        settings && 'settings taken over',
      ]
        .filter(Boolean)
        .join(', ')
        .concat('.'),
    backup: 'back up notebook and settings now',
    backupHelp: `
Backups lie in the folder "backups" beside the notebook; the newest twenty are kept. They are also made before
anything is brought to a newer version, once a day, and at the end of an evening with new entries.`,
    restore: 'put a damaged notebook aside and go on with its newest sound backup',
    restoreHelp: `
The damaged file is kept beside it, under a name that ends in .bad.`,
    restored: (aside: string) => `Restored. The damaged file is now ${aside}`,
    nothingToRestore: 'The notebook is sound; nothing was changed.',
    schema: 'print the JSON Schema of what export writes',
    csvIsEntries: 'CSV holds the entries only; leave out --only, or --format csv',
    exported: (path: string) => `Written to ${path}.`,
    exists: (path: string) => `${path} exists already; name another file`,
    cannotWrite: (path: string, code: string) => `${path} cannot be written (${code}); name another place`,
  },
  calc: {
    summary:
      'work out what an evening needs: what is sharp, when stars trail, what the sky allows, what an offset means',
    missing: (what: 'focalMm' | 'fNumber' | 'pixelUm') =>
      ({
        focalMm: 'the focal length is not known; give it with --focal-mm',
        fNumber: 'the f-number is not known; give it with --f-number',
        pixelUm: 'the size of a sensor pixel is not known; give it with --pixel-um',
      })[what],
    focus: {
      summary:
        'what "infinity" means for this lens: nearest sharp rock, hyperfocal distance, depths of focus and field',
      help: `
A thin lens, the middle of the picture. Where diffraction blurs more than is let pass, the quarter-wave depth of focus
stands in.

Examples:
  nightring calc focus --focal-mm 24 --f-number 2.8 --pixel-um 4.4
  nightring calc focus --focal-mm 24 --f-number 2.8 --pixel-um 4.4 --blur-px 2 --distance-m 10`,
    },
    trail: {
      summary: 'the longest exposure before stars trail',
      help: `
The fastest stars are those at declination 0. Off the axis of a wide lens trails are longer.

Example:
  nightring calc trail --focal-mm 24 --pixel-um 4.4 --trail-px 2 --off-axis-deg 40`,
    },
    sky: {
      summary: 'how long to expose for the sky given',
      help: `
For a green pixel of a colour sensor, typical in band and efficiency: sure to a factor of 1.5 at best. Sky brightness
is in magnitudes per square arc second: 22 natural darkness, 21 countryside, 19 suburb, 18 full Moon.

Example:
  nightring calc sky --f-number 2.8 --pixel-um 4.4 --sky-mag 21.5 --iso 3200 --exposure-s 15`,
    },
    offset: {
      summary: 'what a defocus means in blur, in distance and on the ring',
      help: `
Positive is focused in front of the star. Ring marks come from the calibration in the settings, at its focal length and
with the grating pitch known.

Example:
  nightring calc offset --focal-mm 24 --f-number 2.8 --pixel-um 4.4 --defocus-um 18`,
    },
    options: {
      focalMm: 'focal length, mm (as in the settings)',
      fNumber: 'f-number (as in the settings)',
      pixelUm: 'size of a sensor pixel, µm (of the camera body in the settings)',
      blurPx: 'blur let pass, sensor pixels (as in the settings, at first 1)',
      distanceM: 'distance focused on, m: what else is sharp then?',
      trailPx: 'trail let pass, sensor pixels (as in the settings, at first 1)',
      declinationDeg: 'declination of the stars, °',
      offAxisDeg: 'angle from the middle of the picture, °',
      skyMag: 'sky brightness, mag/arcsec² (as in the settings, at first 21)',
      exposureS: 'exposure, s (as in the settings, at first 10)',
      iso: 'ISO speed (as in the settings, at first 3200)',
      readNoiseE: 'read noise at that ISO, electrons (3)',
      transmission: 'share of the light that the lens lets through, up to 1 (0.8)',
      defocusUm: 'defocus on the sensor, µm',
      json: 'one JSON object, numbers unrounded, infinity as null',
    },
  },
  paper: {
    summary: 'print a ring tape, a field card for tonight, or a report of the last session, as PDF',
    tape: {
      summary: 'a scale in true size to glue round the focus ring, with marks where focus is to be expected',
      help: `
Measure the ring's diameter where the tape will lie. Marks are drawn where the notebook has the ring in mm or degrees.

Example:
  nightring paper tape --diameter-mm 72 --out tape.pdf`,
    },
    card: {
      summary: "one sheet with tonight's targets and where the ring will have to stand",
      help: `
Place, lens and camera body are those of the settings; times are of this machine's clock.

Example:
  nightring paper card --temperature-c 5 --out tonight.pdf`,
    },
    report: {
      summary: 'the last session: focus through the night, entries, and how the rings behave',
      help: `
Example:
  nightring paper report --paper letter --out session.pdf`,
    },
    out: 'PDF to write; an existing file is not overwritten',
    paper: 'a4 or letter',
    diameterMm: 'diameter of the focus ring, mm (of the lens in the kit)',
    temperatureC: 'temperature to predict for, °C (the last one written down)',
  },

  options: {
    focalMm: 'focal length, mm',
    fNumber: 'f-number',
    pixelUm: 'size on the sensor of one pixel of the picture, µm',
    mask: 'mask description, a JSON file',
    json: 'one JSON object per line, numbers unrounded',
    camera: 'camera, see below',
    frames: 'end after N frames',
    record: 'record frames and readings to a new folder',
    recordLimitMb: 'size of the recording, MB',
    speed: 'replay so many times as fast, or max: as fast as frames are measured',
    port: 'port to listen on (any free one)',
    data: "folder of notebook and settings (the user's data folder, or NIGHTRING_DATA)",
    serveCamera: 'camera to start with (the last one used, at first sim)',
    format: 'csv or json',
    output: 'file to write to',
    only: 'one part: notebook, kit or settings',
    lens: 'name of the lens, as in the notebook',
    temperatureC: 'temperature, °C',
    files: 'JPEG, PNG, TIFF, WebP or camera raw',
  },

  notNumber: 'It must be a number.',
  notPositive: 'It must be a number above 0.',
  notCount: 'It must be a whole number above 0.',
  notCamera: 'It must be sim, folder:PATH, replay:PATH, usb or a port such as ptpip:ADDRESS:PORT:PORT.',
  notLimit: 'It must be a whole number of MB, at least 20.',
  notSpeed: 'It must be a number above 0, or max.',
  notPort: 'It must be a whole number from 0 to 65535.',
  mask: {
    cannotRead: (path: string, code: string) =>
      `the mask file ${path} cannot be read (${code}); check its name and permissions`,
    notJson: (path: string) => `the mask file ${path} is not JSON; see "nightring measure --help" for an example`,
    invalid: (path: string, issue: string) =>
      `the mask file ${path} is not valid: ${issue}; see "nightring measure --help" for an example`,
  },

  file: {
    missing: 'there is no such file; check its name',
    folder: (path: string) => `a folder; to measure what is in it: nightring watch --camera folder:${path}`,
    cannotRead: (code: string) => `it cannot be opened (${code}); check its permissions`,
    tooLarge: (gigabytes: string) => `${gigabytes} GB is no picture`,
  },
  cannotRead: (path: string, code: string) => `${path} cannot be read (${code}); check its name and permissions`,
  unreadable: 'unreadable',
  noPattern: 'no pattern',
  offset: 'offset',
  defocus: 'defocus',
  signalToNoise: 'S/N',
  merged: 'spots overlap: rough',

  assumedMask:
    'No mask file: a half-and-quarters mask is assumed. Which way round it sits is not known, so the sign of defocus may be the other one, and ± is wider for it. Describe yours with --mask.',
  noDefocus: (missing: string) => `Defocus is not known: ${missing} missing.`,

  cameraLost: (name: string, why: string, retryInS: number) => `${name}: ${why}. Trying again in ${retryInS} s.`,
};
