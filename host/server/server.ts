import { once } from 'node:events';
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { dirname, join } from 'node:path';
import { getRequestListener } from '@hono/node-server';
import { RECORDINGS_FOLDER } from '../datafolder.ts';
import type { Notebook } from '../notebook/notebook.ts';
import { Access } from './access.ts';
import { createApp } from './app.ts';
import { serveLive } from './live.ts';
import type { SettingsFile } from './settings.ts';
import { Station } from './station.ts';

export interface HostOptions {
  notebook: Notebook;
  settings: SettingsFile;
  /** Camera to start with; by default the one in the settings. */
  camera?: string;
  /** 0 for any free one. */
  port?: number;
  /** The built interface. */
  pageFolder?: string;
}

export interface RunningHost {
  /** The page's address, with the token that lets a browser in. */
  url: string;
  close(): Promise<void>;
}

/**
 * Starts camera, API and page on the loopback address.
 * @throws Error with one line when the port is taken
 */
export async function startHost(options: HostOptions): Promise<RunningHost> {
  const { notebook, settings, port = 0 } = options;
  const pageFolder = options.pageFolder ?? join(import.meta.dirname, '..', '..', 'dist');
  const recordings = join(dirname(settings.path), RECORDINGS_FOLDER);
  const station = new Station();
  const server = createServer();
  server.listen(port, '127.0.0.1');
  await once(server, 'listening').catch((error: NodeJS.ErrnoException) => {
    throw new Error(
      error.code === 'EADDRINUSE'
        ? `port ${port} is in use; name another one, or leave --port out`
        : `port ${port} cannot be used (${error.code}); leave --port out`,
    );
  });
  // The port is part of what is checked, and known only now.
  const access = new Access((server.address() as AddressInfo).port);
  const app = createApp({ access, station, notebook, settings, pageFolder, recordings });
  server.on('request', getRequestListener(app.fetch));
  const live = serveLive(server, access, station);
  await station.choose(options.camera ?? settings.get().camera);
  return {
    url: `http://127.0.0.1:${access.port}/?token=${access.token}`,
    async close() {
      live.close();
      server.closeAllConnections();
      await Promise.all([station.close(), new Promise((done) => server.close(done))]);
    },
  };
}
