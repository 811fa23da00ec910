import { describe, expect, it } from 'vitest';
import { parseConfigList } from '../../../core/camera/config.ts';
import { focusDrive } from '../../../core/camera/drive.ts';
import { magnificationOf, magnifier } from '../../../core/camera/magnify.ts';
import { isAction, proposeRoles, ROLES, rolesOf } from '../../../core/camera/roles.ts';
import { bodyA, bodyB, printed, printedKeys, printedUnknown } from './bodies.ts';

const namesOf = (config: Parameters<typeof rolesOf>[0], accepted?: Parameters<typeof rolesOf>[1]) =>
  Object.fromEntries(Object.entries(rolesOf(config, accepted)).map(([role, value]) => [role, value.name]));

describe('a pasted list', () => {
  it('is read as the command line printed it, and as our own JSON', () => {
    expect(bodyA.find(({ name }) => name === 'f-number')).toEqual({
      name: 'f-number',
      label: 'F-Number',
      type: 'choice',
      value: 'f/2.8',
      readOnly: false,
      choices: ['f/2.8', 'f/4', 'f/5.6', 'f/8'],
    });
    expect(bodyA.find(({ name }) => name === 'manualfocusdrive')).toMatchObject({
      type: 'range',
      range: { min: -32767, max: 32767, step: 1 },
    });
    expect(parseConfigList(JSON.stringify(bodyB))).toEqual(bodyB);
    expect(parseConfigList(printed['0x0A'].replaceAll('\n', '\r\n'))).toEqual(bodyA);
    // What a terminal puts before and after it does no harm.
    expect(parseConfigList(`$ gphoto2 --list-all-config\n${printed['0x0A']}$ `)).toEqual(bodyA);
  });

  it.each(['', 'hello', '[1, 2]', '{"a":1}', '[', '/main/settings/iso\n/main/settings/f-number'])(
    'is refused in one line when it is none: %j',
    (text) => {
      expect(() => parseConfigList(text)).toThrow(/^this is no configuration list; paste all that .* prints$/);
    },
  );
});

describe('roles', () => {
  it('are found on a body that counts focus steps and lists zoom ratios', () => {
    expect(namesOf(bodyA)).toEqual({
      focusMode: 'focusmode',
      exposureMode: 'expprogram',
      iso: 'iso',
      shutter: 'shutterspeed',
      aperture: 'f-number',
      magnify: 'liveviewimagezoomratio',
      magnifyArea: 'changeafarea',
      driveFocus: 'manualfocusdrive',
      battery: 'batterylevel',
      card: 'capturetarget',
      clock: 'datetime',
      focalMm: 'focallength',
    });
  });

  it('are found on a body that knows near and far and takes zoom as text', () => {
    expect(namesOf(bodyB)).toEqual({
      focusMode: 'focusmode',
      exposureMode: 'autoexposuremode',
      iso: 'iso',
      shutter: 'shutterspeed',
      aperture: 'aperture',
      magnify: 'eoszoom',
      magnifyArea: 'eoszoomposition',
      driveFocus: 'manualfocusdrive',
      battery: 'batterylevel',
      card: 'availableshots',
      clock: 'datetime',
      lensName: 'lensname',
    });
  });

  it('are left to the hand on a body that nobody knows, and only proposed from its words', () => {
    const unknown = parseConfigList(printedUnknown);
    expect(rolesOf(unknown)).toEqual({});
    const proposal = proposeRoles(unknown);
    expect(proposal.map(({ role }) => role)).toEqual([...ROLES]);
    expect(proposal.filter(({ from }) => from !== 'none')).toMatchObject([
      { role: 'focusMode', value: { name: 'afm' }, from: 'label' },
      { role: 'stabilisation', value: { name: 'vr9' }, from: 'label' },
    ]);
  });

  it('follow what the user accepted, for that body only', () => {
    const model = {
      name: 'cameramodel',
      label: 'Camera Model',
      type: 'text',
      value: 'Invented',
      readOnly: true,
    } as const;
    const unknown = [...parseConfigList(printedUnknown), model];
    const accepted = [{ body: 'Invented', names: { stabilisation: 'vr9', focusMode: null } }];
    expect(namesOf(unknown, accepted)).toEqual({ stabilisation: 'vr9' });
    expect(namesOf(bodyA, accepted)).toEqual(namesOf(bodyA));
    // "By hand" is kept, too.
    expect(namesOf([...bodyA.filter(({ name }) => name !== 'cameramodel'), model], accepted)).not.toHaveProperty(
      'focusMode',
    );
  });

  it('tell what does something from what sets something', () => {
    for (const name of ['manualfocusdrive', '/main/actions/manualfocusdrive', 'focusMotor', 'remotekeyup'])
      expect(isAction(name), name).toBe(true);
    for (const name of [
      'iso',
      'liveviewimagezoomratio',
      'eoszoom',
      'eoszoomposition',
      'changeafarea',
      'ring',
      'magnification',
    ])
      expect(isAction(name), name).toBe(false);
  });
});

describe('the focus motor', () => {
  const drive = (config: typeof bodyA) => focusDrive(rolesOf(config).driveFocus!)!;

  it('is moved by signed steps, in parts that a stop can come between', () => {
    const motor = drive(bodyA);
    expect(motor.sizes).toEqual([{ nominal: 1, most: 2000 }]);
    expect(motor.writes({ side: -1, size: 0, count: 450 })).toEqual([
      { name: 'manualfocusdrive', value: '-200' },
      { name: 'manualfocusdrive', value: '-200' },
      { name: 'manualfocusdrive', value: '-50' },
    ]);
  });

  it('is moved near and far in three sizes', () => {
    const motor = drive(bodyB);
    expect(motor.sizes.map(({ nominal }) => nominal)).toEqual([1, 5, 20]);
    expect(motor.writes({ side: 1, size: 2, count: 2 })).toEqual(
      Array(2).fill({ name: 'manualfocusdrive', value: 'Far 3' }),
    );
    expect(motor.writes({ side: -1, size: 0, count: 1 })).toEqual([{ name: 'manualfocusdrive', value: 'Near 1' }]);
  });

  it('is moved by signed sizes', () => {
    const motor = drive(parseConfigList(printedKeys));
    expect(motor.sizes.map(({ nominal }) => nominal)).toEqual([1, 4, 7]);
    expect(motor.writes({ side: -1, size: 1, count: 1 })).toEqual([{ name: 'manualfocus', value: '-4' }]);
  });

  it('is left to the hand in a form that is not known', () => {
    const range = { min: 0, max: 900, step: 1 };
    const value = { name: 'x', label: 'x', type: 'range', value: '3', readOnly: false, range } as const;
    expect(focusDrive(value)).toBeNull();
    expect(focusDrive({ ...value, range: { ...range, min: -900 }, readOnly: true })).toBeNull();
    expect(focusDrive({ ...value, type: 'choice', choices: ['a', 'b'] })).toBeNull();
  });
});

describe('magnifying', () => {
  const lens = (config: typeof bodyA) => magnifier(rolesOf(config), config)!;
  const star = { x: 0.75, y: 0.25 };
  const sensor = { x: 6000, y: 4000 };

  it('goes about the star to one sensor pixel for each of the picture, on a list of ratios', () => {
    const body = lens(bodyA);
    expect(body).toMatchObject({ levels: ['Entire Display', '25%', '50%', '100%'], level: 0 });
    expect(body.writes(3, star, sensor)).toEqual([
      { name: 'changeafarea', value: '4500x1000' },
      { name: 'liveviewimagezoomratio', value: '100%' },
    ]);
    // Without the sensor's size, where the body has it.
    expect(body.writes(3, star, null)).toEqual([{ name: 'liveviewimagezoomratio', value: '100%' }]);
    expect(body.writes(0, star, sensor)).toEqual([{ name: 'liveviewimagezoomratio', value: 'Entire Display' }]);
  });

  it('goes by number and corner, and does not claim to know the level', () => {
    const body = lens(bodyB);
    expect(body).toMatchObject({ levels: ['1', '5', '10'], level: null });
    expect([1, 5, 7].map(body.levelAt)).toEqual([0, 1, null]);
    expect(body.writes(1, star, sensor)).toEqual([
      { name: 'eoszoom', value: '5' },
      { name: 'eoszoomposition', value: '3900,600' },
    ]);
    // At the edge the part shown stays inside.
    expect(body.writes(2, { x: 1, y: 0 }, sensor)[1].value).toBe('5400,0');
  });

  it('goes by keys: press and let go', () => {
    const body = lens(parseConfigList(printedKeys));
    expect(body.writes(1, star, sensor)).toEqual([
      { name: 'focusmagnifier', value: '1' },
      { name: 'focusmagnifier', value: '0' },
    ]);
    expect(body.writes(0, null, null)[0].name).toBe('focusmagnifierexit');
    expect(body.nudge!('left')[0].name).toBe('remotekeyleft');
  });

  it('goes by a level that carries its position', () => {
    const text =
      '/main/a/focusmagnifier\nLabel: x\nReadonly: 0\nType: RADIO\nCurrent: Off,320,240\nChoice: 0 Off\nChoice: 1 4\nChoice: 2 8\nEND';
    const body = lens(parseConfigList(text));
    expect(body.level).toBe(0);
    expect(body.writes(2, star, null)).toEqual([{ name: 'focusmagnifier', value: '8,479,120' }]);
  });

  it('tells the magnification only where the driver does', () => {
    expect(magnificationOf('liveviewimagezoomratio', 'Entire Display')).toBe(1);
    expect(magnificationOf('/main/capturesettings/liveviewimagezoomratio', '100%')).toBeNull();
    expect(magnificationOf('eoszoom', '5')).toBe(5);
    expect(magnificationOf('eoszoom', '0')).toBeNull();
    expect(magnificationOf('focusmagnifier', '8,479,120')).toBe(8);
    expect(magnificationOf('iso', '100')).toBeUndefined();
  });
});
