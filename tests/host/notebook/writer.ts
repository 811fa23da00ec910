/** Child process of the notebook's tests: adds entries without end (or `count` of them) and reports each id once it is written down. */
import { setTimeout as sleep } from 'node:timers/promises';
import { Notebook } from '../../../host/notebook/notebook.ts';

const [path, target, count] = process.argv.slice(2);
const notebook = new Notebook(path);
for (let i = 0; i < Number(count ?? Number.POSITIVE_INFINITY); i++) {
  const { id } = notebook.add({ target, ringPosition: i });
  // Written straight away: the parent may end this process at any moment.
  process.stdout.write(`${id}\n`);
  // SQLite's writers do not queue: one that never pauses can keep another out for as long as that one waits.
  await sleep(10);
}
notebook.close();
