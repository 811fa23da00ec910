/** Thread of the simulated camera that takes one still: live view goes on meanwhile. */
import { parentPort, workerData } from 'node:worker_threads';
import type { Scenario } from '../../core/simulator/scenario.ts';
import type { Scene } from '../../core/simulator/scene.ts';
import { exposeStill } from '../../core/simulator/still.ts';

const { scene, scenario } = workerData as { scene: Scene; scenario: Scenario };
parentPort!.postMessage(exposeStill(scene, scenario));
