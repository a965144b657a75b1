// The browser's sound: playing, and recording without its improvements.
/** @type {AudioContext | null} */ let context = null;

/** The browser's sound, at the microphone's rate where there is one. */
async function sounds(/** @type {number | undefined} */ rate = undefined) {
  if (context && rate && context.sampleRate !== rate) {
    await context.close();
    context = null;
  }
  context ??= new AudioContext(rate ? { sampleRate: rate, latencyHint: 'interactive' } : {});
  if (context.state !== 'running') await context.resume();
  return context;
}

/** Plays samples once. @returns {{ stop: () => void, at: number, ended: Promise<void> }} */
function sound(/** @type {AudioContext} */ on, /** @type {Float32Array} */ samples, /** @type {number} */ rate, at = 0, from = 0) {
  const buffer = on.createBuffer(1, Math.max(1, samples.length), rate);
  buffer.copyToChannel(/** @type {Float32Array<ArrayBuffer>} */ (samples), 0);
  const node = on.createBufferSource();
  node.buffer = buffer;
  node.connect(on.destination);
  const begin = at || on.currentTime + 0.1;
  node.start(begin, from);
  const ended = new Promise((/** @type {(_: void) => void} */ done) => (node.onended = () => done()));
  return { stop: () => node.stop(), at: begin, ended };
}

/** Recorded pieces as one sound; what is missing between them is silence, and is counted. */
function joined(/** @type {Piece[]} */ pieces) {
  if (pieces.length === 0) return { samples: new Float32Array(0), missing: 0 };
  const first = pieces[0].from;
  const last = pieces[pieces.length - 1];
  const samples = new Float32Array(last.from + last.samples.length - first);
  let given = 0;
  for (const { from, samples: part } of pieces) {
    for (let k = 0; k < part.length; k++) samples[from - first + k] = part[k] / 32768;
    given += part.length;
  }
  return { samples, missing: samples.length - given };
}

/** Why a microphone cannot be had, in words. */
function whyNot(/** @type {any} */ error) {
  switch (error?.name) {
    case 'NotAllowedError':
      return 'The microphone is not allowed here. Look for a small picture of a microphone beside the address, and allow it. Or ask a grown-up.';
    case 'NotFoundError':
      return 'No microphone was found. Plug one in, or open a recording made with any app.';
    case 'NotReadableError':
      return 'Another app is using the microphone. Close it, and try again.';
    default:
      return 'This browser gives no microphone to a page like this. Open a recording made with any app instead.';
  }
}

/** A microphone that gives nothing for so long gives nothing at all: sound servers take two seconds to wake. */
const SILENT_MS = 6000;

/** Records until it is stopped. */
class Recording {
  /** @type {Piece[]} */ pieces = [];
  peak = 0;
  /** @type {string | null} */ cut = null;
  /** Told where a piece could not be kept. */ unkept = false;
  /** @type {(() => void) | null} */ onEnd = null;
  /** @type {Promise<unknown>} */ kept = Promise.resolve();
  /** Settled when the first sound has come, or when none came for too long. */ begun;
  /** @type {() => void} */ #first = () => undefined;
  /** @type {() => void} */ #last = () => undefined;

  constructor(/** @type {AudioContext} */ on, /** @type {MediaStream} */ stream, /** @type {AudioWorkletNode} */ node, /** @type {string | null} */ id) {
    this.on = on;
    this.stream = stream;
    this.node = node;
    this.id = id;
    this.begun = new Promise((/** @type {(_: void) => void} */ done) => {
      this.#first = done;
      setTimeout(() => {
        if (this.pieces.length === 0) this.cut ??= 'the microphone gave no sound';
        done();
      }, SILENT_MS);
    });
    node.port.onmessage = ({ data }) => this.#take(data);
    const track = stream.getAudioTracks()[0];
    this.settings = track.getSettings();
    this.microphone = track.label || 'microphone';
    track.onended = () => this.#end('the microphone is gone');
    on.onstatechange = () => {
      if (on.state !== 'running') this.#end('something else took the sound, a call perhaps');
    };
  }

  /** Opens the microphone as it is, without the browser's improvements. @returns {Promise<Recording>} */
  static async open(/** @type {string | null} */ id) {
    if (!navigator.mediaDevices?.getUserMedia) throw new Error('no microphone');
    const plain = { echoCancellation: false, autoGainControl: false, noiseSuppression: false, channelCount: 1 };
    const device = state.microphone ? { deviceId: { exact: state.microphone } } : {};
    const stream = await navigator.mediaDevices.getUserMedia({ audio: { ...plain, ...device } })
      .catch((error) => {
        if (error?.name !== 'OverconstrainedError') throw error;
        return navigator.mediaDevices.getUserMedia({ audio: plain });
      });
    try {
      const on = await sounds(stream.getAudioTracks()[0].getSettings().sampleRate);
      await on.audioWorklet.addModule(`data:text/javascript;base64,${held('recorder')}`).catch((error) => {
        // Once is enough: a second time the name is taken.
        if (error?.name !== 'NotSupportedError') throw error;
      });
      const node = new AudioWorkletNode(on, 'recorder', { numberOfInputs: 1, numberOfOutputs: 0 });
      const recording = new Recording(on, stream, node, id);
      on.createMediaStreamSource(stream).connect(node);
      return recording;
    } catch (error) {
      stream.getTracks().forEach((track) => track.stop());
      throw error;
    }
  }

  #take(/** @type {{ from: number, samples: Float32Array, last: boolean }} */ { from, samples, last }) {
    if (samples.length > 0) {
      // The same sixteen bits are heard here, kept, and given to the teacher.
      const whole = new Int16Array(samples.length);
      for (let k = 0; k < samples.length; k++) {
        this.peak = Math.max(this.peak, Math.abs(samples[k]));
        whole[k] = Math.max(-32768, Math.min(32767, Math.round(samples[k] * 32768)));
      }
      this.pieces.push({ from, samples: whole });
      if (this.id) {
        const row = { take: this.id, from, samples: whole.buffer };
        this.kept = step('pieces', 'readwrite', (s) => s.put(row)).catch(() => (this.unkept = true));
      }
      this.#first();
    }
    if (last) this.#last();
  }

  #end(/** @type {string} */ why) {
    this.cut ??= why;
    this.onEnd?.();
  }

  /** The highest level since it was asked last. */
  level() {
    const peak = this.peak;
    this.peak = 0;
    return 20 * Math.log10(Math.max(peak, 1e-6));
  }

  /** Where a moment of the browser's sound lies in the recording, in samples. */
  sampleAt(/** @type {number} */ seconds) {
    return Math.round(seconds * this.on.sampleRate) - (this.pieces[0]?.from ?? 0);
  }

  /** Stops, and nothing of it is kept. */
  async forgo() {
    await this.stop();
    if (this.id) await drop(this.id);
  }

  async stop() {
    this.on.onstatechange = null;
    const last = new Promise((/** @type {(_: void) => void} */ done) => (this.#last = done));
    this.node.port.postMessage('stop');
    // A sound that stands still gives no last piece.
    await Promise.race([last, new Promise((done) => setTimeout(done, 500))]);
    this.stream.getTracks().forEach((track) => {
      track.onended = null;
      track.stop();
    });
    await this.kept;
    return { ...joined(this.pieces), rate: this.on.sampleRate };
  }
}
