// The first moment: what is played, how fast, to what.
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
    // Stopped before it sounds it does not sound.
    const wanted = (playing = { stop: () => undefined });
    it.textContent = stopWords;
    it.setAttribute('aria-pressed', 'true');
    const now = await begin().catch(() => null);
    if (playing !== wanted) return now?.stop();
    playing = now;
    await now?.ended;
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
  const all = choices.pieces.map((it) => ({ ...it, bpm: 0, drill: false }));
  if (state.again) {
    const { place, wish, bpm } = state.again;
    all.push({ words: 'the bars you are working on', detail: place, wish: { ...wish, times: LAPS }, bpm, drill: false });
  }
  if (choices.drill) all.push({ words: 'the echo drill', detail: choices.drill, wish: all[0].wish, bpm: 0, drill: true });
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
        ofPart.hidden = it.drill;
      },
    }), make('span', {}, it.words), make('bdi', { class: 'detail' }, it.detail))));

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
    return sound(on, await page.guide(JSON.stringify({ ...choices.pieces[0].wish, bpm: state.bpm, heard: 'click' }), on.sampleRate), on.sampleRate);
  });
  const listen = toggle('Listen first', 'Stop listening', async () => {
    const on = await sounds();
    return sound(on, await page.guide(JSON.stringify({ ...wished(), times: 1, heard: 'part' }), on.sampleRate), on.sampleRate);
  });

  const hears = make('label', {}, 'While you play you hear ', make('select', {
    onchange: (/** @type {Event} */ e) => {
      state.heard = /** @type {HTMLSelectElement} */ (e.target).value;
      remember('heard', state.heard);
    },
  }, ...[['click', 'a soft click'], ['part', 'the part itself'], ['both', 'the part and soft clicks'], ['alone', 'only the counting in'], ['silent', 'nothing']]
    .map(([value, words]) => make('option', { value, selected: value === state.heard }, words))));
  const microphone = await microphones();

  // The drill has its own tempo.
  const ofPart = make('div', { hidden: all[state.choice].drill }, tempo, make('div', { class: 'row' }, beat, listen), hearing());
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
    what, ofPart,
    button('Begin', () => (all[state.choice].drill ? beforeDrill() : begin()), { class: 'main', disabled: choices.pupils.length > 1 && !state.pupil }),
    make('p', { class: 'tiny' }, choices.care),
    make('p', { class: 'tiny' }, 'What you play stays on this device.'),
    make('details', {}, make('summary', {}, 'More'),
      make('p', {}, hears), microphone ? make('p', {}, microphone) : null,
      make('div', { class: 'row' },
        button('Sound check', () => beforeCheck()),
        fromFile('Open a recording')),
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
function fromFile(/** @type {string} */ words) {
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
