// The second moment, once a day: what would spoil a take, how the surfaces sound, and the bar that shows the level.
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
    fromFile('Open a recording'), button('Back', () => choose()));
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
  let left = false;
  atEnd(() => (left = true));
  try {
    recording = await Recording.open(null);
  } catch (error) {
    return left ? undefined : refused(error, () => check());
  }
  if (left) return recording.forgo();
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
  const on = recording.on;
  const [samples] = await Promise.all([state.heard === 'silent' ? null : page.probe(on.sampleRate), recording.begun]);
  if (over) return;
  if (samples) probe = sound(on, samples, on.sampleRate);
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
      say.textContent = `Now three strokes on the ${surfaces[now].say}, one by one.`;
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
  const found = JSON.parse(await page.check(samples, rate, playedFrom, began, words));
  state.check = { at: Date.now(), check: found.check, surfaces: words, strikes: null, rate };
  if (found.keep_s) {
    const strikes = samples.slice(Math.round(found.keep_s[0] * rate), Math.round(found.keep_s[1] * rate));
    try {
      await page.know(strikes, rate, words, JSON.stringify(found.check));
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
