/**
 * A page as a user has it. Playwright listens to the network of its own pages: each frame's bytes then go to the test
 * once more, as base64, which costs the browser as much as it takes to decode them.
 */
import type { Browser } from 'playwright-core';

/** Value of an expression in the page, through JSON; undefined where it throws. */
export type Evaluate = <T>(expression: string) => Promise<T>;

/**
 * Opens a page that nobody listens to (Chrome DevTools Protocol, Target and Page domains), 1280 × 800.
 * @param script runs before the page's own, in the page's scope
 */
export async function openUnwatched(browser: Browser, url: string, script: string): Promise<Evaluate> {
  const tools = await browser.newBrowserCDPSession();
  const { targetId } = await tools.send('Target.createTarget', { url: 'about:blank', width: 1280, height: 800 });
  const { sessionId } = await tools.send('Target.attachToTarget', { targetId });
  const waiting = new Map<number, (result: Record<string, unknown>) => void>();
  tools.on('Target.receivedMessageFromTarget', ({ message }) => {
    const { id, result } = JSON.parse(message);
    waiting.get(id)?.(result);
    waiting.delete(id);
  });
  let asked = 0;
  const ask = async (method: string, params: object) => {
    const { promise, resolve } = Promise.withResolvers<Record<string, unknown>>();
    const id = ++asked;
    waiting.set(id, resolve);
    await tools.send('Target.sendMessageToTarget', { sessionId, message: JSON.stringify({ id, method, params }) });
    return promise;
  };
  await ask('Page.enable', {});
  await ask('Page.addScriptToEvaluateOnNewDocument', { source: script });
  await ask('Page.navigate', { url });
  return async <T>(expression: string) => {
    const { result } = await ask('Runtime.evaluate', { expression, returnByValue: true });
    return (result as { value: T }).value;
  };
}
