import type { Cue } from './say.js';
import { TONES, type Tone } from './tones.js';

/** Plays cues; silent when switched off or when the browser gives no sound. */
export interface Sounds {
  readonly play: (cue: Cue) => void;
}

/** Loudness of a tone, of 1; the loudspeaker has its own knob. */
const LOUDNESS = 0.3;

/** s in which a tone swells and fades, so that it does not click. */
const EDGE = 0.012;

/** Makes the player; the browser lets it sound after the first press or key. */
export function makeSounds(isOn: () => boolean): Sounds {
  let context: AudioContext | undefined;
  return {
    play(cue) {
      if (!isOn() || typeof AudioContext === 'undefined') return;
      context ??= new AudioContext();
      void context.resume();
      for (const tone of TONES[cue]) sound(context, tone);
    },
  };
}

function sound(context: AudioContext, { pitch, from, to }: Tone): void {
  const start = context.currentTime + from;
  const end = context.currentTime + to;
  const gain = context.createGain();
  gain.gain.setValueAtTime(0, start);
  gain.gain.linearRampToValueAtTime(LOUDNESS, start + EDGE);
  gain.gain.setValueAtTime(LOUDNESS, end - EDGE);
  gain.gain.linearRampToValueAtTime(0, end);
  const tone = context.createOscillator();
  tone.type = 'triangle';
  tone.frequency.value = pitch;
  tone.connect(gain).connect(context.destination);
  tone.start(start);
  tone.stop(end);
}
