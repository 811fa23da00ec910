import type { OpenCV } from '@opencvjs/web';

/** The OpenCV module; `loadCv()` instantiates it once per thread. */
export type Cv = typeof OpenCV;

export { loadOpenCV as loadCv } from '@opencvjs/web';
