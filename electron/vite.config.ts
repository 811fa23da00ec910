import { defineConfig } from 'vite';

/** Compiles the window's main process to one file; Electron loads no TypeScript. */
export default defineConfig({
  build: {
    ssr: 'electron/main.ts',
    outDir: 'build/electron',
    target: 'node24',
    rollupOptions: { external: ['electron'], output: { format: 'es', entryFileNames: 'main.js' } },
  },
});
