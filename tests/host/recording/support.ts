import { type Recorded, Recording } from '../../../host/recording/read.ts';

/** All frames of a recording. */
export async function framesOf(folder: string): Promise<Recorded[]> {
  const frames: Recorded[] = [];
  for await (const frame of (await Recording.open(folder)).frames()) frames.push(frame);
  return frames;
}
