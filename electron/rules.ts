/** What the window may do: everything the page asks for is refused unless listed here. */
import type { BrowserWindowConstructorOptions } from 'electron';

/** Options of the one window: the page runs sandboxed, with no Node and no preload script. */
export const WINDOW_OPTIONS: BrowserWindowConstructorOptions = {
  width: 1280,
  height: 800,
  // Black before the page paints: a white flash would cost the user's night vision.
  backgroundColor: '#000000',
  autoHideMenuBar: true,
  webPreferences: {
    contextIsolation: true,
    sandbox: true,
    nodeIntegration: false,
    nodeIntegrationInWorker: false,
    webSecurity: true,
    webviewTag: false,
    // Guidance must sound without a click, and go on when the window is covered.
    autoplayPolicy: 'no-user-gesture-required',
    backgroundThrottling: false,
  },
};

const GRANTED: ReadonlySet<string> = new Set(['fullscreen']);

/**
 * Whether a page at `requestingUrl` gets a permission, given the host's link.
 * @param media with 'media': what is asked for; capture devices are measured, nothing listens
 */
export function isGranted(
  permission: string,
  requestingUrl: string,
  hostUrl: string,
  media: readonly (string | undefined)[] = [],
): boolean {
  const isVideo = permission === 'media' && media.length > 0 && media.every((type) => type === 'video');
  return (isVideo || GRANTED.has(permission)) && isHostPage(requestingUrl, hostUrl);
}

/** Whether a URL belongs to the host's own pages: same scheme, address and port. */
export function isHostPage(url: string, hostUrl: string): boolean {
  const parsed = URL.parse(url);
  return parsed !== null && parsed.protocol === 'http:' && parsed.origin === new URL(hostUrl).origin;
}
