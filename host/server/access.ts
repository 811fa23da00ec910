import { createHash, randomBytes, timingSafeEqual } from 'node:crypto';
import type { IncomingHttpHeaders } from 'node:http';

/**
 * Who may talk to the host: programs on this machine that know the token of this start. Host and
 * Origin are checked so that a page from elsewhere cannot use the user's browser to get in
 * (DNS rebinding, cross-site requests).
 */
export class Access {
  readonly token = randomBytes(24).toString('base64url');
  readonly port: number;

  constructor(port: number) {
    this.port = port;
  }

  /** Browsers keep one set of cookies for all ports of a machine, so the port is in the name. */
  get cookieName(): string {
    return `nightring-${this.port}`;
  }

  isToken(value: string | undefined): boolean {
    // Digests are of one length, which the comparison in constant time needs.
    const digest = (text: string) => createHash('sha256').update(text).digest();
    return value !== undefined && timingSafeEqual(digest(value), digest(this.token));
  }

  /** Whether the request was made for this address; rebound names fail here. */
  isHost(host: string | undefined): boolean {
    return host !== undefined && this.#addresses.includes(host);
  }

  /** Whether the page that made the request is ours. */
  isOrigin(origin: string | undefined): boolean {
    return origin !== undefined && this.#addresses.some((address) => origin === `http://${address}`);
  }

  /** Everything at once, for requests that come without a framework. */
  admits(headers: IncomingHttpHeaders): boolean {
    const cookies = (headers.cookie ?? '').split(';').map((cookie) => cookie.trim().split('='));
    const token = cookies.find(([name]) => name === this.cookieName)?.[1];
    return this.isHost(headers.host) && this.isOrigin(headers.origin) && this.isToken(token);
  }

  get #addresses(): string[] {
    return [`127.0.0.1:${this.port}`, `localhost:${this.port}`];
  }
}
