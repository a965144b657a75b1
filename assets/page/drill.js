// The echo drill: each call is listened to, or watched, and played back; one is met with silence.

/** After a drill's last signal it is over, in seconds. */
const LAST_SIGNAL_S = 0.7;

const ofWhom = () => state.pupil ?? undefined;

/** Words of the library with names in backticks. */
const named = (/** @type {string} */ text) =>
  text.split('`').map((it, k) => (k % 2 ? make('bdi', {}, make('strong', {}, it)) : it));

/** The bars of a call. `frames` of each drawing stand over its counts. */
function callView(/** @type {Drill['calls'][0]} */ call) {
  /** @type {{ at_s: number, cover: HTMLElement, frame: HTMLElement }[]} */ const counts = [];
  const bars = call.bars.map((bar) => make('div', {}, ...['phone', 'sheet'].map((width, k) => {
    const drawing = bar.drawings[k];
    const it = piece(drawing.svg, 'div', { class: `${width} drawn` });
    for (const [at, ...place] of drawing.counts) {
      const [left, top, wide, high] = place.map((share) => `${100 * share}%`);
      const [cover, frame] = ['cover', 'frame'].map((name) => make('i', { class: name, hidden: true }));
      [cover, frame].forEach((over) => Object.assign(over.style, { left, top, width: wide, height: high }));
      it.append(cover, frame);
      counts.push({ at_s: bar.at_s + at, cover, frame });
    }
    return it;
  })));
  /** Shows it up to what has sounded. */
  const upTo = (/** @type {number} */ t) => counts.forEach(({ at_s, cover, frame }) => {
    const next = counts.reduce((min, count) => (count.at_s > at_s && count.at_s < min ? count.at_s : min), call.length_s);
    cover.hidden = at_s <= t;
    frame.hidden = !(at_s <= t && t < next);
  });
  return { it: make('figure', {}, ...bars), upTo };
}

/** What there is to do, and how it is to be taken. */
async function beforeDrill(said = '') {
  endAll();
  toggles = [];
  /** @type {Drill} */ const drill = JSON.parse(await page.drill(ofWhom()));
  const [from, to] = drill.hush_s ?? [0, 0];
  const hush = drill.calls[drill.hush];
  const hear = toggle('Hear the hush pattern', 'Stop', async () => {
    const on = await sounds();
    const all = await page.drill_sound(ofWhom(), on.sampleRate);
    return sound(on, all.slice(Math.round(from * on.sampleRate), Math.round(to * on.sampleRate)), on.sampleRate);
  });
  const how = make('fieldset', {}, make('legend', {}, 'How do you take the calls?'),
    ...[['ear', 'I hear them'], ['both', 'I hear and see them'], ['eye', 'I see them, without a sound']].map(([value, words]) =>
      make('label', { class: 'choice' }, make('input', {
        type: 'radio', name: 'how', value, checked: value === state.taken,
        onchange: () => {
          state.taken = value;
          remember('taken', value);
        },
      }), make('span', {}, words))));
  const minutes = Math.max(1, Math.round(drill.length_s / 60));
  show('drill',
    said ? make('p', { class: 'notice', role: 'status' }, said) : null,
    make('h1', {}, make('bdi', {}, drill.title)),
    make('p', { class: 'say' }, ...named(drill.rule)),
    make('h2', {}, 'The hush pattern: ', make('bdi', {}, hush.name)), callView(hush).it,
    drill.hush_s ? hear : null, drill.hush_s ? hearing() : null,
    how,
    button('Begin', () => playDrill(drill), { class: 'main' }),
    make('p', { class: 'tiny' }, `${drill.rounds.length} rounds, about ${minutes === 1 ? 'a minute' : `${minutes} minutes`}. After each answer two soft tones say how it went: they rise, stay, or fall. The words stand here, too.`),
    make('p', { class: 'tiny' }, 'Your browser may ask for the microphone: the page needs it to hear your answers. What it hears stays on this device.'),
    button('Back', () => choose()));
}

async function playDrill(/** @type {Drill} */ drill) {
  endAll();
  const silent = state.taken === 'eye';
  const seen = state.taken !== 'ear';
  const view = drillView(drill, seen);
  /** @type {Recording} */ let recording;
  /** @type {any} */ let kept;
  // Samples of the recording that the library has.
  let sent = 0;
  let asking = false;
  let ended = Infinity;

  /** Gives the library what was recorded since, and says what it says. */
  async function listen() {
    const { pieces, on } = recording;
    const next = pieces.findIndex(({ from }) => from - pieces[0].from >= sent);
    if (asking || next < 0) return;
    asking = true;
    // What is missing is silence, as in the recording.
    const gap = pieces[next].from - pieces[0].from - sent;
    const given = new Float32Array(gap + pieces[next].samples.length);
    pieces[next].samples.forEach((v, k) => (given[gap + k] = v / 32768));
    sent += given.length;
    const asked = performance.now();
    try {
      const json = await page.drill_listen(given, kept.begins_s);
      if (json) {
        /** @type {SaidNow} */ const said = JSON.parse(json);
        const judged = performance.now() - asked;
        const after = 1e3 * (recording.sampleAt(on.currentTime) / on.sampleRate - said.ended_s);
        kept.said.push({ verdict: said.verdict, text: said.text, after_ms: Math.round(after), judged_in_ms: Math.round(judged), call_heard: said.call_heard });
        view.say(said.round, said.text);
        if (!silent) sound(on, await page.drill_signal(on.sampleRate), on.sampleRate, on.currentTime + 0.01);
        if (said.over) ended = on.currentTime + LAST_SIGNAL_S;
      }
    } finally {
      asking = false;
    }
  }

  await perform({
    again: () => playDrill(drill),
    wish: null,
    facts: { began: written(), pupil: state.pupil, loudspeaker: silent ? '' : 'browser', begins_s: null, said: [] },
    sound: silent ? null : async (rate) => page.drill_sound(ofWhom(), rate),
    length_s: drill.length_s,
    heading: [make('bdi', {}, drill.title)],
    shown: [view.it],
    care: 'The space bar stops, too.',
    begun: (facts, start, by) => {
      [recording, kept] = [by, facts];
      // From sounding to being heard, as the sound check has measured it, or what the browser says of it.
      const delay = (state.check?.check.round_trip_ms ?? 1e3 * (by.on.outputLatency || 0)) / 1e3;
      facts.begins_s = start / by.on.sampleRate + delay;
      page.drill_begin(ofWhom(), by.on.sampleRate);
    },
    at: (t, finish) => {
      view.at(t);
      listen();
      if (recording.on.currentTime > ended) finish();
    },
    heard: (facts, samples, rate, id, notes) => hearDrill(facts, samples, rate, id, notes),
  });
}

/** Which round, what to do, the beat of it, the call where it is seen, and what was said. It says all that the sound says. */
function drillView(/** @type {Drill} */ drill, /** @type {boolean} */ seen) {
  const round = make('p', { class: 'sub' });
  const what = make('p', { class: 'what' });
  const beats = make('div', { class: 'countin', 'aria-hidden': 'true' });
  const calls = drill.calls.map((call) => callView(call));
  const drawn = make('div', { class: 'call' });
  // What was said last stays to be read while the next call comes.
  const before = make('p', { class: 'sub before' });
  /** @type {string[]} */ const said = [];
  const most = drill.moments.reduce((max, m) => Math.max(max, m.beat ?? 0), 1);
  let now = -1;

  function fill() {
    const m = drill.moments[now];
    round.textContent = m.turn === 'over' ? '' : `Round ${m.round + 1} of ${drill.rounds.length}`;
    what.textContent = m.turn === 'rest' ? said[m.round] ?? '…' : m.say;
    what.classList.toggle('said', m.turn === 'rest');
    const count = drill.moments.filter((other) => other.round === m.round && other.turn === m.turn && other.beat).length;
    const cells = Array.from({ length: count || most }, (_, k) => make('span', { class: k + 1 === m.beat ? 'here' : '' }, String(k + 1)));
    beats.replaceChildren(...cells);
    beats.classList.toggle('none', count === 0);
    const shows = seen && ['listen', 'breathe'].includes(m.turn);
    const { it } = calls[drill.rounds[m.round]];
    if (shows && drawn.firstChild !== it) drawn.replaceChildren(it);
    drawn.classList.toggle('none', !shows);
  }

  return {
    it: make('div', { class: 'echo' }, round, what, beats, seen ? drawn : null, before),
    at: (/** @type {number} */ t) => {
      let next = Math.max(now, 0);
      while (next + 1 < drill.moments.length && drill.moments[next + 1].at_s <= t) next++;
      if (next !== now) {
        now = next;
        fill();
      }
      const m = drill.moments[now];
      const first = drill.moments.find((other) => other.round === m.round && other.turn === 'listen');
      if (first) calls[drill.rounds[m.round]].upTo(t - first.at_s);
    },
    say: (/** @type {number} */ k, /** @type {string} */ text) => {
      said[k] = text;
      before.textContent = `Round ${k + 1}: ${text}`;
      if (drill.moments[now]?.turn === 'rest') fill();
    },
  };
}

/** Hears a whole drill and shows what came of it. */
async function hearDrill(/** @type {any} */ facts, /** @type {Float32Array} */ samples, /** @type {number} */ rate, /** @type {string | null} */ id, /** @type {string[]} */ notes = []) {
  endAll();
  toggles = [];
  show('wait', make('h1', {}, 'Listening to your drill …'));
  const recording = {
    began: facts.began, microphone: facts.microphone, loudspeaker: facts.loudspeaker, rate_hz: rate, channels: 1, begins_s: facts.begins_s,
    length_s: samples.length / rate, cut_short: facts.cut_short ?? null, said: facts.said,
  };
  /** @type {Drilled} */ let told;
  try {
    told = JSON.parse(await page.drill_end(ofWhom(), JSON.stringify(recording), samples, rate));
  } catch (error) {
    return choose(`The drill could not be heard: ${error instanceof Error ? error.message : error}.`);
  }
  state.last = { said: JSON.parse(told.results), samples, rate, id };
  const { title } = state.last.said;
  show('after',
    make('h1', { class: 'small' }, ...(state.pupil ? [make('bdi', {}, state.pupil), ' · '] : []), make('bdi', {}, title)),
    ...notes.map((note) => make('p', { class: 'notice' }, note)),
    make('p', { class: 'say' }, told.tally),
    make('ol', { class: 'rounds' }, ...told.rounds.map((round) =>
      make('li', {}, make('bdi', { class: 'detail' }, round.call), ...named(round.text)))),
    ...told.limits.map((limit) => make('p', { class: 'tiny' }, limit)),
    button('Play the drill again', () => beforeDrill(), { class: 'main' }),
    button('Give this to your teacher', async () => hand(title, await page.given_drill(samples, rate))),
    make('p', { class: 'tiny' }, 'Makes one file: your recording and what was asked for. It goes nowhere by itself; you or a grown-up hand it on.'),
    make('div', { class: 'row' }, button('Choose something else', () => choose()),
      id ? button('Take this recording away', async () => { await drop(id); choose('The recording is gone.'); }) : null));
}
