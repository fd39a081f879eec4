// The microphone: asked for, with the browser's own processing off; its level shown; its sound sent to this computer's
// program, which keeps it beside the session.
import { MICROPHONE } from "./words.js";

const OFF = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
const MOST_WAITING_BYTES = 4e6;
const STAMP_BYTES = 8;

export class Microphone {
  #stream = null;
  #context = null;
  #channel = null;

  // connection for the server's time; show({ words, level, on, able }) whenever something changed.
  constructor(connection, show) {
    this.connection = connection;
    this.show = show;
    this.level = 0;
    this.words = "";
    this.told = null;
  }

  get on() {
    return this.#channel !== null;
  }

  // What the server says of it.
  setState(told) {
    this.told = told;
    this.#tell();
  }

  async toggle() {
    if (this.on) return this.#stop();
    return this.#start();
  }

  async #start() {
    this.words = "";
    if (!navigator.mediaDevices?.getUserMedia) return this.#fail(MICROPHONE.insecure);
    try {
      this.#stream = await navigator.mediaDevices.getUserMedia({ audio: { ...OFF, channelCount: 1 } });
    } catch (error) {
      return this.#fail(error.name === "NotFoundError" ? MICROPHONE.none : MICROPHONE.refused);
    }
    const track = this.#stream.getAudioTracks()[0];
    // What was asked for is one thing, what the browser does another: it is read back and told.
    const { echoCancellation, noiseSuppression, autoGainControl } = track.getSettings();
    this.settings = { echoCancellation, noiseSuppression, autoGainControl };
    track.addEventListener("ended", () => this.#stop(MICROPHONE.ended));
    this.#context = new AudioContext();
    await this.#context.audioWorklet.addModule("/static/microphone_worklet.js");
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const channel = new WebSocket(`${scheme}://${location.host}/microphone`);
    channel.binaryType = "arraybuffer";
    channel.onmessage = ({ data }) => { this.words = String(data); };
    channel.onclose = () => this.#stop(this.words || MICROPHONE.ended);
    channel.onopen = () => {
      channel.send(JSON.stringify({ rate_hz: this.#context.sampleRate, settings: this.settings }));
      const ear = new AudioWorkletNode(this.#context, "ear", { numberOfOutputs: 0 });
      ear.port.onmessage = ({ data }) => this.#hear(data);
      new MediaStreamAudioSourceNode(this.#context, { mediaStream: this.#stream }).connect(ear);
    };
    this.#channel = channel;
    return this.#tell();
  }

  #hear({ piece, begun_s, loudest }) {
    this.level = loudest;
    const channel = this.#channel;
    if (channel?.readyState !== WebSocket.OPEN) return;
    if (channel.bufferedAmount > MOST_WAITING_BYTES) {
      this.#stop(MICROPHONE.slow);
      return;
    }
    const message = new Uint8Array(STAMP_BYTES + piece.byteLength);
    new DataView(message.buffer).setFloat64(0, this.connection.now_s() - this.#age_s(begun_s), true);
    message.set(new Uint8Array(piece), STAMP_BYTES);
    channel.send(message);
    this.#tell();
  }

  // How long ago a time of the audio clock was, in the server's seconds.
  #age_s(begun_s) {
    return (this.#context.currentTime - begun_s) * this.connection.pace;
  }

  #fail(words) {
    this.words = words;
    this.#tell();
  }

  #stop(words = "") {
    const channel = this.#channel;
    if (!channel) return;
    this.#channel = null;
    this.words = words;
    this.level = 0;
    if (channel.readyState === WebSocket.OPEN) {
      channel.send("end");
      channel.close();
    }
    this.#stream.getTracks().forEach((track) => track.stop());
    this.#context.close();
    this.#tell();
  }

  #tell() {
    const able = this.told !== null && this.told.status !== "missing";
    const words = [this.words, this.told?.sentence].filter(Boolean);
    this.show({ able, on: this.on, level: this.level, words: words.join(" ") || (this.on ? MICROPHONE.on : MICROPHONE.off) });
  }
}
