import type { Direction } from '../core/guide/calibrate.ts';
import type { Instruction } from '../core/guide/guide.ts';

interface SignProps {
  kind: Instruction['kind'] | 'camera-lost';
  direction?: Direction | null;
}

/** The instruction as one large sign, to be told apart across a dark field. Decoration: the words say the same. */
export function Sign(props: SignProps) {
  return (
    <svg className="sign" viewBox="0 0 200 160" aria-hidden="true">
      {shape(props)}
    </svg>
  );
}

/** Five ninths of a turn, ending in an arrow head along the tangent. */
const ARC = 'M 29 100 A 68 68 0 1 1 163 100';

function arrow(clockwise: boolean, className: string) {
  return (
    <g className={className} transform={clockwise ? undefined : 'translate(200 0) scale(-1 1)'}>
      <path d={ARC} />
      <path className="head" d="M 198 106 L 154 152 L 128 94 Z" />
    </g>
  );
}

function shape({ kind, direction }: SignProps) {
  switch (kind) {
    case 'turn':
    case 'passed':
    case 'slow-down':
      if (!direction) return <path d="M 35 55 L 100 105 L 165 55" />;
      return arrow(direction === 'clockwise', kind === 'slow-down' ? 'slow' : '');
    case 'distance':
      return <path d="M 20 80 H 180 M 60 40 L 20 80 L 60 120 M 140 40 L 180 80 L 140 120" />;
    case 'stop':
      return <rect className="outline" x="45" y="25" width="110" height="110" rx="8" />;
    case 'hold':
      return <path d="M 70 25 V 135 M 130 25 V 135" />;
    case 'in-focus':
      return <path d="M 35 55 H 165 M 35 105 H 165" />;
    case 'write-it-down':
      return <path d="M 30 85 L 80 135 L 170 25" />;
    case 'magnify':
      return (
        <path d="M 100 45 V 115 M 65 80 H 135 M 30 45 V 15 H 60 M 140 15 H 170 V 45 M 170 115 V 145 H 140 M 60 145 H 30 V 115" />
      );
    case 'camera-lost':
      return <path d="M 15 80 H 70 M 70 45 V 115 M 130 45 V 115 M 130 80 H 185" />;
    case 'no-pattern':
      if (direction) return arrow(direction === 'clockwise', '');
      return <path d="M 60 50 C 60 10 140 10 140 50 C 140 85 100 75 100 110 M 100 138 V 142" />;
  }
}
