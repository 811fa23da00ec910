/** CPU time and memory of running processes and all their children, from Linux's /proc (proc(5)). */
import { readdirSync, readFileSync } from 'node:fs';

/** Kernel's clock ticks a second, as /proc counts them on all Linux machines in use. */
const TICKS_PER_S = 100;

interface Running {
  pid: number;
  parent: number;
  cpuS: number;
}

function running(): Running[] {
  return readdirSync('/proc')
    .filter((name) => /^\d+$/.test(name))
    .flatMap((name) => {
      const text = read(`/proc/${name}/stat`);
      if (text === null) return [];
      // The name, in brackets, may hold blanks.
      const fields = text.slice(text.lastIndexOf(')') + 2).split(' ');
      // Fields 4, 14 and 15 of stat; the ones of children that have ended are left out.
      return [
        { pid: Number(name), parent: Number(fields[1]), cpuS: (Number(fields[11]) + Number(fields[12])) / TICKS_PER_S },
      ];
    });
}

/** The process and all below it, those whose command line matches `except` (and what is below them) left out. */
export function family(root: number, except?: RegExp): Running[] {
  const all = running();
  const below = (pid: number): Running[] =>
    all
      .filter(({ parent, pid: child }) => parent === pid && !except?.test(commandLine(child)))
      .flatMap((child) => [child, ...below(child.pid)]);
  return [...all.filter(({ pid }) => pid === root), ...below(root)];
}

/** CPU time used so far, s. */
export function cpuS(root: number, except?: RegExp): number {
  return family(root, except).reduce((sum, process) => sum + process.cpuS, 0);
}

/** Memory, pages shared with others counted in parts, MB. */
export function memoryMb(root: number, except?: RegExp): number {
  return family(root, except).reduce((sum, { pid }) => {
    const text = read(`/proc/${pid}/smaps_rollup`) ?? '';
    return sum + Number(/^Pss:\s+(\d+) kB/m.exec(text)?.[1] ?? 0) / 1024;
  }, 0);
}

/** The child of `parent` whose command line matches, or null. */
export function findChild(parent: number, pattern: RegExp): number | null {
  return running().find((one) => one.parent === parent && pattern.test(commandLine(one.pid)))?.pid ?? null;
}

/** The same. @throws Error when there is none */
export function childOf(parent: number, pattern: RegExp): number {
  const child = findChild(parent, pattern);
  if (child === null) throw new Error(`process ${parent} has no child like ${pattern}`);
  return child;
}

function commandLine(pid: number): string {
  return read(`/proc/${pid}/cmdline`) ?? '';
}

function read(path: string): string | null {
  try {
    return readFileSync(path, 'utf8');
  } catch {
    return null;
  }
}
