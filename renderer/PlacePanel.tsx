import { type ChangeEvent, useState } from 'react';
import { compassPoint, type Place } from '../core/sky/place.ts';
import { type Gps, readGps } from '../host/decode/gps.ts';
import { api } from './api.ts';
import { NumberField, SelectField, TextField } from './fields.tsx';
import { usePlace } from './place.ts';
import { useSettings } from './settings.ts';
import { strings } from './strings.ts';

const words = strings.place;

/** Sixteen compass points, and none. */
const DIRECTIONS = [
  { value: '', label: words.notDecided },
  ...Array.from({ length: 16 }, (_, i) => ({ value: String(22.5 * i), label: compassPoint(22.5 * i) })),
];

/** Where the tripod stands: typed, or as a picture's own position tells. */
export function PlacePanel() {
  const { settings, change } = useSettings();
  const { liveExposureS } = settings;
  const place = usePlace();
  const [changing, setChanging] = useState(false);
  const set = (patch: Partial<Place>) => place && change({ place: { ...place, ...patch } });
  return (
    <section className="panel" aria-labelledby="place-title">
      <div className="row">
        <h2 id="place-title">{words.title}</h2>
        {place && (
          <button type="button" aria-expanded={changing} onClick={() => setChanging(!changing)}>
            {changing ? words.done : words.change}
          </button>
        )}
      </div>
      {place && !changing && <p>{words.summary(place)}</p>}
      {!place && <p>{words.unknown}</p>}
      {(!place || changing) && <PlaceFields place={place} />}
      {place && (
        <>
          <div className="pair">
            <SelectField
              label={words.towards}
              value={place.towardsDeg === null ? '' : String((Math.round(place.towardsDeg / 22.5) % 16) * 22.5)}
              options={DIRECTIONS}
              onCommit={(value) => set({ towardsDeg: value === '' ? null : Number(value) })}
            />
            <NumberField
              label={words.horizon}
              value={place.horizonDeg}
              range={[0, 85]}
              onCommit={(horizonDeg) => set({ horizonDeg: horizonDeg ?? 0 })}
            />
          </div>
          <NumberField
            label={words.exposure}
            hint={words.exposureHint}
            value={liveExposureS}
            min={0}
            onCommit={(exposureS) => change({ liveExposureS: exposureS })}
          />
        </>
      )}
    </section>
  );
}

/** A place needs both its numbers; what is typed waits until both are there. */
function PlaceFields({ place }: { place: Place | null }) {
  const { change } = useSettings();
  const [draft, setDraft] = useState<{ latitudeDeg: number | null; longitudeDeg: number | null }>({
    latitudeDeg: place?.latitudeDeg ?? null,
    longitudeDeg: place?.longitudeDeg ?? null,
  });
  const [problem, setProblem] = useState<string | null>(null);

  const keep = (patch: Partial<Place>) => {
    const { latitudeDeg, longitudeDeg } = { ...draft, ...patch };
    setDraft({ latitudeDeg, longitudeDeg });
    if (latitudeDeg === null || longitudeDeg === null) return;
    const rest = place ?? { name: '', elevationM: 0, horizonDeg: 10, towardsDeg: null };
    change({ place: { ...rest, ...patch, latitudeDeg, longitudeDeg } });
  };
  const readFrom = async (picture: () => Promise<Uint8Array | ArrayBuffer>) => {
    const gps: Gps | null | Error = await picture().then(readGps, (error: Error) => error);
    if (gps instanceof Error || gps === null) return setProblem(gps ? gps.message : words.noGps);
    setProblem(null);
    const { latitudeDeg, longitudeDeg, elevationM } = gps;
    keep({ latitudeDeg, longitudeDeg, elevationM: Math.round(elevationM), name: '' });
  };
  const chooseFile = ({ target }: ChangeEvent<HTMLInputElement>) => {
    const file = target.files?.[0];
    if (file) void readFrom(() => file.arrayBuffer());
    target.value = '';
  };
  return (
    <>
      <TextField label={words.name} value={place?.name ?? ''} onCommit={(name) => keep({ name })} />
      <div className="pair">
        <NumberField
          label={words.latitude}
          value={draft.latitudeDeg}
          range={[-90, 90]}
          onCommit={(latitudeDeg) => latitudeDeg !== null && keep({ latitudeDeg })}
        />
        <NumberField
          label={words.longitude}
          value={draft.longitudeDeg}
          range={[-180, 180]}
          onCommit={(longitudeDeg) => longitudeDeg !== null && keep({ longitudeDeg })}
        />
        <NumberField
          label={words.elevation}
          value={place?.elevationM ?? null}
          range={[-450, 9000]}
          onCommit={(elevationM) => keep({ elevationM: elevationM ?? 0 })}
        />
      </div>
      <small className="soft">{words.coordinatesHint}</small>
      <div className="row">
        <label className="button file">
          {words.fromPicture}
          <input type="file" accept="image/*,.dng,.nef,.cr2,.cr3,.arw,.raf,.orf,.rw2" onChange={chooseFile} />
        </label>
        <button type="button" onClick={() => void readFrom(async () => (await api.capture()).bytes)}>
          {words.fromCamera}
        </button>
      </div>
      {problem && <p role="alert">{problem}</p>}
    </>
  );
}
