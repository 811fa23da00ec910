import { EventEmitter } from 'node:events';
import { expect, it, vi } from 'vitest';

// Electron's binary is not run here: a stand-in of its interface sees what the shell asks for.
const PAGE = 'http://127.0.0.1:40123/?token=abc';
const asked = vi.hoisted(() => ({ loaded: '', blocker: '', quit: 0, request: null as never, check: null as never }));
type Request = (
  page: null,
  permission: string,
  decide: (yes: boolean) => void,
  details: { requestingUrl: string; mediaTypes?: string[] },
) => void;
type Check = (page: null, permission: string, origin: string, details: { mediaType?: string }) => boolean;

vi.mock('electron', async () => {
  const { EventEmitter } = await import('node:events');
  const app = Object.assign(new EventEmitter(), {
    whenReady: () => Promise.resolve(),
    quit: () => asked.quit++,
    getAppPath: () => '',
  });
  class BrowserWindow {
    async loadURL(url: string) {
      asked.loaded = url;
    }
  }
  const defaultSession = {
    setPermissionRequestHandler: (handler: never) => {
      asked.request = handler;
    },
    setPermissionCheckHandler: (handler: never) => {
      asked.check = handler;
    },
  };
  const powerSaveBlocker = {
    start: (kind: string) => {
      asked.blocker = kind;
    },
  };
  return { app, BrowserWindow, dialog: {}, powerSaveBlocker, session: { defaultSession } };
});

it('opens the page it is given, keeps the screen on, and lets the page out nowhere', async () => {
  vi.stubEnv('NIGHTRING_URL', PAGE);
  const { app } = await import('electron');
  await import('../../electron/main.ts');
  await vi.waitFor(() => expect(asked.loaded).toBe(PAGE));
  expect(asked.blocker).toBe('prevent-display-sleep');

  const granted: boolean[] = [];
  for (const mediaTypes of [['video'], ['audio'], ['video', 'audio'], undefined])
    (asked.request as Request)(null, 'media', (yes) => granted.push(yes), { requestingUrl: PAGE, mediaTypes });
  (asked.request as Request)(null, 'fullscreen', (yes) => granted.push(yes), { requestingUrl: PAGE });
  expect(granted).toEqual([true, false, false, false, true]);
  const check = (permission: string, mediaType?: string) =>
    (asked.check as Check)(null, permission, 'http://127.0.0.1:40123/', { mediaType });
  expect([check('geolocation'), check('media', 'audio'), check('media', 'video')]).toEqual([false, false, true]);

  let openWindow = (): { action: string } => ({ action: 'not asked' });
  const contents = Object.assign(new EventEmitter(), {
    setWindowOpenHandler: (handler: typeof openWindow) => {
      openWindow = handler;
    },
  });
  app.emit('web-contents-created', {}, contents);
  expect(openWindow()).toEqual({ action: 'deny' });
  const refused = (event: string, url: string) => {
    const preventDefault = vi.fn();
    contents.emit(event, { url, preventDefault });
    return preventDefault.mock.calls.length === 1;
  };
  expect(refused('will-navigate', 'https://example.org/')).toBe(true);
  expect(refused('will-navigate', PAGE)).toBe(false);
  expect(refused('will-attach-webview', PAGE)).toBe(true);

  app.emit('window-all-closed');
  expect(asked.quit).toBe(1);
});
