import type { JSX } from 'preact';

/** Words inside a scene, in the language of the person. */
export interface SceneWords {
  readonly crushZone: string;
  readonly clamp: string;
  readonly guard: string;
}

const INK = { fill: 'none', stroke: 'var(--ink)' } as const;

/** A wheel with three spokes. */
function Wheel({
  x,
  y,
  r,
}: {
  readonly x: number;
  readonly y: number;
  readonly r: number;
}): JSX.Element {
  const spoke = (angle: number): string => {
    const [across, down] = [r * Math.cos(angle), r * Math.sin(angle)];
    return `M${x + 0.2 * across} ${y + 0.2 * down}L${x + 0.9 * across} ${y + 0.9 * down}`;
  };
  return (
    <g {...INK}>
      <circle cx={x} cy={y} r={r} stroke-width="7" />
      <circle cx={x} cy={y} r={r * 0.2} stroke-width="3" />
      <path
        d={[-Math.PI / 2, Math.PI / 6, (5 * Math.PI) / 6].map(spoke).join('')}
        stroke-width="7"
        stroke-linecap="round"
      />
    </g>
  );
}

/** Draws this very stand and where hands can be crushed: between spoke and clamp, rim and guard. */
export function CrushScene({ words }: { readonly words: SceneWords }): JSX.Element {
  return (
    <svg class="stand-scene" viewBox="0 0 320 128" aria-hidden="true">
      <defs>
        <pattern
          id="crush-hatch"
          width="7"
          height="7"
          patternUnits="userSpaceOnUse"
          patternTransform="rotate(45)"
        >
          <path d="M0 0V7" stroke="var(--ink)" stroke-width="2.4" />
        </pattern>
      </defs>
      <path d="M2 100H318" stroke="var(--ink)" stroke-width="2" />
      <Wheel x={160} y={52} r={40} />
      <path
        d="M22 40h78v24H22zM42 64v36M84 64v36"
        fill="var(--sheet)"
        stroke="var(--ink)"
        stroke-width="3"
      />
      <path d="M223 8V100" stroke="var(--ink)" stroke-width="6" />
      <path
        d="M98 26h22v52H98zM203 20h17v64h-17z"
        fill="url(#crush-hatch)"
        stroke="var(--ink)"
        stroke-width="1.5"
      />
      <text x="61" y="57" font-size="15" text-anchor="middle">
        {words.clamp}
      </text>
      <text x="232" y="58" font-size="15">
        {words.guard}
      </text>
      <text x="160" y="122" font-size="16" font-weight="700" text-anchor="middle">
        {words.crushZone}
      </text>
    </svg>
  );
}

/** Draws the wheel of the stand and that it turns either way without notice. */
export function TorqueScene(): JSX.Element {
  return (
    <svg class="stand-scene" viewBox="26 8 128 100" aria-hidden="true">
      <Wheel x={90} y={68} r={34} />
      <path
        d="M42 90A53 53 0 0 1 62 23M138 90A53 53 0 0 0 118 23"
        fill="none"
        stroke="var(--ink)"
        stroke-width="5"
      />
      <path d="M55 15l22 1l-11 18zM125 15l-22 1l11 18z" fill="var(--ink)" />
    </svg>
  );
}
