// The click, scheduled ahead in audio time: late timers do not move it.

export const LOOKAHEAD_S = 2.5;
const TOO_LATE_S = 0.02;
// The audio clock and the computer's drift apart by some milliseconds a minute: followed so slowly that nobody hears it.
const SLEW_S = 0.0002;
const JUMP_S = 0.05;

// Where the accents fall: on the first beat of the count-in, then on the first of every bar of the block.
export function isAccent(click, beat) {
  return beat < click.count_in_beats ? beat === 0 : (beat - click.count_in_beats) % click.beats_per_bar === 0;
}

export class ClickTrack {
  #click = null;
  #anchor = 0;
  #next = 0;
  #scheduled = [];

  // toAudio_s(server_s) gives the audio context's time of a server's time.
  constructor(context, destination, toAudio_s) {
    this.context = context;
    this.destination = destination;
    this.toAudio_s = toAudio_s;
    this.sounds = [makeClick(context, 1000, 0.6), makeClick(context, 1600, 0.9)];
  }

  // Take over the click of a new state; the same number is the same click.
  set(click) {
    if (click?.number === this.#click?.number) {
      if (click) this.#click = click;
      return;
    }
    this.#silence();
    this.#click = click;
    this.#next = 0;
    if (click) this.#anchor = this.toAudio_s(click.start_server_s);
    this.advance();
  }

  // Schedule what comes within the lookahead. To be called several times a second, no matter how punctually.
  advance() {
    const click = this.#click;
    if (!click) return;
    const now = this.context.currentTime;
    const beat_s = (this.toAudio_s(click.start_server_s + 60) - this.toAudio_s(click.start_server_s)) / click.tempo_bpm;
    if (Math.abs(this.toAudio_s(click.start_server_s) - this.#anchor) > JUMP_S) this.#reanchor(click, now, beat_s);
    while (click.beats === null || this.#next < click.beats) {
      const drift = this.toAudio_s(click.start_server_s) - this.#anchor;
      const at = this.#anchor + this.#next * beat_s;
      if (at > now + LOOKAHEAD_S) break;
      if (at > now - TOO_LATE_S) this.#sound(at, isAccent(click, this.#next));
      this.#next += 1;
      this.#anchor += Math.max(-SLEW_S, Math.min(SLEW_S, drift));
    }
    this.#scheduled = this.#scheduled.filter((each) => each.at > now - 1);
  }

  // The clocks' relation was misjudged, or the computer slept: start afresh, clicks in the past are left out.
  #reanchor(click, now, beat_s) {
    this.#silence();
    this.#anchor = this.toAudio_s(click.start_server_s);
    this.#next = Math.max(0, Math.ceil((now - this.#anchor) / beat_s));
  }

  #sound(at, accent) {
    const source = new AudioBufferSourceNode(this.context, { buffer: this.sounds[Number(accent)] });
    source.connect(this.destination);
    source.start(Math.max(at, 0));
    this.#scheduled.push({ at, source });
  }

  // Take back what has not sounded yet.
  #silence() {
    const now = this.context.currentTime;
    for (const { at, source } of this.#scheduled) if (at > now) source.stop();
    this.#scheduled = [];
  }
}

function makeClick(context, hz, loudness) {
  const length = Math.round(0.03 * context.sampleRate);
  const buffer = new AudioBuffer({ length, sampleRate: context.sampleRate });
  const sound = buffer.getChannelData(0);
  for (let k = 0; k < length; k += 1) {
    const t = k / context.sampleRate;
    sound[k] = loudness * Math.exp(-t / 0.006) * (1 - k / length) * Math.cos(2 * Math.PI * hz * t);
  }
  return buffer;
}
