import { useSessionState } from './session.ts';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

/** Camera, lens and counters, small. Only a change of state is spoken. */
export function StatusBar() {
  const camera = useSessionState((state) => state.camera);
  const link = useSessionState((state) => state.link);
  const failure = useSessionState((state) => state.visionFailure);
  const framesPerS = useSessionState((state) => rounded(state.track?.framesPerS ?? null));
  const toScreenMs = useSessionState((state) => rounded(state.toScreenMs));
  const recordedBytes = useSessionState(({ recording }) => (recording.state === 'recording' ? recording.bytes : null));
  const { settings } = useSettings();
  return (
    <div className="status">
      <span role="status">
        {failure !== null ? strings.vision.failed(failure) : strings.camera.state(link, camera)}
      </span>
      <span>{strings.opticsSummary(settings)}</span>
      <span>
        {framesPerS !== null && toScreenMs !== null && `${strings.camera.speed(framesPerS, toScreenMs)} · `}
        {strings.camera.dropped(camera.dropped)}
        {recordedBytes !== null && ` · ${strings.recording.running(recordedBytes)}`}
      </span>
    </div>
  );
}

function rounded(value: number | null): number | null {
  return value === null ? null : Math.round(value);
}
