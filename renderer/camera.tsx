/** The camera's configuration as the screen uses it: read when it may have changed, never in between. */
import { createContext, type ReactNode, useCallback, useContext, useEffect, useRef, useState } from 'react';
import type { ConfigValue, ConfigWrite } from '../core/camera/config.ts';
import { takeLens } from '../core/camera/lens.ts';
import { lensReport } from '../core/camera/readiness.ts';
import { type RoleValues, rolesOf } from '../core/camera/roles.ts';
import { api } from './api.ts';
import { useSessionState } from './session.ts';
import { useSettings } from './settings.ts';
import { isVideoInput } from './videoInput.ts';

export interface CameraAccess {
  /** Empty while no camera runs, or when it has no settings. */
  config: readonly ConfigValue[];
  roles: RoleValues;
  /** When the configuration was read, ms since 1970. */
  readMs: number;
  /** Why the latest reading or writing failed. */
  problem: string | null;
  /** Reads the configuration again. */
  look(): Promise<void>;
  /** Sets values, group after group, whichever of them is refused, and reads again. */
  write(...groups: (readonly ConfigWrite[])[]): Promise<void>;
}

const CameraContext = createContext<CameraAccess | null>(null);

export function useCamera(): CameraAccess {
  return useContext(CameraContext)!;
}

const NOTHING = { config: [], readMs: 0 };

/** Shares one reading of the configuration with all below; lets what it says of the lens flow into the settings. */
export function CameraProvider({ children }: { children: ReactNode }) {
  return <CameraContext value={useReading()}>{children}</CameraContext>;
}

function useReading(): CameraAccess {
  const name = useSessionState(({ camera }) => (camera.state === 'running' ? camera.name : null));
  const hasConfig = name !== null && !isVideoInput(name);
  const { settings, change } = useSettings();
  const [read, setRead] = useState<{ config: readonly ConfigValue[]; readMs: number }>(NOTHING);
  const [problem, setProblem] = useState<string | null>(null);
  const asked = useRef(0);

  const look = useCallback(async () => {
    const number = ++asked.current;
    const config = await api.config().catch((error: Error) => error);
    // Only the latest answer counts: cameras may have been changed meanwhile.
    if (number !== asked.current) return;
    if (config instanceof Error) return setProblem(config.message);
    setRead({ config, readMs: Date.now() });
    setProblem(null);
  }, []);

  const write = async (...groups: (readonly ConfigWrite[])[]) => {
    const failures = new Set<string>();
    for (const writes of groups) await api.writeSequence(writes).catch((error: Error) => failures.add(error.message));
    await look();
    if (failures.size > 0) setProblem([...failures].join('; '));
  };

  useEffect(() => {
    asked.current++;
    setRead(NOTHING);
    setProblem(null);
    if (hasConfig) void look();
  }, [hasConfig, name, look]);

  const roles = rolesOf(read.config, settings.bodyRoles);
  useEffect(() => {
    if (name === null || read.config.length === 0 || name !== settings.camera) return;
    const taken = takeLens(settings, settings.fromCamera, name, lensReport(rolesOf(read.config, settings.bodyRoles)));
    if (taken) void change(taken);
  }, [name, read, settings, change]);

  return { ...read, roles, problem, look, write };
}
