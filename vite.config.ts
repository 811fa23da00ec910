import react from '@vitejs/plugin-react';
import { defineConfig } from 'vite';

export default defineConfig({
  root: 'renderer',
  base: './',
  plugins: [react()],
  // The host recognises the vision worker by its name: only that response carries the wider CSP.
  worker: { format: 'es', rollupOptions: { output: { entryFileNames: 'assets/vision-worker-[hash].js' } } },
  build: {
    outDir: '../dist',
    emptyOutDir: true,
    target: 'es2024',
    // No data: URLs and no inline module preload script: the page's CSP forbids both.
    assetsInlineLimit: 0,
    modulePreload: false,
    // OpenCV.js alone is 13 MB, WebAssembly included.
    chunkSizeWarningLimit: 15_000,
  },
});
