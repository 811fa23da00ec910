/** The host's HTTP interface as the screen uses it. Every failure is an Error with one line for the user. */
import type { ConfigWrite } from '../core/camera/config.ts';
import type {
  CameraInfo,
  ConfigValue,
  Entry,
  FrameHeader,
  ImportResult,
  NewEntry,
  NotebookState,
  PaperQuery,
  RecordingInfo,
  Settings,
} from '../host/api.ts';
import { strings } from './strings.ts';

/** What the host refused; `code` is the camera's, see CameraErrorCode. */
export class HostError extends Error {
  override name = 'HostError';
  readonly code: string | undefined;
  constructor(message: string, code?: string) {
    super(message);
    this.code = code;
  }
}

async function request(
  method: string,
  path: string,
  body?: string | Blob,
  options?: Pick<RequestInit, 'signal' | 'keepalive'>,
): Promise<Response> {
  const headers = { 'content-type': 'application/json' };
  const response = await fetch(`/api/${path}`, { method, body, headers, ...options }).catch(() => {
    throw new Error(strings.hostGone);
  });
  if (response.ok) return response;
  const answer = await response.json().catch(() => null);
  throw new HostError(answer?.error ?? strings.hostRefused(response.status), answer?.code);
}

const still = async (response: Response): Promise<{ header: FrameHeader; bytes: Uint8Array<ArrayBuffer> }> => ({
  header: JSON.parse(response.headers.get('x-frame')!),
  bytes: new Uint8Array(await response.arrayBuffer()),
});

const get = async <T>(path: string): Promise<T> => (await request('GET', path)).json();

/** Where printers hold Letter paper (Unicode CLDR, paperSize). */
const LETTER_COUNTRIES = /-(BZ|CA|CL|CO|CR|GT|MX|NI|PA|PH|PR|SV|US|VE)$/;

export const api = {
  cameras: () => get<CameraInfo[]>('cameras'),
  chooseCamera: (name: string) => request('POST', 'camera', JSON.stringify({ name })),
  /** Has the desktop let go of the camera, and tries it again. */
  freeCamera: () => request('POST', 'camera/free'),
  config: () => get<ConfigValue[]>('camera/config'),
  setConfig: (name: string, value: string) => request('PUT', 'camera/config', JSON.stringify({ name, value })),
  /** Sets values in this order; the host goes on only as long as somebody waits for its answer. */
  writeSequence: (writes: readonly ConfigWrite[]) => request('POST', 'camera/sequence', JSON.stringify({ writes })),
  /** Steps of the focus motor, never repeated; how many were done. */
  drive: async (writes: readonly ConfigWrite[], signal: AbortSignal): Promise<number> => {
    const answer = await request('POST', 'camera/sequence', JSON.stringify({ writes, once: true }), { signal });
    return (await answer.json()).done;
  },
  stopSequence: () => request('DELETE', 'camera/sequence'),
  capture: async () => still(await request('POST', 'camera/capture')),
  /** A picture file as the screen can decode it. */
  picture: async (file: File) => still(await request('POST', `picture?name=${encodeURIComponent(file.name)}`, file)),
  record: () => request('POST', 'recording'),
  /** A picture that did not come from the host; what the recording makes of its header. */
  recordFrame: async (header: FrameHeader, picture: Blob): Promise<FrameHeader> =>
    (await request('POST', `recording/frame?header=${encodeURIComponent(JSON.stringify(header))}`, picture)).json(),
  stopRecording: () => request('DELETE', 'recording'),
  recordings: () => get<RecordingInfo[]>('recordings'),
  settings: () => get<Settings>('settings'),
  /** @param isLast the page is about to go: the request outlives it (Fetch standard, keepalive; up to 64 KiB) */
  saveSettings: (settings: Settings, isLast = false) =>
    request('PUT', 'settings', JSON.stringify(settings), { keepalive: isLast }),
  entries: () => get<Entry[]>('entries'),
  addEntry: (draft: NewEntry) => request('POST', 'entries', JSON.stringify(draft)),
  changeEntry: (id: string, draft: NewEntry) => request('PUT', `entries/${id}`, JSON.stringify(draft)),
  removeEntry: (id: string) => request('DELETE', `entries/${id}`),
  /** @param text a file saved by Nightring, JSON or CSV */
  takeOver: async (text: string): Promise<ImportResult> => (await request('POST', 'import', text)).json(),
  /** A sheet to print, as PDF. @param temperatureC to predict the ring for, null: the last one written down */
  async paper(sheet: 'tape' | 'card' | 'report', temperatureC: number | null): Promise<Blob> {
    const query: PaperQuery = {
      paper: LETTER_COUNTRIES.test(navigator.language) ? 'letter' : 'a4',
      zoneMinutes: -new Date().getTimezoneOffset(),
      ...(temperatureC !== null && { temperatureC }),
    };
    const text = new URLSearchParams(Object.entries(query).map(([name, value]) => [name, String(value)]));
    return (await request('GET', `paper/${sheet}.pdf?${text}`)).blob();
  },
  notebook: () => get<NotebookState>('notebook'),
  restoreNotebook: () => request('POST', 'notebook/restore'),
};
