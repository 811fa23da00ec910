/** Why bytes could not be made into pixels; `message` is one line that says what to do next. */
export class DecodeError extends Error {
  override name = 'DecodeError';
  readonly code: DecodeErrorCode;
  constructor(code: DecodeErrorCode, message: string) {
    super(message);
    this.code = code;
  }
}

export type DecodeErrorCode = 'empty' | 'not-an-image' | 'damaged' | 'too-large' | 'unsupported';
