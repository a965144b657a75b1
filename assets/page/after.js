// The fourth moment: what came of it, and the file for the teacher.
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
    const notes = cut ? [endedEarly(cut)] : [];
    if (kept.wish) await hear(kept.wish, facts, samples, kept.rate, kept.id, notes);
    else await hearDrill(facts, samples, kept.rate, kept.id, notes);
  } catch {
    choose('That take could not be read.');
  }
}

/** Hears a take and shows what came of it. */
async function hear(/** @type {Wish} */ wish, /** @type {any} */ facts, /** @type {Float32Array} */ samples, /** @type {number} */ rate, /** @type {string | null} */ id, /** @type {string[]} */ notes = []) {
  endAll();
  show('wait', make('h1', {}, 'Listening to your take …'));
  try {
    const said = await page.hear(JSON.stringify(wish), JSON.stringify(facts), samples, rate);
    state.last = { said: JSON.parse(said), samples, rate, id };
  } catch (error) {
    return choose(`The take could not be heard: ${error instanceof Error ? error.message : error}.`);
  }
  after(wish, samples, rate, id, notes);
}

async function after(/** @type {Wish} */ wish, /** @type {Float32Array} */ samples, /** @type {number} */ rate, /** @type {string | null} */ id, /** @type {string[]} */ notes) {
  /** @type {Told} */ const told = JSON.parse(await page.told());
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
    const { start_s: start } = JSON.parse(await page.plan(asked));
    return sound(on, await page.guide(asked, on.sampleRate), on.sampleRate, 0, Math.max(0, start - 0.1));
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

/** The file for the teacher of a take. */
async function give(/** @type {Float32Array} */ samples, /** @type {number} */ rate) {
  const strikes = state.check?.strikes ?? new Float32Array(0);
  await hand(choices.title, await page.given(samples, rate, strikes, strikes.length ? state.check?.rate ?? 0 : 0));
}

/** Hands over one file for the teacher, through the share sheet where there is one. */
async function hand(/** @type {string} */ title, /** @type {Uint8Array} */ bytes) {
  const plain = (/** @type {string} */ s) => s.replace(/[^\p{L}\p{N}]+/gu, '-').replace(/^-|-$/g, '');
  const now = new Date();
  const name = `${[title, state.pupil ?? ''].map(plain).filter((s) => s).join('-')}-${now.getFullYear()}${two(now.getMonth() + 1)}${two(now.getDate())}-${two(now.getHours())}${two(now.getMinutes())}${two(now.getSeconds())}.zip`;
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
