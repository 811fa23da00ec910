import { api } from './api.ts';

/** A value of the simulated camera's world that a photographer would read off, null with a real camera. */
export async function simulatedValue(camera: string, name: 'ring' | 'temperatureC'): Promise<number | null> {
  if (camera !== 'sim') return null;
  const config = await api.config().catch(() => []);
  const value = config.find((candidate) => candidate.name === name)?.value;
  return value === undefined ? null : Number(Number(value).toFixed(name === 'ring' ? 2 : 1));
}
