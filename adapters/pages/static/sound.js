// Bursts of pulses by IEC 60601-1-8, table 3 (values from memory, to be held against the standard):
// high 10 pulses in two fives, medium 3, low 2. Pitch: 262 Hz to 523 Hz with four harmonics.

const RISE_S = 0.02;
const HARMONICS = [1, 0.7, 0.5, 0.4, 0.3];
const HIGH = { pulse_s: 0.15, gap_s: 0.1, level: 0.5 };
const SLOW = { pulse_s: 0.2, gap_s: 0.2, level: 0.35 };
// [pitch in Hz, extra silence before it in s]
export const BURSTS = {
  high: { ...HIGH, notes: [[523, 0], [523, 0], [523, 0], [440, 0.2], [523, 0],
    [523, 0.5], [523, 0], [523, 0], [440, 0.2], [523, 0]] },
  medium: { ...SLOW, notes: [[440, 0], [440, 0], [349, 0]] },
  low: { ...SLOW, notes: [[349, 0], [262, 0]] },
};
const RANKS = ["low", "medium", "high"];

// When each pulse begins and ends, s from the beginning of the burst.
export function pulses(priority) {
  const { pulse_s, gap_s, notes } = BURSTS[priority];
  let at = 0;
  return notes.map(([pitch, extra]) => {
    const begins = at + extra;
    at = begins + pulse_s + gap_s;
    return { pitch, begins, ends: begins + pulse_s };
  });
}

export class Speaker {
  constructor() {
    this.context = null;
    this.busyUntil = 0;
    this.rank = -1;
  }

  // Browsers let nothing sound before somebody has pressed something.
  wake() {
    this.context ??= new AudioContext();
    return this.context.resume();
  }

  get awake() {
    return this.context?.state === "running";
  }

  // Of several at once the most urgent sounds, once; a more urgent one breaks in.
  play(priorities) {
    if (!this.awake) return false;
    const rank = Math.max(...priorities.map((priority) => RANKS.indexOf(priority)));
    const now = this.context.currentTime;
    if (rank < 0 || (now < this.busyUntil && rank <= this.rank)) return true;
    this.rank = rank;
    this.busyUntil = now + this.burst(RANKS[rank], now + 0.05);
    return true;
  }

  burst(priority, start) {
    const { level } = BURSTS[priority];
    const all = pulses(priority);
    for (const { pitch, begins, ends } of all) {
      const envelope = this.context.createGain();
      envelope.gain.setValueAtTime(0, start + begins);
      envelope.gain.linearRampToValueAtTime(level, start + begins + RISE_S);
      envelope.gain.setValueAtTime(level, start + ends - RISE_S);
      envelope.gain.linearRampToValueAtTime(0, start + ends);
      envelope.connect(this.context.destination);
      HARMONICS.forEach((share, number) => {
        const tone = this.context.createOscillator();
        const part = this.context.createGain();
        tone.frequency.value = pitch * (number + 1);
        part.gain.value = share / HARMONICS.length;
        tone.connect(part).connect(envelope);
        tone.start(start + begins);
        tone.stop(start + ends);
      });
    }
    return all.at(-1).ends;
  }
}
