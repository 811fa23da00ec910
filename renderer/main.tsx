import { createRoot } from 'react-dom/client';
import { App } from './App.tsx';
import { api } from './api.ts';
import { strings } from './strings.ts';
import './style.css';

const root = createRoot(document.getElementById('root')!);
root.render(<p className="notice">{strings.starting}</p>);
api.settings().then(
  (settings) => root.render(<App initial={settings} />),
  (error: Error) =>
    root.render(
      <p className="notice" role="alert">
        {error.message}
      </p>,
    ),
);
