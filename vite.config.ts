import react from '@vitejs/plugin-react';
import { defineConfig } from 'vite';

export default defineConfig({
  root: 'renderer',
  base: './',
  plugins: [react()],
  worker: { format: 'es' },
  build: {
    outDir: '../dist',
    emptyOutDir: true,
    target: 'es2024',
    // No data: URLs and no inline module preload script: the page's CSP forbids both.
    assetsInlineLimit: 0,
    modulePreload: false,
    // Read from this machine, not over a network.
    chunkSizeWarningLimit: 1000,
  },
});
