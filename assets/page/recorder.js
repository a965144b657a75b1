// Runs beside the sound: hands on what the microphone gives, in pieces, each with the frame it begins at. A piece is short, so
// that little is lost where the page is killed.
const PIECE = 4096;

class Recorder extends AudioWorkletProcessor {
  constructor() {
    super();
    this.piece = new Float32Array(PIECE);
    this.filled = 0;
    this.from = 0;
    this.running = true;
    this.port.onmessage = () => {
      this.hand(true);
      this.running = false;
    };
  }

  hand(last) {
    const samples = this.piece.slice(0, this.filled);
    this.port.postMessage({ from: this.from, samples, last }, [samples.buffer]);
    this.filled = 0;
  }

  process(inputs) {
    if (!this.running) return false;
    const channel = inputs[0] && inputs[0][0];
    if (!channel) return true;
    // Frames that never came here are a gap, and a gap begins a piece of its own.
    if (this.filled > 0 && currentFrame !== this.from + this.filled) this.hand(false);
    if (this.filled === 0) this.from = currentFrame;
    this.piece.set(channel, this.filled);
    this.filled += channel.length;
    if (this.filled + channel.length > PIECE) this.hand(false);
    return true;
  }
}

registerProcessor('recorder', Recorder);
