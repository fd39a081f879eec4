// Hands on what the microphone hears, some thousand samples at a time, with the audio clock's time of the first one.
const PIECE = 8192;

class Ear extends AudioWorkletProcessor {
  constructor() {
    super();
    this.piece = new Int16Array(PIECE);
    this.filled = 0;
    this.loudest = 0;
  }

  process([input]) {
    const sound = input[0];
    if (!sound) return true;
    if (this.filled === 0) this.begun_s = currentTime;
    for (const value of sound) {
      this.piece[this.filled] = Math.round(32767 * Math.max(-1, Math.min(1, value)));
      this.loudest = Math.max(this.loudest, Math.abs(value));
      this.filled += 1;
      if (this.filled === PIECE) {
        this.port.postMessage({ piece: this.piece.buffer, begun_s: this.begun_s, loudest: this.loudest }, [this.piece.buffer]);
        this.piece = new Int16Array(PIECE);
        this.filled = 0;
        this.loudest = 0;
        // Samples of this same block go on; a block is short enough that its own time need not be told apart.
        this.begun_s = currentTime;
      }
    }
    return true;
  }
}

registerProcessor("ear", Ear);
