import { useEffect, useState } from 'react';
import { DEFAULT_RECORDING_MB, type RecordingInfo } from '../host/api.ts';
import { api } from './api.ts';
import { NumberField, SelectField } from './fields.tsx';
import { useKeys } from './keys.ts';
import { useSessionState } from './session.ts';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.recording;
/** MB; as the host takes them. */
const LIMITS: [number, number] = [20, 1e7];

/** Records what the camera shows, and replays what was recorded. */
export function RecordingSettings({ onReplay }: { onReplay: (camera: string) => Promise<void> }) {
  const { settings, change } = useSettings();
  const recording = useSessionState((state) => state.recording);
  const [recordings, setRecordings] = useState<RecordingInfo[]>([]);
  const [problem, setProblem] = useState<string | null>(null);
  const isOn = recording.state === 'recording';
  useEffect(() => {
    if (!isOn) api.recordings().then(setRecordings, () => {});
  }, [isOn]);
  const say = (error: Error) => setProblem(error.message);
  const toggle = () => (isOn ? api.stopRecording() : api.record()).then(() => setProblem(null), say);
  useKeys({ r: () => void toggle() });
  return (
    <section className="panel" aria-labelledby="recording-title">
      <h2 id="recording-title">{words.title}</h2>
      <button type="button" aria-pressed={isOn} onClick={() => void toggle()}>
        <kbd>R</kbd> {isOn ? words.stop : words.start}
      </button>
      {recording.frames > 0 && (
        <>
          <meter
            aria-label={words.meter}
            min={0}
            max={recording.limitBytes}
            value={Math.min(recording.bytes, recording.limitBytes)}
          />
          <p>{words.held(recording)}</p>
        </>
      )}
      {recording.state === 'stopped' && <p role="alert">{words.stopped(recording.message)}</p>}
      {problem && <p role="alert">{problem}</p>}
      <NumberField
        label={words.limitMb}
        hint={words.limitHint}
        value={settings.recordingLimitMb}
        range={LIMITS}
        onCommit={(limit) => change({ recordingLimitMb: limit ?? DEFAULT_RECORDING_MB })}
      />
      {recordings.length > 0 && (
        <SelectField
          label={words.replay}
          hint={words.where(recordings[0])}
          value=""
          options={[
            { value: '', label: words.choose },
            ...recordings.map((info) => ({ value: `replay:${info.folder}`, label: words.recorded(info) })),
          ]}
          onCommit={(camera) => camera && onReplay(camera).catch(say)}
        />
      )}
    </section>
  );
}
