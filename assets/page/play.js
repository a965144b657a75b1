// The third moment: recording, the counting in, the bar being played and the next ones.
/** Recorded on after the guide's last sound, in seconds, as the program does. */
const AFTER_S = 1;

/** A take: what is wished for, and how practising the same bars has gone before it. */
async function play(/** @type {Wish} */ wish, /** @type {any} */ tally = null) {
  endAll();
  /** @type {Plan} */ const plan = JSON.parse(await page.plan(JSON.stringify(wish)));
  const guided = state.heard !== 'silent';
  const view = playView(plan);
  await perform({
    again: () => play(wish, tally),
    wish,
    facts: { began: written(), pupil: state.pupil, guide_played: guided, loudspeaker: guided ? 'browser' : null, tally },
    sound: guided ? (rate) => page.guide(JSON.stringify(wish), rate) : null,
    length_s: plan.length_s,
    heading: [make('bdi', {}, choices.title), ` · ${plan.bpm} beats a minute`],
    shown: [view.form, view.bars],
    care: 'Nothing is judged while you play. If you slip, go on. The space bar stops, too.',
    at: view.at,
    begun: (facts, start) => (facts.guide_from_samples = guided ? start : null),
    heard: (facts, samples, rate, id, notes) => hear(wish, facts, samples, rate, id, notes),
  });
}

/** Opens the microphone, sounds what is to sound, shows where it is, and records until all of it is over or somebody or something ends it. */
async function perform(/** @type {Played} */ it) {
  const id = database ? `${Date.now()}-${Math.random().toString(36).slice(2)}` : null;
  /** @type {Recording} */ let recording;
  let left = false;
  atEnd(() => (left = true));
  try {
    recording = await Recording.open(id);
  } catch (error) {
    return left ? undefined : refused(error, it.again);
  }
  // Something else was pressed while the browser asked for the microphone.
  if (left) return recording.forgo();
  const on = recording.on;
  const facts = { ...it.facts, microphone: recording.microphone };
  /** @type {Kept} */
  const row = { id: id ?? '', of: whose(), began: Date.now(), touched: Date.now(), whole: false, wish: it.wish, facts, rate: on.sampleRate };
  const keep = async () => {
    if (id) await step('takes', 'readwrite', (s) => s.put(row)).catch(() => (recording.unkept = true));
  };
  await keep();

  const meter = levelBar();
  const stop = button('Stop', () => finish(), { class: 'stop' });
  show('play', make('h1', { class: 'small' }, ...it.heading), ...it.shown, meter.bar, stop, make('p', { class: 'tiny' }, it.care));
  stop.focus({ preventScroll: true });

  let over = false;
  let begun = false;
  /** @type {ReturnType<typeof sound> | null} */ let played = null;
  /** @type {ReturnType<typeof setInterval> | undefined} */ let timer;
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

  const [samples] = await Promise.all([it.sound?.(on.sampleRate) ?? null, recording.begun]);
  if (over) return;
  begun = true;
  if (samples) played = sound(on, samples, on.sampleRate);
  const from = played ? played.at : on.currentTime + 0.1;
  it.begun(facts, recording.sampleAt(from), recording);
  keep();
  timer = setInterval(() => {
    const t = on.currentTime - from - (on.outputLatency || 0);
    it.at(t, finish);
    meter.set(recording.level());
    if (Date.now() - row.touched > 1000) {
      row.touched = Date.now();
      keep();
    }
    if (t > it.length_s + AFTER_S) finish();
  }, 30);
  atEnd(() => clearInterval(timer));
  recording.onEnd = () => finish();
  if (recording.cut) return finish();

  async function finish() {
    if (over) return;
    over = true;
    if (!begun) {
      await recording.forgo();
      return choose();
    }
    clearInterval(timer);
    played?.stop();
    const { samples: taken, missing, rate } = await recording.stop();
    if (taken.length === 0) {
      if (id) await drop(id);
      return choose('The microphone gave no sound at all. Choose another one under “More”, and see that it is switched on.');
    }
    Object.assign(facts, { cut_short: recording.cut, dropped_samples: missing });
    row.whole = true;
    await keep();
    const settings = recording.settings;
    const changed = [settings.echoCancellation && 'echo cancelling', settings.autoGainControl && 'automatic gain', settings.noiseSuppression && 'noise suppression']
      .filter((word) => word);
    const notes = [
      endedEarly(recording.cut),
      recording.unkept ? 'This device had no room to keep the take. Give it to your teacher before you close the page.' : '',
      changed.length ? `This browser changes the sound by itself (${changed.join(', ')}), so that soft strokes may go unheard.` : '',
    ].filter((note) => note);
    await it.heard(facts, taken, rate, id, notes);
    if (id) tidy();
  }
}

const endedEarly = (/** @type {string | null} */ why) =>
  why ? `The take ended early: ${why}. What was recorded until then is here.` : '';

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
