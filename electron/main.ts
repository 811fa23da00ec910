/**
 * The window. Electron runs this file as it is: its Node strips types, as Node 24 does. During
 * development the host already runs and NIGHTRING_URL names its page; the packed program starts its
 * own. The page is all there is: no preload, no messages between page and shell.
 */
import { app, BrowserWindow, dialog, powerSaveBlocker, session } from 'electron';
import { type RunningHost, startHost } from './host.ts';
import { isGranted, isHostPage, WINDOW_OPTIONS } from './rules.ts';

let host: RunningHost | null = null;

// Not awaited here: Electron is ready only after this file has run to its end.
app
  .whenReady()
  .then(start)
  .catch((error: Error) => {
    dialog.showErrorBox('Nightring', error.message);
    app.quit();
  });

async function start(): Promise<void> {
  let url = process.env.NIGHTRING_URL;
  if (!url) {
    host = await startHost(process.execPath, app.getAppPath());
    host.ended.then(() => app.quit());
    url = host.url;
  }
  await openWindow(url);
}

async function openWindow(url: string): Promise<void> {
  session.defaultSession.setPermissionRequestHandler((_page, permission, decide, details) =>
    decide(isGranted(permission, details.requestingUrl, url, 'mediaTypes' in details ? details.mediaTypes : [])),
  );
  session.defaultSession.setPermissionCheckHandler((_page, permission, origin, { mediaType }) =>
    isGranted(permission, origin, url, [mediaType]),
  );
  app.on('web-contents-created', (_event, contents) => {
    contents.setWindowOpenHandler(() => ({ action: 'deny' }));
    contents.on('will-navigate', (event) => {
      if (!isHostPage(event.url, url)) event.preventDefault();
    });
    contents.on('will-attach-webview', (event) => event.preventDefault());
  });
  // The screen must not go dark while the user stands at the tripod.
  powerSaveBlocker.start('prevent-display-sleep');
  await new BrowserWindow(WINDOW_OPTIONS).loadURL(url);
}

app.on('window-all-closed', () => app.quit());
app.on('will-quit', (event) => {
  if (!host) return;
  event.preventDefault();
  const running = host;
  host = null;
  running.stop().then(() => app.quit());
});
