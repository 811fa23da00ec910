import { useLayoutEffect, useRef } from 'react';

/** Shortcut → what it does. Keys as in KeyboardEvent.key, letters in lower case; 'Shift+' may precede. */
export type KeyMap = Record<string, () => void>;

/** Whether the key belongs to the control that has the focus: text being typed, a list or slider being moved, a button pressed. */
function belongsToControl(target: EventTarget | null, key: string): boolean {
  if (!(target instanceof HTMLElement)) return false;
  if (target instanceof HTMLInputElement) {
    if (target.type === 'checkbox') return key === ' ';
    return key !== 'Escape';
  }
  if (target instanceof HTMLTextAreaElement || target instanceof HTMLSelectElement) return key !== 'Escape';
  return (
    (target instanceof HTMLButtonElement || target instanceof HTMLAnchorElement) && (key === ' ' || key === 'Enter')
  );
}

/** Key maps of the components on screen, oldest first. */
const stack: { current: KeyMap }[] = [];

function onKeyDown(event: KeyboardEvent): void {
  if (event.ctrlKey || event.altKey || event.metaKey || belongsToControl(event.target, event.key)) return;
  const name = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  for (const { current: keys } of stack.toReversed()) {
    const action = (event.shiftKey && keys[`Shift+${name}`]) || keys[name];
    if (!action) continue;
    event.preventDefault();
    action();
    return;
  }
}

/** Listens to `keys` while the component is shown. One component acts on a key: the one shown last. */
export function useKeys(keys: KeyMap): void {
  const current = useRef(keys);
  current.current = keys;
  // With the very drawing: a key pressed as soon as the words are seen must not be lost.
  useLayoutEffect(() => {
    if (stack.length === 0) window.addEventListener('keydown', onKeyDown);
    stack.push(current);
    return () => {
      stack.splice(stack.indexOf(current), 1);
      if (stack.length === 0) window.removeEventListener('keydown', onKeyDown);
    };
  }, []);
}
