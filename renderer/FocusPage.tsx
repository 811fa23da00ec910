import { useEffect, useState } from 'react';
import { focusDrive } from '../core/camera/drive.ts';
import { Balance } from './Balance.tsx';
import { CalibrationPanel } from './CalibrationPanel.tsx';
import { CameraLost, isLost } from './CameraLost.tsx';
import { Caution } from './Caution.tsx';
import { useCamera } from './camera.tsx';
import { DemoControls } from './DemoControls.tsx';
import { Facts } from './Facts.tsx';
import { InstructionPanel } from './InstructionPanel.tsx';
import { useKeys } from './keys.ts';
import { MotorPanel } from './MotorPanel.tsx';
import { useMagnify } from './magnify.ts';
import { Picture } from './Picture.tsx';
import { ReplayControls } from './ReplayControls.tsx';
import { StartLine } from './StartPanel.tsx';
import { useSession, useSessionState } from './session.ts';
import { BRIGHTNESS_STEPS, screenOf, useSettings } from './settings.ts';
import { strings } from './strings.ts';
import { Trend } from './Trend.tsx';

interface Props {
  /** Whether it opens with the calibration turn. */
  calibrates: boolean;
  onProve: () => void;
  onLog: () => void;
}

/** The main screen: what to do now beside the live picture; below it how the gaps stand and how they went. */
export function FocusPage({ calibrates, onProve, onLog }: Props) {
  const session = useSession();
  const { settings, changeScreen } = useSettings();
  const [calibrating, setCalibrating] = useState(calibrates);
  const [driving, setDriving] = useState(false);
  const magnify = useMagnify();
  const { driveFocus } = useCamera().roles;
  const hasMotor = driveFocus !== undefined && focusDrive(driveFocus) !== null;
  const lost = useSessionState(({ camera }) => isLost(camera));
  const { tint, sound, brightness } = screenOf(settings);
  // A camera that comes back finds its motor at rest.
  useEffect(() => {
    if (lost) setDriving(false);
  }, [lost]);

  // Whoever turns the ring again is not judged by an earlier test shot.
  useEffect(() => session.dismissTestShot(), [session]);
  const prove = () => {
    onProve();
    void session.takeTestShot();
  };
  const calibrate = () => {
    setDriving(false);
    setCalibrating(!calibrating);
  };
  const drive = () => {
    setCalibrating(false);
    setDriving(!driving);
  };
  const stepBrightness = (by: number) => {
    const at = BRIGHTNESS_STEPS.findIndex((step) => step >= brightness) + by;
    changeScreen({ brightness: BRIGHTNESS_STEPS[Math.min(BRIGHTNESS_STEPS.length - 1, Math.max(0, at))] });
  };
  const controls: { key: string; label: string; pressed?: boolean; act: () => void }[] = [
    { key: 'C', label: strings.controls.calibrate, pressed: calibrating, act: calibrate },
    ...(magnify
      ? [{ key: 'M', label: strings.controls.magnify, pressed: magnify.isMagnified, act: magnify.toggle }]
      : []),
    ...(hasMotor ? [{ key: 'F', label: strings.controls.motor, pressed: driving, act: drive }] : []),
    { key: 'P', label: strings.controls.testShot, act: prove },
    { key: 'L', label: strings.controls.log, act: onLog },
    { key: 'S', label: strings.controls.sound, pressed: sound, act: () => changeScreen({ sound: !sound }) },
    { key: 'T', label: strings.controls.tint, pressed: tint, act: () => changeScreen({ tint: !tint }) },
    { key: '−', label: strings.controls.dimmer, act: () => stepBrightness(-1) },
    { key: '+', label: strings.controls.brighter, act: () => stepBrightness(1) },
  ];
  const byKey = Object.fromEntries(controls.map(({ key, act }) => [key.toLowerCase(), act]));
  const nudge = magnify?.nudge;
  const arrows = nudge && {
    ArrowUp: () => nudge('up'),
    ArrowDown: () => nudge('down'),
    ArrowLeft: () => nudge('left'),
    ArrowRight: () => nudge('right'),
  };
  useKeys({ ...byKey, '-': byKey['−'], '=': byKey['+'], ...arrows });

  return (
    <div className="focus">
      <div className="strips">
        <Caution />
        <StartLine />
      </div>
      {lost ? (
        <CameraLost />
      ) : calibrating ? (
        <CalibrationPanel onClose={() => setCalibrating(false)} />
      ) : driving ? (
        <MotorPanel onClose={() => setDriving(false)} />
      ) : (
        <InstructionPanel onMagnify={magnify?.isMagnified ? undefined : magnify?.toggle} />
      )}
      <div className="view">
        <Picture />
        <div className="beside">
          <Facts />
          {/* While the motor moves nobody else turns the ring; and an open list would take the space bar. */}
          {!driving && <DemoControls />}
          {!driving && <ReplayControls />}
        </div>
      </div>
      <Balance />
      <Trend />
      <div className="controls" role="toolbar" aria-label={strings.controls.label}>
        {controls.map(({ key, label, pressed, act }) => (
          <button key={key} type="button" aria-pressed={pressed} onClick={act}>
            <kbd>{key}</kbd> {label}
          </button>
        ))}
      </div>
    </div>
  );
}
