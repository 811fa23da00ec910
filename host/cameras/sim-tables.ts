/** Thread of the simulated camera that computes pattern tables, so that its frames need not wait for them. */
import { parentPort, workerData } from 'node:worker_threads';
import { SimulatedWorld, type TableKey, type TableTile } from '../../core/simulator/world.ts';

export interface TableMessage {
  key: TableKey;
  table: TableTile[];
}

const world = new SimulatedWorld(workerData);

parentPort!.on('message', (key: TableKey) => {
  const table = world.patternTable(key);
  const message: TableMessage = { key, table };
  parentPort!.postMessage(
    message,
    table.flatMap(({ image }) => image.planes.map((plane) => plane.buffer as ArrayBuffer)),
  );
});
