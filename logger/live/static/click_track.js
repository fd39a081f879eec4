// The click, scheduled ahead in audio time: late timers do not move it.

export const LOOKAHEAD_S = 2.5;
const TOO_LATE_S = 0.02;
// The audio clock and the computer's drift apart by some milliseconds a minute: followed so slowly that nobody hears it.
const SLEW_S = 0.001;
const JUMP_S = 0.01;

const SOUNDS = { A: "accent", p: "plain", r: "rest", F: "announceFirst", f: "announce" };
const CUE_HZ = 660;
const CUE_S = 0.25;

// How a beat sounds, as the server says it; an open block goes on with its last bar. Of the play's bars every so many may
// be silent; beats that announce never are, nor those of count-in, pickup and rest.
export function soundOf(click, beat, silentEvery = 0) {
  const { sounds, beats_per_bar: bar } = click;
  const beyond = beat - sounds.length;
  const kind = SOUNDS[beyond < 0 ? sounds[beat] : sounds[sounds.length - bar + (beyond % bar)]];
  const played = beat - click.count_in_beats - click.pickup_beats;
  const silent = silentEvery > 0 && played >= 0 && (Math.floor(played / bar) + 1) % silentEvery === 0;
  return silent && (kind === "accent" || kind === "plain") ? "silent" : kind;
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
    this.silentEvery = 0;
    this.sounds = {
      plain: makeClick(context, 1000, 0.6),
      accent: makeClick(context, 1600, 0.9),
      rest: makeClick(context, 1000, 0.3),
      announce: makeClick(context, 520, 0.9, 2),
      announceFirst: makeClick(context, 780, 1, 2),
      cue: makeCue(context),
    };
  }

  get number() {
    return this.#click?.number ?? null;
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
      if (at > now - TOO_LATE_S) this.#sound(at, soundOf(click, this.#next, this.silentEvery));
      if (at > now - TOO_LATE_S && this.#next === click.cue_beat) this.#sound(at, "cue");
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

  #sound(at, kind) {
    if (kind === "silent") return;
    const source = new AudioBufferSourceNode(this.context, { buffer: this.sounds[kind] });
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

// The cue to switch: lower than a click and longer than any.
function makeCue(context) {
  const length = Math.round(CUE_S * context.sampleRate);
  const buffer = new AudioBuffer({ length, sampleRate: context.sampleRate });
  const sound = buffer.getChannelData(0);
  for (let k = 0; k < length; k += 1) {
    const t = k / context.sampleRate;
    sound[k] = 0.4 * Math.exp(-t / (CUE_S / 5)) * (1 - k / length) * Math.cos(2 * Math.PI * CUE_HZ * t);
  }
  return buffer;
}

// A short knock; twice, a moment apart, where it is to be told from the others by more than its pitch.
function makeClick(context, hz, loudness, knocks = 1) {
  const length = Math.round((0.03 + 0.05 * (knocks - 1)) * context.sampleRate);
  const buffer = new AudioBuffer({ length, sampleRate: context.sampleRate });
  const sound = buffer.getChannelData(0);
  for (let k = 0; k < length; k += 1) {
    const t = k / context.sampleRate;
    const since = t % 0.05;
    sound[k] = loudness * Math.exp(-since / 0.006) * (1 - k / length) * Math.cos(2 * Math.PI * hz * since);
  }
  return buffer;
}
