import type { PixelImage } from '../frame.ts';
import { srgbDecode } from '../optics/transfer.ts';

const tables = new Map<string, Float32Array>();

/** Linear light (0…1) for each integer pixel value of `image`. */
export function linearTable(image: Pick<PixelImage, 'maxValue' | 'transfer' | 'data'>): Float32Array {
  const size = image.data.BYTES_PER_ELEMENT === 1 ? 256 : 65536;
  const key = `${image.transfer} ${image.maxValue} ${size}`;
  let table = tables.get(key);
  if (!table) {
    table = new Float32Array(size);
    for (let i = 0; i < size; i++) {
      const value = Math.min(1, i / image.maxValue);
      table[i] = image.transfer === 'srgb' ? srgbDecode(value) : value;
    }
    tables.set(key, table);
  }
  return table;
}
