/** The part of libraw-wasm below its browser worker: the module runs as it is in Node when given its bytes. */
declare module 'libraw-wasm/dist/libraw.js' {
  import type { LibRawMetadata, LibRawSettings, RawImageData } from 'libraw-wasm';

  export interface LibRaw {
    /** `gamm` needs six numbers here: the library ignores shorter lists. */
    open(bytes: Uint8Array, settings: Omit<LibRawSettings, 'gamm'> & { gamm: number[] }): void;
    metadata(full: boolean): Pick<LibRawMetadata, 'width' | 'height'>;
    /** Throws when the pixels cannot be read. */
    imageData(): RawImageData;
    /** Frees the object's memory. */
    delete(): void;
  }
  export default function load(options: { wasmBinary: Uint8Array }): Promise<{ LibRaw: new () => LibRaw }>;
}
