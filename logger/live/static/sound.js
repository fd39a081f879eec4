// Everything that is heard: the click, the tone that warns, the tone that follows the tilt.
import { ClickTrack } from "./click_track.js";

const TICK_MS = 150;
const READINGS = 21;
const WARN_HZ = 330;

export class Sound {
  #context = null;
  #offsets = [];
  #click = null;
  #after = null;
  #warnedAt = 0;
  #follow = null;

  // connection for the server's clock, preferences for what is wanted.
  constructor(connection, preferences) {
    this.connection = connection;
    this.preferences = preferences;
    preferences.listeners.push(() => this.#applyPreferences());
  }

  get running() {
    return this.#context?.state === "running";
  }

  // A browser lets a page sound only after a key press or a touch on it; call this on every one.
  unlock() {
    if (!this.#context) {
      this.#context = new AudioContext({ latencyHint: "interactive" });
      this.master = new GainNode(this.#context);
      this.clicks = new GainNode(this.#context);
      this.clicks.connect(this.master).connect(this.#context.destination);
      const track = () => new ClickTrack(this.#context, this.clicks, (server_s) => this.#toAudio_s(server_s));
      [this.track, this.next] = [track(), track()];
      this.#context.addEventListener("statechange", () => this.#started());
      setInterval(() => this.#tick(), TICK_MS);
      this.#applyPreferences();
    }
    if (this.#context.state !== "running") this.#context.resume();
    else this.#started();
  }

  // The click that runs, and the one that comes right after it, to be scheduled before it is due.
  setClick(click, after = null) {
    this.#click = click;
    this.#after = after;
    if (this.running) this.#setTracks();
  }

  #setTracks() {
    if (this.#click && this.next.number === this.#click.number) [this.track, this.next] = [this.next, this.track];
    this.track.set(this.#click);
    this.next.set(this.#after);
  }

  // News of strokes: warn when so many in a row left the target, and again after as many more; let the tone follow.
  hearStrokes({ outside, tilt_now_deg }) {
    const limit = Number(this.preferences.values.cue);
    if (outside < this.#warnedAt) this.#warnedAt = 0;
    if (this.running && limit > 0 && outside >= this.#warnedAt + limit) {
      this.#warnedAt = outside;
      this.warned = (this.warned ?? 0) + 1;
      this.#warn();
    }
    if (this.running && this.preferences.values.pitch === "on") this.#followTilt(tilt_now_deg);
  }

  endPlay() {
    this.#warnedAt = 0;
    this.#follow?.gain.gain.setTargetAtTime(0, this.#context.currentTime, 0.1);
  }

  #started() {
    if (!this.running) return;
    for (let k = 0; k < 3; k += 1) this.#readClocks();
    this.#setTracks();
  }

  #tick() {
    if (!this.running) return;
    this.#readClocks();
    this.track.advance();
    this.next.advance();
  }

  // Audio time less the page's: what is at the loudspeaker now, where the browser can tell, so that its delay is made up.
  #readClocks() {
    const stamp = this.#context.getOutputTimestamp();
    const known = stamp.performanceTime > 0;
    const offset = known
      ? stamp.contextTime - stamp.performanceTime / 1000
      : this.#context.currentTime - (this.#context.outputLatency || 0) - performance.now() / 1000;
    this.#offsets = [...this.#offsets.slice(1 - READINGS), offset];
  }

  #toAudio_s(server_s) {
    const sorted = [...this.#offsets].sort((a, b) => a - b);
    return this.connection.toLocalMs(server_s) / 1000 + sorted[Math.floor(sorted.length / 2)];
  }

  #warn() {
    const now = this.#context.currentTime;
    const tone = new OscillatorNode(this.#context, { frequency: WARN_HZ });
    const gain = new GainNode(this.#context, { gain: 0 });
    gain.gain.setTargetAtTime(0.25, now, 0.03);
    gain.gain.setTargetAtTime(0, now + 0.25, 0.08);
    tone.connect(gain).connect(this.master);
    tone.start(now);
    tone.stop(now + 0.8);
  }

  // An octave from 40 degrees one way to level, another to 40 degrees the other way.
  #followTilt(tilt_deg) {
    if (!this.#follow) {
      const tone = new OscillatorNode(this.#context, { type: "triangle" });
      const gain = new GainNode(this.#context, { gain: 0 });
      tone.connect(gain).connect(this.master);
      tone.start();
      this.#follow = { tone, gain };
    }
    const now = this.#context.currentTime;
    this.#follow.gain.gain.setTargetAtTime(tilt_deg === null ? 0 : 0.06, now, 0.1);
    if (tilt_deg === null) return;
    const hz = 220 * 2 ** (Math.max(-40, Math.min(40, tilt_deg)) / 40);
    this.#follow.tone.frequency.setTargetAtTime(hz, now, 0.08);
  }

  #applyPreferences() {
    if (!this.#context) return;
    const now = this.#context.currentTime;
    const { click, volume, pitch, silent } = this.preferences.values;
    this.track.silentEvery = this.next.silentEvery = Number(silent);
    this.master.gain.setTargetAtTime(Number(volume), now, 0.01);
    this.clicks.gain.setTargetAtTime(click === "on" ? 1 : 0, now, 0.005);
    if (pitch !== "on") this.endPlay();
  }
}
