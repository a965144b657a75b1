// @ts-check
/// <reference path="./page.d.ts" />
'use strict';
// The pupil's page: showing, sounding, recording, keeping. What is heard and said comes from the library in this file.
// In order: the library, small helpers, keeping, sound, the four moments (choose, check, play, after), the beginning.
(() => {
  // ---------------------------------------------------------------- the library

  const held = (/** @type {string} */ id) => document.getElementById(id)?.textContent ?? '';

  const bytesOf = (/** @type {string} */ base64) => Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));

  /** Unpacks and starts the library. @returns {Promise<Page>} */
  async function start() {
    const packed = new Blob([bytesOf(held('module'))]).stream();
    const module = await new Response(packed.pipeThrough(new DecompressionStream('gzip'))).arrayBuffer();
    await wasm_bindgen({ module_or_path: module });
    return new wasm_bindgen.Page(held('handed'));
  }

  const ready = start();
  /** Whoever wants only the ear. */
  window.pailbeat = {
    assess: async (samples, rate, bpm) => JSON.parse((await ready).assess(samples, rate, bpm)),
  };

  /** @type {Page} */ let page;
  /** @type {Choices} */ let choices;

  // ---------------------------------------------------------------- helpers

  const main = /** @type {HTMLElement} */ (document.getElementById('page'));

  /**
   * An element; what begins with `on` listens, the rest are attributes.
   * @template {keyof HTMLElementTagNameMap} K
   * @param {K} tag @param {Record<string, any>} [set] @param {...(Node | string | null)} inside
   * @returns {HTMLElementTagNameMap[K]}
   */
  function make(tag, set = {}, ...inside) {
    const out = document.createElement(tag);
    for (const [name, value] of Object.entries(set)) {
      if (name.startsWith('on')) out.addEventListener(name.slice(2), value);
      else if (value === true) out.setAttribute(name, '');
      else if (value !== false && value != null) out.setAttribute(name, String(value));
    }
    out.append(...inside.filter((item) => item !== null));
    return out;
  }

  /** A piece of HTML of the library's, which has escaped all that came from outside. */
  function piece(/** @type {string} */ html, /** @type {keyof HTMLElementTagNameMap} */ tag = 'div', set = {}) {
    const out = make(tag, set);
    out.innerHTML = html;
    return out;
  }

  const button = (/** @type {string | Node} */ words, /** @type {() => void} */ press, set = {}) =>
    make('button', { type: 'button', onclick: press, ...set }, words);

  /** What has to end before another moment is made ready: sounds, timers, keys. @type {(() => void)[]} */
  let endings = [];
  const atEnd = (/** @type {() => void} */ ending) => endings.push(ending);
  const endAll = () => {
    const all = endings;
    endings = [];
    all.forEach((ending) => ending());
  };

  /** Shows a moment; its heading takes the focus, so that a screen reader begins there. */
  function show(/** @type {string} */ name, /** @type {(Node | string | null)[]} */ ...inside) {
    const body = make('div', { class: name }, ...inside.filter((item) => item !== null));
    main.replaceChildren(body);
    const heading = body.querySelector('h1');
    heading?.setAttribute('tabindex', '-1');
    heading?.focus({ preventScroll: true });
    window.scrollTo(0, 0);
  }

  const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
  /** A moment as take cards write it: date, time, zone. */
  function written(at = new Date()) {
    const zone = -at.getTimezoneOffset();
    const off = Math.abs(zone);
    return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${two(at.getHours())}:${two(at.getMinutes())}:` +
      `${two(at.getSeconds())} ${zone < 0 ? '-' : '+'}${two(Math.floor(off / 60))}${two(off % 60)}`;
  }

  // ---------------------------------------------------------------- keeping
  // Everything is kept in one database of this browser. Where there is none (a private window), the page works and says so.

  const DATABASE = 'pailbeat';
  /** So many takes are kept. */
  const TAKES = 5;
  /** A recording that grew in this time still runs, in another tab. */
  const ALIVE_MS = 5000;

  /** @type {IDBDatabase | null} */ let database = null;

  function openDatabase() {
    return new Promise((/** @type {(db: IDBDatabase | null) => void} */ done) => {
      try {
        const asked = indexedDB.open(DATABASE, 1);
        asked.onupgradeneeded = () => {
          asked.result.createObjectStore('kept');
          asked.result.createObjectStore('takes', { keyPath: 'id' });
          asked.result.createObjectStore('pieces', { keyPath: ['take', 'from'] });
        };
        asked.onsuccess = () => done(asked.result);
        asked.onerror = () => done(null);
        asked.onblocked = () => done(null);
      } catch {
        done(null);
      }
    });
  }

  /**
   * One step in the database.
   * @template T
   * @param {string} store @param {IDBTransactionMode} mode @param {(store: IDBObjectStore) => IDBRequest<T>} ask
   * @returns {Promise<T>}
   */
  function step(store, mode, ask) {
    return new Promise((done, failed) => {
      if (!database) return failed(new Error('this browser keeps nothing here'));
      const turn = database.transaction(store, mode);
      const asked = ask(turn.objectStore(store));
      turn.oncomplete = () => done(asked.result);
      turn.onerror = turn.onabort = () => failed(turn.error ?? new Error('it could not be kept'));
    });
  }

  /** What is remembered, and nothing where it cannot be had. */
  const recall = (/** @type {string} */ key) => step('kept', 'readonly', (s) => s.get(key)).catch(() => undefined);
  const remember = (/** @type {string} */ key, /** @type {any} */ value) =>
    step('kept', 'readwrite', (s) => s.put(value, key)).catch(() => undefined);

  const ofTake = (/** @type {string} */ id) => IDBKeyRange.bound([id, -Infinity], [id, Infinity]);

  /** All takes of this part and this pupil, newest first. @returns {Promise<Kept[]>} */
  async function takes() {
    /** @type {Kept[]} */
    const all = await step('takes', 'readonly', (s) => s.getAll()).catch(() => []);
    return all.filter((take) => take.of === whose()).sort((a, b) => b.began - a.began);
  }

  async function drop(/** @type {string} */ id) {
    await step('pieces', 'readwrite', (s) => s.delete(ofTake(id))).catch(() => undefined);
    await step('takes', 'readwrite', (s) => s.delete(id)).catch(() => undefined);
  }

  /** The sound of a take that is kept. @returns {Promise<Float32Array>} */
  async function soundOf(/** @type {string} */ id) {
    const pieces = await step('pieces', 'readonly', (s) => s.getAll(ofTake(id)));
    return joined(pieces.map((p) => ({ from: p.from, samples: new Int16Array(p.samples) }))).samples;
  }

  async function forget() {
    endAll();
    database?.close();
    database = null;
    await new Promise((done) => {
      const asked = indexedDB.deleteDatabase(DATABASE);
      asked.onsuccess = asked.onerror = asked.onblocked = () => done(null);
    });
    database = await openDatabase();
    page.unknow();
    state.check = null;
    state.again = null;
    state.last = null;
    choose('Everything that was kept on this device is gone.');
  }

  // ---------------------------------------------------------------- what the page knows

  /** @type {State} */
  const state = { pupil: null, wish: null, choice: 0, bpm: 0, heard: 'click', microphone: '', check: null, again: null, last: null };

  const whose = () => `${JSON.parse(held('handed')).sha256}/${state.pupil ?? ''}`;

  // ---------------------------------------------------------------- sound

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

  // ---------------------------------------------------------------- choose

  const hearing = () => make('p', { class: 'tiny' }, `Care: ${choices.caution}.`);

  /** A sound that a button starts and stops. */
  function toggle(/** @type {string} */ words, /** @type {string} */ stopWords, /** @type {() => Promise<{ stop: () => void, ended: Promise<void> }>} */ begin) {
    /** @type {{ stop: () => void } | null} */ let playing = null;
    const stop = () => {
      playing?.stop();
      playing = null;
      it.textContent = words;
      it.setAttribute('aria-pressed', 'false');
    };
    const it = button(words, async () => {
      if (playing) return stop();
      stopSounds();
      const now = (playing = await begin());
      it.textContent = stopWords;
      it.setAttribute('aria-pressed', 'true');
      await now.ended;
      if (playing === now) stop();
    }, { 'aria-pressed': 'false' });
    atEnd(stop);
    toggles.push(stop);
    return it;
  }
  /** @type {(() => void)[]} */ let toggles = [];
  const stopSounds = () => toggles.forEach((stop) => stop());

  /** What can be played: what is written, and the bars of the last fix. */
  function pieces() {
    const all = choices.pieces.map((it) => ({ ...it, bpm: 0 }));
    if (state.again) {
      const { place, wish, bpm } = state.again;
      all.push({ words: 'the bars you are working on', detail: place, wish: { ...wish, times: LAPS }, bpm });
    }
    return all;
  }
  /** Practised bars are played so often in a row, as `pailbeat again` has it. */
  const LAPS = 4;

  function wished() {
    const all = pieces();
    const it = all[state.choice] ?? all[0];
    return { ...it.wish, bpm: state.bpm, heard: state.heard === 'silent' ? 'alone' : state.heard };
  }

  async function choose(said = '') {
    endAll();
    toggles = [];
    const all = pieces();
    if (state.choice >= all.length) state.choice = 0;
    const kept = await takes();
    const unfinished = kept.find((take) => !take.whole && Date.now() - take.touched > ALIVE_MS);

    const who = choices.pupils.length > 1
      ? make('p', {}, make('label', {}, 'Who plays? ', make('select', {
        onchange: (/** @type {Event} */ e) => {
          state.pupil = /** @type {HTMLSelectElement} */ (e.target).value || null;
          remember('pupil', state.pupil);
          begun();
        },
      }, make('option', { value: '' }, 'choose your name'), ...choices.pupils.map((name) =>
        make('option', { value: name, selected: name === state.pupil }, name)))))
      : state.pupil ? make('p', { class: 'sub' }, make('bdi', {}, state.pupil)) : null;

    const what = make('fieldset', {}, make('legend', {}, 'What do you play?'), ...all.map((it, k) =>
      make('label', { class: 'choice' }, make('input', {
        type: 'radio', name: 'what', value: k, checked: k === state.choice,
        onchange: () => {
          state.choice = k;
          stopSounds();
          if (it.bpm) setTempo(it.bpm);
        },
      }), make('span', {}, it.words), make('span', { class: 'detail' }, it.detail))));

    const number = make('output', { class: 'tempo', id: 'tempo' }, String(state.bpm));
    const slider = make('input', {
      type: 'range', min: Math.ceil(choices.slowest), max: Math.floor(choices.fastest), value: state.bpm, 'aria-label': 'Beats a minute',
      oninput: () => setTempo(Number(slider.value)),
    });
    const slower = button('slower', () => setTempo(state.bpm - 2));
    const faster = button('faster', () => setTempo(state.bpm + 2));
    const edge = make('p', { class: 'sub', role: 'status' });
    function setTempo(/** @type {number} */ bpm) {
      stopSounds();
      state.bpm = Math.min(Math.max(Math.round(bpm), Math.ceil(choices.slowest)), Math.floor(choices.fastest));
      number.textContent = String(state.bpm);
      slider.value = String(state.bpm);
      const slowest = state.bpm <= choices.slowest;
      const fastest = state.bpm >= choices.fastest;
      slower.setAttribute('aria-disabled', String(slowest));
      faster.setAttribute('aria-disabled', String(fastest));
      edge.textContent = slowest
        ? 'This is as slow as the part goes. Need it slower? Play less of it, or tell your teacher.'
        : fastest ? 'This is as fast as the part goes.' : '';
    }
    const tempo = make('div', { role: 'group', 'aria-labelledby': 'fast' },
      make('h2', { id: 'fast' }, 'How fast? Beats a minute'),
      make('div', { class: 'row three' }, slower, number, faster), slider,
      make('div', { class: 'ends' }, make('span', {}, String(Math.ceil(choices.slowest))), make('span', {}, String(Math.floor(choices.fastest)))), edge);

    const beat = toggle('Hear the beat', 'Stop the beat', async () => {
      const on = await sounds();
      return sound(on, page.guide(JSON.stringify({ ...choices.pieces[0].wish, bpm: state.bpm, heard: 'click' }), on.sampleRate), on.sampleRate);
    });
    const listen = toggle('Listen first', 'Stop listening', async () => {
      const on = await sounds();
      return sound(on, page.guide(JSON.stringify({ ...wished(), times: 1, heard: 'part' }), on.sampleRate), on.sampleRate);
    });

    const hears = make('label', {}, 'While you play you hear ', make('select', {
      onchange: (/** @type {Event} */ e) => {
        state.heard = /** @type {HTMLSelectElement} */ (e.target).value;
        remember('heard', state.heard);
      },
    }, ...[['click', 'a soft click'], ['part', 'the part itself'], ['both', 'the part and soft clicks'], ['alone', 'only the counting in'], ['silent', 'nothing']]
      .map(([value, words]) => make('option', { value, selected: value === state.heard }, words))));
    const microphone = await microphones();

    const last = kept.find((take) => take.whole);
    show('choose',
      said ? make('p', { class: 'notice', role: 'status' }, said) : null,
      database ? null : make('p', { class: 'notice' }, 'This browser keeps nothing here (a private window?). You can play; give the take to your teacher before you close the page.'),
      unfinished ? make('div', { class: 'notice', role: 'group', 'aria-label': 'An unfinished take' },
        make('p', {}, `There is an unfinished take of ${clock(unfinished.began)}. Keep it?`),
        make('div', { class: 'row' },
          button('Keep it', () => resume(unfinished)),
          button('Let it go', async () => { await drop(unfinished.id); choose(); }))) : null,
      who,
      make('h1', {}, make('bdi', {}, choices.title)),
      what, tempo,
      make('div', { class: 'row' }, beat, listen),
      hearing(),
      button('Begin', () => begin(), { class: 'main', disabled: choices.pupils.length > 1 && !state.pupil }),
      make('p', { class: 'tiny' }, choices.care),
      make('p', { class: 'tiny' }, 'What you play stays on this device.'),
      make('details', {}, make('summary', {}, 'More'),
        make('p', {}, hears), microphone ? make('p', {}, microphone) : null,
        make('div', { class: 'row' },
          button('Sound check', () => beforeCheck()),
          opener('Open a recording')),
        last ? make('div', { class: 'row' }, button('Your last take', () => resume(last))) : null,
        make('div', { class: 'row' }, button('Forget everything here', () => confirmForget()))));
    setTempo(state.bpm);
  }

  const clock = (/** @type {number} */ at) => {
    const day = new Date(at);
    return `${two(day.getHours())}:${two(day.getMinutes())}`;
  };

  /** A choice of microphones, where there are several and the browser tells their names. */
  async function microphones() {
    const all = await navigator.mediaDevices?.enumerateDevices?.().catch(() => []) ?? [];
    const inputs = all.filter((device) => device.kind === 'audioinput' && device.label);
    if (inputs.length < 2) return null;
    return make('label', {}, 'Microphone ', make('select', {
      onchange: (/** @type {Event} */ e) => {
        state.microphone = /** @type {HTMLSelectElement} */ (e.target).value;
        remember('microphone', state.microphone);
      },
    }, make('option', { value: '' }, 'the usual one'), ...inputs.map((device) =>
      make('option', { value: device.deviceId, selected: device.deviceId === state.microphone }, device.label))));
  }

  /** Opens a recording made elsewhere. */
  function opener(/** @type {string} */ words) {
    const input = make('input', {
      type: 'file', accept: 'audio/*,video/*', class: 'file', 'aria-label': words,
      onchange: async () => {
        const file = input.files?.[0];
        if (!file) return;
        try {
          const decoder = new OfflineAudioContext(1, 1, 48000);
          const decoded = await decoder.decodeAudioData(await file.arrayBuffer());
          const channels = Array.from({ length: decoded.numberOfChannels }, (_, k) => decoded.getChannelData(k));
          const loud = (/** @type {Float32Array} */ x) => x.reduce((sum, v) => sum + v * v, 0);
          const samples = channels.reduce((a, b) => (loud(b) > loud(a) ? b : a));
          const facts = { began: written(new Date(file.lastModified)), pupil: state.pupil, microphone: '', opened: true };
          await hear(wished(), facts, samples, decoded.sampleRate, null);
        } catch {
          choose(`“${file.name}” could not be opened: it is no recording that this browser can read.`);
        }
      },
    });
    return make('label', { class: 'button' }, words, input);
  }

  function confirmForget() {
    endAll();
    show('ask', make('h1', {}, 'Forget everything here?'),
      make('p', {}, 'All takes, the sound check and your name are removed from this device. What you have given to your teacher stays there.'),
      button('Forget everything', forget, { class: 'main' }), button('No, go back', () => choose()));
  }

  // ---------------------------------------------------------------- check

  /** A check holds for the day's practice, as in the program. */
  const holds = () => state.check && Date.now() - state.check.at < choices.check_holds_hours * 3600e3;

  function begin() {
    if (holds()) play(wished());
    else beforeCheck();
  }

  function refused(/** @type {any} */ error, /** @type {() => void} */ again) {
    endAll();
    show('refused', make('h1', {}, 'The microphone does not listen'),
      make('p', { class: 'say' }, whyNot(error)),
      button('Try again', again, { class: 'main' }),
      opener('Open a recording'), button('Back', () => choose()));
  }

  function beforeCheck() {
    endAll();
    show('check', make('h1', {}, 'Sound check'),
      make('p', { class: 'say' }, 'The page needs the microphone to hear you play.'),
      make('p', {}, 'Your browser will ask whether it may. What it hears stays on this device. First be quiet; you hear some clicks. Then strike three times on each surface.'),
      hearing(),
      button('Start the sound check', () => check(), { class: 'main' }),
      button('Play without it', () => play(wished())),
      button('Back', () => choose()));
  }

  async function check() {
    endAll();
    /** @type {Recording} */ let recording;
    try {
      recording = await Recording.open(null);
    } catch (error) {
      return refused(error, () => check());
    }
    const began = written();
    const say = make('p', { class: 'say', role: 'status', 'aria-live': 'assertive' }, 'Be quiet for a moment.');
    const sign = make('div', { class: 'sign' });
    const meter = levelBar();
    show('check', make('h1', {}, 'Sound check'), sign, say, meter.bar, button('Stop', () => choose()));
    let over = false;
    atEnd(() => {
      over = true;
      recording.stop();
      probe?.stop();
    });
    /** @type {ReturnType<typeof sound> | null} */ let probe = null;
    await recording.begun;
    if (over) return;
    const on = recording.on;
    if (state.heard !== 'silent') probe = sound(on, page.probe(on.sampleRate), on.sampleRate);
    const from = on.currentTime;
    const surfaces = choices.surfaces;
    let told = -1;
    const timer = setInterval(async () => {
      meter.set(recording.level());
      const t = on.currentTime - from - choices.check_strikes_from_s;
      const now = Math.floor(t / choices.check_each_s);
      if (t >= 0 && now > told && now < surfaces.length) {
        told = now;
        sign.innerHTML = surfaces[now].sign;
        say.textContent = `Now three strokes, one by one: ${surfaces[now].say}.`;
      }
      if (recording.cut || t > surfaces.length * choices.check_each_s) {
        clearInterval(timer);
        over = true;
        const taken = await recording.stop();
        await checked(taken, probe ? recording.sampleAt(probe.at) / taken.rate : undefined, began);
      }
    }, 50);
    atEnd(() => clearInterval(timer));
  }

  async function checked(/** @type {Taken} */ { samples, rate }, /** @type {number | undefined} */ playedFrom, /** @type {string} */ began) {
    const words = choices.surfaces.map((s) => s.word).join(',');
    endAll();
    /** @type {Checked} */
    const found = JSON.parse(page.check(samples, rate, playedFrom, began, words));
    state.check = { at: Date.now(), check: found.check, surfaces: words, strikes: null, rate };
    if (found.keep_s) {
      const strikes = samples.slice(Math.round(found.keep_s[0] * rate), Math.round(found.keep_s[1] * rate));
      try {
        page.know(strikes, rate, words, JSON.stringify(found.check));
        state.check.strikes = strikes;
      } catch {
        // Heard otherwise by itself: then the surfaces are told apart without it.
      }
    }
    await remember('check', state.check);
    const heard = make('div', { class: 'heard' }, ...choices.surfaces.map((surface, k) => {
      const n = found.surfaces[k].heard;
      const signs = make('span', { 'aria-hidden': 'true' });
      signs.innerHTML = surface.sign.repeat(n) + '<span class="unheard">?</span>'.repeat(3 - n);
      return make('p', {}, signs, ` ${surface.say}: ${n} of 3`);
    }));
    const change = found.change;
    const [what, how] = change ? halves(change.say) : ['Nothing. Everything was heard.', ''];
    show('check', make('h1', {}, 'Sound check'),
      make('h2', {}, 'What would spoil it'), make('p', { class: 'say' }, what),
      how ? make('h2', {}, 'The one thing to change first') : null, how ? make('p', { class: 'say' }, make('strong', {}, how)) : null,
      make('h2', {}, 'What was heard'), heard,
      found.others > 0 ? make('p', { class: 'sub' }, 'One thing at a time: the rest can wait.') : null,
      change ? button('Check again', () => check(), { class: 'main' }) : button('Begin', () => play(wished()), { class: 'main' }),
      change ? button('Play anyway', () => play(wished())) : button('Check again', () => check()),
      change ? make('p', { class: 'tiny' }, 'Then some strokes may go unheard. The page will say which, and will not call them missed.') : null,
      button('Back', () => choose()));
  }

  /** `what it is: what to do` in two sentences. */
  function halves(/** @type {string} */ said) {
    const at = said.indexOf(': ');
    const sentence = (/** @type {string} */ s) => `${s[0].toUpperCase()}${s.slice(1)}.`;
    return at < 0 ? [sentence(said), ''] : [sentence(said.slice(0, at)), sentence(said.slice(at + 2))];
  }

  /** One bar with three words, from -60 dB to full scale. It falls slowly, so that a stroke can be read. */
  function levelBar() {
    const FLOOR = -60;
    const soft = Math.min(-20, state.check?.check.audible_from_db ?? -45);
    const LOUD = -1;
    const share = (/** @type {number} */ db) => Math.max(0, Math.min(1, (db - FLOOR) / -FLOOR));
    const fill = make('i', { class: 'fill' });
    const words = ['too soft', 'heard well', 'too loud'].map((word) => make('span', {}, word));
    const marks = [soft, LOUD].map((db) => {
      const mark = make('i', { class: 'mark' });
      mark.style.left = `${100 * share(db)}%`;
      return mark;
    });
    const bar = make('div', { class: 'level' }, make('h2', {}, 'The microphone'),
      make('div', { class: 'bar', 'aria-hidden': 'true' }, fill, ...marks), make('div', { class: 'ends', 'aria-hidden': 'true' }, ...words));
    let shown = FLOOR;
    let at = performance.now();
    return {
      bar,
      set: (/** @type {number} */ db) => {
        const now = performance.now();
        shown = Math.max(db, shown - (20 * (now - at)) / 1000, FLOOR);
        at = now;
        fill.style.width = `${100 * share(shown)}%`;
        const here = shown < soft ? 0 : shown < LOUD ? 1 : 2;
        words.forEach((word, k) => word.classList.toggle('here', k === here));
      },
    };
  }

  // ---------------------------------------------------------------- play

  /** Recorded on after the guide's last sound, in seconds, as the program does. */
  const AFTER_S = 1;

  async function play(/** @type {Wish} */ wish, /** @type {any} */ tally = null) {
    endAll();
    /** @type {Plan} */ const plan = JSON.parse(page.plan(JSON.stringify(wish)));
    const id = database ? `${Date.now()}-${Math.random().toString(36).slice(2)}` : null;
    /** @type {Recording} */ let recording;
    try {
      recording = await Recording.open(id);
    } catch (error) {
      return refused(error, () => play(wish, tally));
    }
    const on = recording.on;
    const guided = state.heard !== 'silent';
    const facts = {
      began: written(), pupil: state.pupil, guide_played: guided, microphone: recording.microphone,
      loudspeaker: guided ? 'browser' : null, tally,
    };
    const row = { id: id ?? '', of: whose(), began: Date.now(), touched: Date.now(), whole: false, wish, facts, rate: on.sampleRate };
    if (id) await step('takes', 'readwrite', (s) => s.put(row)).catch(() => (recording.unkept = true));

    const view = playView(plan);
    const meter = levelBar();
    const stop = button('Stop', () => finish(), { class: 'stop' });
    show('play',
      make('h1', { class: 'small' }, make('bdi', {}, choices.title), ` · ${plan.bpm} beats a minute`),
      view.form, view.bars, meter.bar, stop,
      make('p', { class: 'tiny' }, 'Nothing is judged while you play. If you slip, go on. The space bar stops, too.'));
    stop.focus({ preventScroll: true });

    let over = false;
    const onKey = (/** @type {KeyboardEvent} */ e) => {
      if (e.key === ' ' || e.key === 'Escape') {
        e.preventDefault();
        finish();
      }
    };
    document.addEventListener('keydown', onKey);
    atEnd(() => {
      document.removeEventListener('keydown', onKey);
      if (!over) recording.stop();
    });
    const awake = await navigator.wakeLock?.request('screen').catch(() => null);
    atEnd(() => { awake?.release(); });

    await recording.begun;
    if (over) return;
    const samples = guided ? page.guide(JSON.stringify(wish), on.sampleRate) : null;
    const played = samples ? sound(on, samples, on.sampleRate) : null;
    const from = played ? played.at : on.currentTime + 0.1;
    let touched = Date.now();
    const timer = setInterval(() => {
      const t = on.currentTime - from - (on.outputLatency || 0);
      view.at(t);
      meter.set(recording.level());
      if (id && Date.now() - touched > 1000) {
        touched = row.touched = Date.now();
        step('takes', 'readwrite', (s) => s.put(row)).catch(() => undefined);
      }
      if (t > plan.length_s + AFTER_S) finish();
    }, 30);
    atEnd(() => clearInterval(timer));
    recording.onEnd = () => finish();
    if (recording.cut) return finish();

    async function finish() {
      if (over) return;
      over = true;
      clearInterval(timer);
      played?.stop();
      const start = played ? recording.sampleAt(from) : null;
      const { samples: taken, missing, rate } = await recording.stop();
      if (taken.length === 0) {
        if (id) await drop(id);
        return choose('The microphone gave no sound at all. Choose another one under “More”, and see that it is switched on.');
      }
      const all = { ...facts, guide_from_samples: start, cut_short: recording.cut, dropped_samples: missing };
      if (id) await step('takes', 'readwrite', (s) => s.put({ ...row, facts: all, whole: true })).catch(() => (recording.unkept = true));
      const settings = recording.settings;
      const changed = [settings.echoCancellation && 'echo cancelling', settings.autoGainControl && 'automatic gain', settings.noiseSuppression && 'noise suppression']
        .filter((word) => word);
      const notes = [
        recording.cut ? `The take ended early: ${recording.cut}. What was recorded until then is here.` : '',
        recording.unkept ? 'This device had no room to keep the take. Give it to your teacher before you close the page.' : '',
        changed.length ? `This browser changes the sound by itself (${changed.join(', ')}), so that soft strokes may go unheard.` : '',
      ].filter((note) => note);
      await hear(wish, all, taken, rate, id, notes);
      if (id) tidy();
    }
  }

  /** Only the newest takes are kept. */
  async function tidy() {
    const all = await takes();
    for (const take of all.filter((t) => t.whole).slice(TAKES)) await drop(take.id);
  }

  /** The form, and the bars now, next and then. */
  function playView(/** @type {Plan} */ plan) {
    const form = make('p', { class: 'form', 'aria-hidden': 'true' });
    const letters = plan.passes.map((name) => make('span', {}, name));
    const where = make('span', { class: 'detail' });
    form.append(...letters, where);
    const figures = ['now', 'next', 'then'].map((name) => {
      const caption = make('figcaption');
      const drawing = make('div');
      return { name, caption, drawing, shown: -2, frames: /** @type {HTMLElement[]} */ ([]), it: make('figure', { class: name }, caption, drawing) };
    });
    const bars = make('div', { class: 'bars' }, ...figures.map((figure) => figure.it));
    const words = { now: 'Now', next: 'Next', then: 'Then' };

    function fill(/** @type {typeof figures[0]} */ figure, /** @type {number} */ bar) {
      if (figure.shown === bar) return;
      figure.shown = bar;
      figure.frames = [];
      figure.drawing.replaceChildren();
      const written = plan.bars[bar];
      figure.it.hidden = !written && bar !== -1;
      const name = words[/** @type {'now' | 'next' | 'then'} */ (figure.name)];
      if (bar === -1) {
        figure.caption.textContent = 'Counting in';
        const counts = make('div', { class: 'countin' }, ...Array.from({ length: plan.count_in }, (_, k) => make('span', {}, String(k + 1))));
        figure.frames = /** @type {HTMLElement[]} */ ([...counts.children]);
        figure.drawing.append(counts);
      } else if (written) {
        figure.caption.textContent = `${name} · ${written.section}, bar ${written.number}`;
        for (const [k, width] of ['phone', 'sheet'].entries()) {
          const drawing = piece(plan.drawings[written.drawing][k].svg, 'div', { class: `${width} drawn` });
          const frame = make('i', { class: 'frame', hidden: true });
          figure.frames.push(frame);
          drawing.append(frame);
          figure.drawing.append(drawing);
        }
      }
    }

    function at(/** @type {number} */ t) {
      let bar = -1;
      while (bar + 1 < plan.bars.length && plan.bars[bar + 1].at_s <= t) bar++;
      figures.forEach((figure, k) => fill(figure, bar + k));
      const now = plan.bars[Math.max(bar, 0)];
      letters.forEach((letter, k) => letter.classList.toggle('here', k === now?.pass));
      where.textContent = bar < 0 ? '' : [now.time, `bar ${now.number}`].filter((s) => s).join(' · ');
      const { frames } = figures[0];
      if (bar < 0) {
        const count = Math.floor((t - (plan.start_s - plan.count_in * plan.beat_s)) / plan.beat_s);
        frames.forEach((frame, k) => frame.classList.toggle('here', k === count));
        return;
      }
      plan.drawings[now.drawing].forEach(({ counts }, k) => {
        const here = counts.filter((count) => count[0] <= t - now.at_s + 1e-3).pop();
        const frame = frames[k];
        if (!here || !frame) return;
        const [left, top, width, height] = here.slice(1).map((share) => `${100 * share}%`);
        frame.hidden = t > plan.length_s;
        Object.assign(frame.style, { left, top, width, height });
      });
    }
    at(-1);
    return { form, bars, at };
  }

  // ---------------------------------------------------------------- after

  /** A take of this device again: an unfinished one, or the last. */
  async function resume(/** @type {Kept} */ kept) {
    try {
      const samples = await soundOf(kept.id);
      if (samples.length === 0) {
        await drop(kept.id);
        return choose('Nothing was recorded in that take.');
      }
      const cut = kept.whole ? kept.facts.cut_short : 'the page was closed while it was recorded';
      const facts = { ...kept.facts, cut_short: cut };
      await step('takes', 'readwrite', (s) => s.put({ ...kept, facts, whole: true }));
      await hear(kept.wish, facts, samples, kept.rate, kept.id);
    } catch {
      choose('That take could not be read.');
    }
  }

  /** Hears a take and shows what came of it. */
  async function hear(/** @type {Wish} */ wish, /** @type {any} */ facts, /** @type {Float32Array} */ samples, /** @type {number} */ rate, /** @type {string | null} */ id, /** @type {string[]} */ notes = []) {
    endAll();
    show('wait', make('h1', {}, 'Listening to your take …'));
    // The words are drawn before the page is busy.
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)));
    try {
      const said = page.hear(JSON.stringify(wish), JSON.stringify(facts), samples, rate);
      state.last = { said: JSON.parse(said), samples, rate, id };
    } catch (error) {
      return choose(`The take could not be heard: ${error instanceof Error ? error.message : error}.`);
    }
    after(wish, samples, rate, id, notes);
  }

  function after(/** @type {Wish} */ wish, /** @type {Float32Array} */ samples, /** @type {number} */ rate, /** @type {string | null} */ id, /** @type {string[]} */ notes) {
    /** @type {Told} */ const told = JSON.parse(page.told());
    toggles = [];
    endAll();
    // Of bars that were looped the rule speaks, as in the program; of all else the advice.
    const again = told.rule ? null : told.again;
    const bpm = Math.round(told.rule?.bpm ?? told.next_bpm);
    if (again) {
      state.again = { place: again.place, wish: again.wish, bpm };
      remember(`again/${whose()}`, state.again);
    }
    const written = again ? toggle(`Hear these bars as written`, 'Stop', async () => {
      const on = await sounds();
      const asked = JSON.stringify({ ...again.wish, heard: 'part' });
      const { start_s: start } = JSON.parse(page.plan(asked));
      return sound(on, page.guide(asked, on.sampleRate), on.sampleRate, 0, Math.max(0, start - 0.1));
    }) : null;
    const played = again?.played_s;
    const mine = played ? toggle('Hear how you played them', 'Stop', async () => {
      const on = await sounds();
      const part = samples.slice(Math.round(played[0] * rate), Math.round(played[1] * rate));
      // As loud as the guide at most: a microphone's level says nothing about the loudspeaker's.
      const most = part.reduce((peak, v) => Math.max(peak, Math.abs(v)), 1e-6);
      return sound(on, part.map((v) => (v * 0.2) / most), rate);
    }) : null;
    const next = again ? { ...again.wish, times: LAPS, bpm, heard: wish.heard } : { ...wish, bpm };
    const words = again || told.rule ? `Play these bars now at ${bpm}` : `Play it again at ${bpm}`;
    show('after',
      make('h1', { class: 'small' }, state.pupil ? make('bdi', {}, state.pupil) : null, state.pupil ? ' · ' : '', make('bdi', {}, choices.title), ` · your take just now, at ${Math.round(wish.bpm)}`),
      ...notes.map((note) => make('p', { class: 'notice' }, note)),
      piece(told.keep), told.fix ? piece(told.fix) : null,
      written || mine ? make('div', { class: 'row' }, written, mine) : null,
      written || mine ? hearing() : null,
      told.rule ? make('p', { class: 'say' }, told.rule.words) : null,
      button(words, () => play(next, told.rule?.tally ?? null), { class: 'main' }),
      told.rule ? null : piece(told.next),
      button('Give this to your teacher', () => give(samples, rate)),
      make('p', { class: 'tiny' }, 'Makes one file: your recording and what was asked for. It goes nowhere by itself; you or a grown-up hand it on.'),
      make('details', {}, make('summary', {}, 'The chart of your take, and the same in words'), piece(told.chart, 'figure'), piece(told.twin),
        told.limits.length ? make('div', {}, make('h2', {}, 'What this take cannot tell'), make('ul', {}, ...told.limits.map((limit) => make('li', {}, limit)))) : null),
      make('div', { class: 'row' }, button('Choose something else', () => choose()),
        id ? button('Take this recording away', async () => { await drop(id); choose('The recording is gone.'); }) : null),
      make('p', { class: 'tiny' }, id ? 'Your recording is on this device until you take it away; the five newest are kept.' : 'Your recording is not kept on this device.'));
  }

  /** One file for the teacher, through the share sheet where there is one. */
  async function give(/** @type {Float32Array} */ samples, /** @type {number} */ rate) {
    const strikes = state.check?.strikes ?? new Float32Array(0);
    const bytes = page.given(samples, rate, strikes, strikes.length ? state.check?.rate ?? 0 : 0);
    const plain = (/** @type {string} */ s) => s.replace(/[^\p{L}\p{N}]+/gu, '-').replace(/^-|-$/g, '');
    const now = new Date();
    const name = `${[choices.title, state.pupil ?? ''].map(plain).filter((s) => s).join('-')}-${now.getFullYear()}${two(now.getMonth() + 1)}${two(now.getDate())}-${two(now.getHours())}${two(now.getMinutes())}${two(now.getSeconds())}.zip`;
    const file = new File([/** @type {Uint8Array<ArrayBuffer>} */ (bytes)], name, { type: 'application/zip' });
    if (navigator.canShare?.({ files: [file] })) {
      try {
        return await navigator.share({ files: [file], title: name });
      } catch (error) {
        if (error instanceof DOMException && error.name === 'AbortError') return;
      }
    }
    const address = URL.createObjectURL(file);
    const link = make('a', { href: address, download: name, hidden: true });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 60_000);
  }

  // ---------------------------------------------------------------- the beginning

  /** What this device knows of who plays. */
  async function begun() {
    state.again = (await recall(`again/${whose()}`)) ?? null;
    state.choice = 0;
    await choose();
  }

  async function open() {
    if (typeof DecompressionStream === 'undefined' || typeof WebAssembly === 'undefined' || typeof AudioWorkletNode === 'undefined') {
      main.replaceChildren(make('h1', {}, 'This browser is too old for the page'),
        make('p', {}, 'Open it in a newer one: Firefox, Chrome, Edge or Safari of 2023 or later.'));
      return;
    }
    page = await ready;
    choices = JSON.parse(page.choices());
    database = await openDatabase();
    state.bpm = Math.round(choices.bpm);
    const named = await recall('pupil');
    state.pupil = choices.pupils.length === 1 ? choices.pupils[0] : choices.pupils.includes(named) ? named : null;
    state.heard = (await recall('heard')) ?? 'click';
    state.microphone = (await recall('microphone')) ?? '';
    state.check = (await recall('check')) ?? null;
    const { check } = state;
    if (check?.strikes && holds()) {
      try {
        page.know(check.strikes, check.rate, check.surfaces, JSON.stringify(check.check));
      } catch {
        state.check = null;
      }
    }
    await begun();
  }

  // What is folded is printed, too.
  addEventListener('beforeprint', () => main.querySelectorAll('.after details').forEach((it) => it.setAttribute('open', '')));

  open().catch((error) => {
    main.replaceChildren(make('h1', {}, 'The page could not start'),
      make('p', {}, `Try another browser, or tell your teacher what it says: ${error instanceof Error ? error.message : error}`));
  });
})();
