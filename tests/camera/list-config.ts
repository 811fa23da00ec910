/**
 * Prints what libgphoto2's own command line says of the virtual camera for `--list-all-config`: the
 * fixtures of tests/core/camera. Makers' words in the driver's labels are left out.
 * Usage: node tests/camera/list-config.ts 0x0A > tests/reference/fixtures/config-0x0A.txt
 */
import { execFile } from 'node:child_process';
import { mkdtempSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { promisify } from 'node:util';
import { type DialectName, VirtualCamera } from './virtual/camera.ts';

const dialect = process.argv[2] as DialectName;
const camera = await VirtualCamera.start({ frame: () => Buffer.from('ffd8ffd9', 'hex') }, { dialect });
const args = ['--port', camera.port, '--camera', 'PTP/IP Camera', '--list-all-config'];
const env = { ...process.env, HOME: mkdtempSync(join(tmpdir(), 'nightring-list-')) };
const { stdout } = await promisify(execFile)('gphoto2', args, { env });
await camera.stop();

const words = /\b(Nikon|Canon EOS|Canon) /g;
// Raw properties without a driver's own words are hundreds of lines and serve no role.
const blocks = stdout.split(/^END\n/m).filter((block) => !block.startsWith('/main/other/'));
process.stdout.write(`${blocks.map((block) => block.replaceAll(words, '')).join('END\n')}`);
process.exit();
