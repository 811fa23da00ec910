import { describe, expect, it } from 'vitest';
import {
  CHECKS,
  type Check,
  type CheckRole,
  lensReport,
  readiness,
  secondsOf,
} from '../../../core/camera/readiness.ts';
import { rolesOf } from '../../../core/camera/roles.ts';
import { bodyA, bodyB, changed } from './bodies.ts';

/** The virtual camera's clock. */
const CLOCK_MS = 1_767_304_800_000;

function look(config: typeof bodyA, nowMs = CLOCK_MS, fNumber: number | null = null): Record<CheckRole, Check> {
  const checks = readiness(config, rolesOf(config), nowMs, fNumber);
  expect(checks.map(({ role }) => role)).toEqual(CHECKS);
  return Object.fromEntries(checks.map((check) => [check.role, check])) as Record<CheckRole, Check>;
}

const statesOf = (checks: Record<CheckRole, Check>) =>
  Object.fromEntries(Object.values(checks).map(({ role, state }) => [role, state]));

describe('readiness', () => {
  it('is what the body reports; what it does not report is for the hand', () => {
    expect(statesOf(look(bodyA))).toEqual({
      focusMode: 'fine',
      stabilisation: 'by-hand',
      exposureMode: 'fine',
      iso: 'fine',
      shutter: 'fine',
      aperture: 'fine',
      magnify: 'change',
      battery: 'fine',
      card: 'change',
      clock: 'fine',
    });
    // This one's magnification cannot be read back.
    expect(statesOf(look(bodyB))).toMatchObject({ magnify: 'by-hand', card: 'fine', exposureMode: 'fine' });
    expect(Object.values(look([])).every(({ state, value }) => state === 'by-hand' && value === null)).toBe(true);
  });

  it('offers the one click that sets it right', () => {
    const checks = look(
      changed(bodyA, { focusmode: 'AF-C', iso: 'Auto', shutterspeed: 'Bulb', capturetarget: 'Internal RAM' }),
    );
    expect(checks.focusMode).toMatchObject({
      state: 'change',
      value: 'AF-C',
      writes: [{ name: 'focusmode', value: 'Manual' }],
    });
    expect(checks.iso).toMatchObject({ state: 'change', writes: [{ name: 'iso', value: '1600' }] });
    expect(checks.shutter).toMatchObject({ state: 'change', writes: [{ name: 'shutterspeed', value: '1.0000s' }] });
    expect(checks.card).toMatchObject({ state: 'change', writes: [{ name: 'capturetarget', value: 'Memory card' }] });
    expect(checks.magnify.writes).toEqual([{ name: 'liveviewimagezoomratio', value: '100%' }]);
  });

  it('offers none where only a hand can', () => {
    // The dial of the exposure programme is read-only.
    expect(look(changed(bodyA, { expprogram: 'A' })).exposureMode).toMatchObject({
      state: 'change',
      value: 'A',
      writes: null,
    });
    expect(look(changed(bodyA, { batterylevel: '39%' })).battery).toMatchObject({ state: 'change', writes: null });
    expect(look(changed(bodyB, { availableshots: '0' })).card).toMatchObject({ state: 'change', writes: null });
    // Where pictures go does not tell whether a card is in.
    expect(look(changed(bodyA, { capturetarget: 'Memory card' })).card).toMatchObject({
      state: 'by-hand',
      value: 'Memory card',
    });
  });

  it('guesses nothing from words it does not know', () => {
    expect(look(changed(bodyB, { batterylevel: 'Unknown value' })).battery.state).toBe('by-hand');
    expect(look(changed(bodyB, { batterylevel: 'Low' })).battery.state).toBe('change');
    expect(look(changed(bodyB, { aperture: 'implicit auto' })).aperture.state).toBe('by-hand');
    expect(look(changed(bodyA, { focusmode: '' })).focusMode.state).toBe('by-hand');
  });

  it('sets the clock, told in seconds ahead or behind', () => {
    expect(look(bodyA, CLOCK_MS + 59_000).clock).toMatchObject({ state: 'fine', value: '−59 s' });
    expect(look(bodyA, CLOCK_MS - 3_600_000).clock).toEqual({
      role: 'clock',
      state: 'change',
      value: '+3600 s',
      writes: [{ name: 'datetime', value: String(CLOCK_MS / 1000 - 3600) }],
    });
  });

  it('sets the aperture that the photographer means to use', () => {
    expect(look(bodyA, CLOCK_MS, 4).aperture.writes).toEqual([{ name: 'f-number', value: 'f/4' }]);
    expect(look(bodyA, CLOCK_MS, 2.8).aperture.state).toBe('fine');
    expect(look(bodyA, CLOCK_MS, 1.4).aperture).toMatchObject({ state: 'change', writes: null });
    expect(look(bodyB, CLOCK_MS, 4).aperture.writes).toMatchObject([{ name: 'aperture' }]);
  });

  it('does not call a fixed sensitivity what the body chooses by itself', () => {
    const auto = {
      name: 'isoauto',
      label: 'ISO Auto',
      type: 'choice',
      value: 'On',
      readOnly: false,
      choices: ['On', 'Off'],
    } as const;
    expect(look([...bodyA, { ...auto, choices: [...auto.choices] }]).iso).toMatchObject({
      state: 'change',
      value: 'Auto (1600)',
      writes: [{ name: 'isoauto', value: 'Off' }],
    });
  });
});

it('reads the lens from what the body reports', () => {
  expect(lensReport(rolesOf(bodyA))).toEqual({ lensName: null, focalMm: 24, fNumber: 2.8 });
  expect(lensReport(rolesOf(bodyB))).toEqual({ lensName: 'Test Lens 14-50mm f/2.8', focalMm: null, fNumber: 2.8 });
  // A mere number is no name.
  expect(lensReport(rolesOf(changed(bodyB, { lensname: '160' }))).lensName).toBeNull();
});

it('reads exposure times as drivers write them', () => {
  const times = { '1/125': 1 / 125, '0.0333s': 0.0333, '30': 30, '10/13': 10 / 13, '2 sec.': 2 };
  for (const [text, seconds] of Object.entries(times)) expect(secondsOf(text), text).toBeCloseTo(seconds, 9);
  for (const text of ['Bulb', 'Auto', '', 'Time', undefined]) expect(secondsOf(text)).toBeNull();
});
