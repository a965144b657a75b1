// @ts-check
/// <reference path="./desk.d.ts" />
'use strict';
// The desk in the browser: sound, keys, dropping files, and forms that come back to where they were. What is said and drawn comes
// from the program; nothing is judged or worded here.
// In order: helpers, pages and forms, sounds to be heard once, a take, what is dropped, a part, keys, the beginning.
(() => {
  // ---------------------------------------------------------------- helpers

  const one = (/** @type {string} */ id) => document.getElementById(id);

  /** @template {Element} T @param {string} selector @param {new () => T} kind @param {ParentNode} [within] @returns {T[]} */
  function all(selector, kind, within = document) {
    return [...within.querySelectorAll(selector)].filter((/** @type {any} */ e) => e instanceof kind).map((e) => /** @type {T} */ (e));
  }

  const kindOf = () => one('desk')?.dataset.page ?? '';

  /** A choice that the browser remembers for the next take; it holds nothing of any child. */
  const kept = {
    get: (/** @type {string} */ name) => { try { return localStorage.getItem(name); } catch { return null; } },
    set: (/** @type {string} */ name, /** @type {string} */ value) => { try { localStorage.setItem(name, value); } catch { /* then it is not remembered */ } },
  };

  /** Says something in the place where all notices stand. */
  function say(/** @type {string} */ words, wrong = false) {
    const place = one('notice');
    if (!place) return;
    const p = document.createElement('p');
    if (wrong) p.className = 'wrong';
    p.textContent = words;
    place.replaceChildren(p);
  }

  // ---------------------------------------------------------------- pages and forms

  const NO_ANSWER = 'The program does not answer. Was it ended? Start `pailbeat desk` again; nothing that was kept is lost.';

  /** Shows another page in place of this one. @param {string} html @param {string} address @param {boolean} fresh a page that is gone to */
  function show(html, address, fresh) {
    const next = new DOMParser().parseFromString(html, 'text/html');
    const [old, page] = [one('desk'), next.getElementById('desk')];
    if (!old || !page) return;
    const [had, top] = [document.activeElement?.id ?? '', window.scrollY];
    take?.end();
    old.replaceWith(document.adoptNode(page));
    document.title = next.title;
    const here = location.pathname + location.search;
    if (fresh && address !== here) history.pushState(null, '', address);
    begin();
    window.scrollTo(0, address === here || !fresh ? top : 0);
    const again = had ? one(had) : null;
    if (again) again.focus({ preventScroll: true });
    else one('main')?.focus({ preventScroll: true });
  }

  async function go(/** @type {string} */ address, fresh = true) {
    try {
      const answer = await fetch(address, { headers: { Accept: 'text/html' } });
      show(await answer.text(), address, fresh);
    } catch {
      say(NO_ANSWER, true);
    }
  }

  /** Sends a form and shows what comes of it. @param {HTMLFormElement} form @param {HTMLElement | null} by the button it was sent with */
  async function send(form, by) {
    const fields = new URLSearchParams();
    for (const [name, value] of new FormData(form, by)) if (typeof value === 'string') fields.append(name, value);
    fields.append('back', location.pathname + location.search);
    for (const button of all('button', HTMLButtonElement, form)) button.disabled = true;
    try {
      const answer = await fetch(form.action, { method: 'POST', body: fields });
      const address = answer.headers.get('Content-Location') ?? location.pathname + location.search;
      const html = await answer.text();
      const page = new DOMParser().parseFromString(html, 'text/html');
      const [notice, place] = [page.getElementById('notice'), one('notice')];
      // What could not be done leaves everything as it was typed.
      if (!answer.ok && place) {
        if (notice) place.replaceChildren(...notice.childNodes);
        else say(page.body.textContent?.trim() ?? '', true);
        place.scrollIntoView({ block: 'nearest' });
      } else show(html, address, true);
    } catch {
      say(NO_ANSWER, true);
    } finally {
      for (const button of all('button', HTMLButtonElement, form)) button.disabled = false;
    }
  }

  document.addEventListener('submit', (event) => {
    const form = event.target;
    if (!(form instanceof HTMLFormElement)) return;
    event.preventDefault();
    if (form.method === 'post') send(form, event.submitter);
    else go(`${new URL(form.action).pathname}?${new URLSearchParams(/** @type {any} */ (new FormData(form)))}`);
  });
  document.addEventListener('change', (event) => {
    if (event.target instanceof HTMLElement && event.target.classList.contains('goes')) event.target.closest('form')?.requestSubmit();
  });
  document.addEventListener('click', (event) => {
    const link = event.target instanceof Element ? event.target.closest('a') : null;
    if (!link || link.target || event.ctrlKey || event.metaKey || event.shiftKey || link.origin !== location.origin) return;
    if (link.hash && link.pathname === location.pathname) return;
    event.preventDefault();
    go(link.pathname + link.search);
  });
  window.addEventListener('popstate', () => go(location.pathname + location.search, false));

  // ---------------------------------------------------------------- sounds to be heard once

  const once = new Audio();
  /** The button whose sound is heard. @type {HTMLElement | null} */
  let hearing = null;

  function hush() {
    once.pause();
    hearing?.setAttribute('aria-pressed', 'false');
    hearing = null;
  }
  once.addEventListener('ended', hush);
  once.addEventListener('error', () => {
    if (hearing) say('This sound cannot be played.', true);
    hush();
  });

  function hear(/** @type {HTMLElement} */ button) {
    const same = hearing === button;
    hush();
    if (same) return;
    hearing = button;
    button.setAttribute('aria-pressed', 'true');
    once.src = button.dataset.hear ?? '';
    once.play().catch(() => hush());
  }
  document.addEventListener('click', (event) => {
    const button = event.target instanceof Element ? event.target.closest('[data-hear]') : null;
    if (button instanceof HTMLElement) hear(button);
  });

  // ---------------------------------------------------------------- a take

  /** @type {Take | null} */
  let take = null;

  class Take {
    /** @param {Played} played */
    constructor(played) {
      this.played = played;
      this.sound = new Audio(played.sound);
      this.written = played.written ? new Audio(played.written) : null;
      for (const sound of [this.sound, this.written]) {
        if (!sound) continue;
        sound.preload = 'auto';
        sound.preservesPitch = true;
        sound.addEventListener('ended', () => this.pieceEnds());
        sound.addEventListener('error', () => say('This sound cannot be played.', true));
      }
      /** All strokes in the order of the chart, and the one in hand. */
      this.spots = played.charts[0].flat();
      this.at = 0;
      /** From where to where it is heard; both to the end where nothing is chosen. @type {[number, number] | null} */
      this.bars = null;
      /** What sounds now. @type {HTMLAudioElement | null} */
      this.now = null;
      /** When the piece that sounds ends. */
      this.until = Infinity;
      /** Which of the two sounds, where one comes after the other. @type {'played' | 'written'} */
      this.turn = 'played';
      this.frame = 0;
      this.gone = false;
      this.chart = one('chart');
      this.chart?.setAttribute('aria-valuemax', String(Math.max(0, this.spots.length - 1)));
      this.chart?.addEventListener('click', (event) => this.pressed(event));
      one('play')?.addEventListener('click', () => this.toggle());
      for (const finding of all('.finding .go', HTMLElement)) {
        finding.addEventListener('click', () => this.hearFinding(/** @type {HTMLElement} */ (finding.closest('.finding'))));
      }
      for (const input of all('.player input', HTMLInputElement)) input.addEventListener('change', () => this.changed(input));
      const atOnce = one('at-once');
      if (atOnce instanceof HTMLInputElement) atOnce.checked = kept.get('at-once') === 'yes';
      const rate = all(`input[name=rate][value="${kept.get('rate') ?? '1'}"]`, HTMLInputElement)[0];
      if (rate) rate.checked = true;
      if (played.begin_bar !== null) this.chooseBars(played.begin_bar, played.begin_bar + 1);
      this.mark();
      if (atOnce instanceof HTMLInputElement && atOnce.checked) this.toggle();
    }

    what() { return all('input[name=what]:checked', HTMLInputElement)[0]?.value ?? 'played'; }
    rate() { return Number(all('input[name=rate]:checked', HTMLInputElement)[0]?.value ?? 1); }
    loops() { const box = one('loop'); return box instanceof HTMLInputElement && box.checked; }

    changed(/** @type {HTMLInputElement} */ input) {
      if (input.name === 'rate') {
        kept.set('rate', input.value);
        for (const sound of [this.sound, this.written]) if (sound) sound.playbackRate = this.rate();
      }
      if (input.id === 'at-once') {
        kept.set('at-once', input.checked ? 'yes' : 'no');
        if (input.checked && !this.now) this.toggle();
      }
      if (input.name === 'what' && this.now) this.start();
    }

    /** The piece that is heard: from the stroke in hand, to the end of its bars where they go round or are compared. */
    piece() {
      const spot = this.spots[this.at];
      const compares = this.what() === 'turns' || this.loops();
      if (!spot) return null;
      if (!compares && !this.bars) return { from: spot.at_s, to: Infinity, written: spot.written_s, writtenTo: Infinity };
      const [first, last] = this.bars ?? [spot.bar, spot.bar + 1];
      const within = this.spots.filter((s) => s.bar >= first && s.bar < last);
      const bar = this.played.bars[last - 1];
      const from = Math.min(...within.map((s) => s.at_s));
      const to = Math.max(bar?.to_s ?? 0, ...within.map((s) => s.at_s + 0.3));
      const length = bar ? bar.to_s - bar.from_s : 2;
      const written = this.played.bars[first]?.written_s ?? 0;
      return { from, to: compares || this.bars ? to : Infinity, written, writtenTo: written + length * (last - first) };
    }

    start() {
      const piece = this.piece();
      this.stop();
      if (!piece) return;
      const inTurns = this.what() === 'turns';
      const written = this.what() === 'written' || (inTurns && this.turn === 'written');
      this.turn = written ? 'written' : 'played';
      const sound = written && this.written ? this.written : this.sound;
      this.now = sound;
      this.until = written ? piece.writtenTo : piece.to;
      sound.playbackRate = this.rate();
      // A little before, so that the attack is heard whole.
      sound.currentTime = Math.max(0, (written ? piece.written : piece.from) - 0.08);
      sound.play().then(() => this.follow(), () => this.stop());
      const label = one('play')?.querySelector('span');
      if (label) label.textContent = 'Stop';
    }

    /** The piece has come to its end: again, the other one, or silence. */
    pieceEnds() {
      if (!this.now) return;
      if (this.what() === 'turns') {
        const next = this.turn === 'played' ? 'written' : 'played';
        if (next === 'played' && !this.loops()) return this.stop();
        this.turn = next;
        return this.start();
      }
      if (this.loops()) return this.start();
      this.stop();
    }

    stop() {
      cancelAnimationFrame(this.frame);
      this.now?.pause();
      this.now = null;
      // The page is another take's by now.
      if (this.gone) return;
      const label = one('play')?.querySelector('span');
      if (label) label.textContent = 'Hear';
      for (const i of all('.system .at', HTMLElement)) i.hidden = true;
      this.mark();
    }

    /** Takes the sound away with the page. */
    end() {
      this.stop();
      this.gone = true;
      for (const sound of [this.sound, this.written]) {
        sound?.removeAttribute('src');
        // Without this the browser holds the connection open, and it has few of them.
        sound?.load();
      }
    }

    toggle() {
      hush();
      if (this.now) this.stop();
      else {
        this.turn = 'played';
        this.start();
      }
    }

    /** Follows the sound along the chart. */
    follow() {
      const now = this.now;
      if (!now) return;
      const written = now === this.written;
      const t = now.currentTime;
      let near = 0;
      this.spots.forEach((spot, k) => {
        if ((written ? spot.written_s : spot.at_s) <= t + 0.03) near = k;
      });
      this.mark(near, true);
      if (t >= this.until) return this.pieceEnds();
      this.frame = requestAnimationFrame(() => this.follow());
    }

    /** Shows the stroke in hand, or the one that sounds. */
    mark(index = this.at, sounding = false) {
      const spot = this.spots[index];
      const where = one('where');
      if (!spot) {
        if (where) where.textContent = '';
        return;
      }
      if (!sounding) this.at = index;
      if (where) where.textContent = (sounding && this.now === this.written ? 'as written: ' : '') + spot.words;
      if (!sounding) {
        this.chart?.setAttribute('aria-valuenow', String(index));
        this.chart?.setAttribute('aria-valuetext', spot.words);
        const stroke = one('stroke');
        if (stroke instanceof HTMLInputElement) stroke.value = String(spot.stroke ?? '');
        const answers = document.querySelector('.stroke');
        if (answers instanceof HTMLElement) answers.hidden = spot.stroke === null;
      }
      ['sheet', 'phone'].forEach((kind, which) => {
        let before = 0;
        all(`#chart .${kind} .system`, HTMLElement).forEach((system, line) => {
          const spots = this.played.charts[which]?.[line] ?? [];
          const here = spots[index - before];
          before += spots.length;
          const sign = system.querySelector('.at');
          if (!(sign instanceof HTMLElement)) return;
          sign.hidden = !here;
          if (!here) return;
          sign.style.left = `${100 * here.x}%`;
          sign.style.setProperty('--y', `${100 * here.y}%`);
        });
      });
    }

    /** The nearest stroke to where the chart was pressed, and from there on. */
    pressed(/** @type {MouseEvent} */ event) {
      const system = event.target instanceof Element ? event.target.closest('.system') : null;
      if (!(system instanceof HTMLElement)) return;
      const which = system.closest('.phone') ? 1 : 0;
      const lines = this.played.charts[which];
      const line = Number(system.dataset.line);
      const box = system.getBoundingClientRect();
      const x = (event.clientX - box.left) / box.width;
      const spots = lines[line] ?? [];
      if (!spots.length) return;
      let best = 0;
      spots.forEach((spot, k) => { if (Math.abs(spot.x - x) < Math.abs(spots[best].x - x)) best = k; });
      this.bars = null;
      this.mark(lines.slice(0, line).reduce((n, l) => n + l.length, 0) + best);
      this.turn = 'played';
      hush();
      this.start();
    }

    chooseBars(/** @type {number} */ first, /** @type {number} */ last) {
      const found = this.spots.findIndex((s) => s.bar >= first && s.bar < last);
      if (found < 0) return;
      this.bars = [first, last];
      this.mark(found);
    }

    hearFinding(/** @type {HTMLElement} */ finding) {
      const [first, last] = (finding.dataset.bars ?? '').split(',').map(Number);
      const at = Number(finding.dataset.at || NaN);
      this.bars = null;
      if (Number.isFinite(last)) this.chooseBars(first, Math.max(last, first + 1));
      else if (Number.isFinite(at)) {
        const near = this.spots.findLastIndex((s) => s.at_s <= at + 0.01);
        this.mark(Math.max(0, near));
      } else this.mark(0);
      const chosen = all('.finding', HTMLElement).indexOf(finding);
      choose(all('.finding', HTMLElement), chosen);
      this.turn = 'played';
      hush();
      this.start();
    }

    step(/** @type {number} */ by) {
      this.bars = null;
      this.mark(Math.min(this.spots.length - 1, Math.max(0, this.at + by)));
      if (this.now) this.start();
    }

    backABar() {
      const bar = this.spots[this.at]?.bar ?? 0;
      const first = this.spots.findIndex((s) => s.bar === bar);
      const before = this.spots.findIndex((s) => s.bar === Math.max(0, bar - 1));
      this.bars = null;
      this.mark(first < this.at && first >= 0 ? first : Math.max(0, before));
      if (this.now) this.start();
    }
  }

  // ---------------------------------------------------------------- what is dropped

  /** @typedef {{ name: string, file: File }} Arriving */

  /** Files of a folder that was dropped. @param {FileSystemEntry} entry @returns {Promise<Arriving[]>} */
  async function inside(entry) {
    if (entry instanceof FileSystemFileEntry) {
      const file = await new Promise((done, fail) => entry.file(done, fail));
      return [{ name: entry.fullPath.replace(/^\//, ''), file }];
    }
    if (!(entry instanceof FileSystemDirectoryEntry)) return [];
    const reader = entry.createReader();
    /** @type {Arriving[]} */
    const found = [];
    for (;;) {
      /** @type {FileSystemEntry[]} */
      const some = await new Promise((done, fail) => reader.readEntries(done, fail));
      if (!some.length) return found;
      for (const next of some) found.push(...await inside(next));
    }
  }

  /** Brings files to the program and has them heard. @param {Arriving[]} files */
  async function arrive(files) {
    const progress = one('progress');
    const failed = [];
    for (const [k, { name, file }] of files.entries()) {
      if (progress) progress.textContent = `Taking in ${k + 1} of ${files.length} …`;
      try {
        const answer = await fetch(`/arrive?${new URLSearchParams({ name, changed: String(file.lastModified) })}`, { method: 'POST', body: file });
        if (!answer.ok) failed.push(`${name}: ${await answer.text()}`);
      } catch {
        failed.push(`${name}: ${NO_ANSWER}`);
        break;
      }
    }
    if (failed.length) say(failed.join('\n'), true);
    if (failed.length < files.length) {
      try {
        await fetch('/do/gather', { method: 'POST', body: new URLSearchParams({ back: '/' }) });
      } catch {
        return say(NO_ANSWER, true);
      }
      await watch();
    }
  }

  let watching = false;
  /** Looks how far the hearing is, until it is done; then the page is shown anew. */
  async function watch() {
    if (watching) return;
    watching = true;
    for (;;) {
      let told;
      try {
        told = await (await fetch('/arriving')).json();
      } catch {
        say(NO_ANSWER, true);
        break;
      }
      const progress = one('progress');
      if (progress) progress.textContent = told.words;
      if (!told.running) {
        watching = false;
        if (kindOf() === 'class') await go(location.pathname + location.search, false);
        break;
      }
      await new Promise((done) => setTimeout(done, 250));
    }
    watching = false;
  }

  function dropping() {
    const place = one('drop');
    if (!place) return;
    const [files, folder] = [one('files'), one('folder')];
    for (const [button, input] of [[one('choose'), files], [one('choose-folder'), folder]]) {
      if (!(input instanceof HTMLInputElement)) continue;
      button?.addEventListener('click', () => input.click());
      input.addEventListener('change', () => {
        arrive([...input.files ?? []].map((file) => ({ name: file.webkitRelativePath || file.name, file })));
        input.value = '';
      });
    }
  }
  // Dropped anywhere on the page, it is meant for the same place.
  document.addEventListener('dragover', (event) => {
    if (!one('drop')) return;
    event.preventDefault();
    one('drop')?.classList.add('over');
  });
  document.addEventListener('dragleave', (event) => {
    if (!event.relatedTarget) one('drop')?.classList.remove('over');
  });
  document.addEventListener('drop', async (event) => {
    event.preventDefault();
    one('drop')?.classList.remove('over');
    if (!one('drop') || !event.dataTransfer) return;
    // Entries are only there while the event is.
    const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry()).filter((entry) => entry !== null);
    const plain = [...event.dataTransfer.files];
    const found = [];
    for (const entry of entries) found.push(...await inside(entry));
    arrive(found.length ? found : plain.map((file) => ({ name: file.name, file })));
  });

  // ---------------------------------------------------------------- a part while it is written

  const partSays = () => {
    const text = (/** @type {string} */ id) => { const e = one(id); return e instanceof HTMLInputElement || e instanceof HTMLTextAreaElement ? e.value : ''; };
    return new URLSearchParams({ part: text('part'), form: text('form'), bpm: text('bpm') });
  };

  /** Marks a place of the part. @param {HTMLTextAreaElement} part @param {[number, number]} place @param {number} width */
  function showPlace(part, [line, column], width) {
    const lines = part.value.split('\n');
    const before = lines.slice(0, line - 1).reduce((n, l) => n + l.length + 1, 0);
    // Columns are counted in letters, a text area counts otherwise beyond the first plane.
    const at = before + [...(lines[line - 1] ?? '')].slice(0, column - 1).join('').length;
    part.focus();
    part.setSelectionRange(at, at + width);
  }

  function writing() {
    const [part, place, played, button] = [one('part'), one('mistakes'), one('as-played'), one('hear-part')];
    if (!(part instanceof HTMLTextAreaElement) || !place) return;
    let wait = 0;
    let asked = 0;
    const look = async () => {
      asked += 1;
      const mine = asked;
      try {
        /** @type {PartTold} */
        const told = await (await fetch('/part/look', { method: 'POST', body: partSays() })).json();
        // What was typed since is asked about already.
        if (mine !== asked) return;
        if (played) played.textContent = told.played;
        place.replaceChildren(...told.mistakes.slice(0, 5).map((mistake) => {
          const p = document.createElement('p');
          p.className = 'mistake';
          p.textContent = `${mistake.place ? `Line ${mistake.place[0]}: ` : 'The sections in order: '}${mistake.what}. ${mistake.hint} `;
          const where = mistake.place;
          if (where) {
            const show = document.createElement('button');
            show.type = 'button';
            show.className = 'small';
            show.textContent = 'show me the place';
            show.addEventListener('click', () => showPlace(part, where, mistake.width));
            p.append(show);
          }
          return p;
        }));
        if (!told.mistakes.length) place.textContent = 'The part is right as it stands.';
      } catch {
        say(NO_ANSWER, true);
      }
    };
    for (const id of ['part', 'form', 'bpm']) {
      one(id)?.addEventListener('input', () => {
        clearTimeout(wait);
        wait = window.setTimeout(look, 250);
      });
    }
    button?.addEventListener('click', async () => {
      if (hearing === button) return hush();
      hush();
      try {
        const answer = await fetch('/part/sound', { method: 'POST', body: partSays() });
        if (!answer.ok) return say(await answer.text(), true);
        hearing = button;
        button.setAttribute('aria-pressed', 'true');
        once.src = URL.createObjectURL(await answer.blob());
        await once.play();
      } catch {
        hush();
      }
    });
    look();
  }

  // ---------------------------------------------------------------- keys

  /** Marks one of several as in hand. @param {HTMLElement[]} rows @param {number} index */
  function choose(rows, index) {
    rows.forEach((row, k) => row.classList.toggle('at', k === index));
    rows[index]?.scrollIntoView({ block: 'nearest' });
  }

  const rowsHere = () => (kindOf() === 'take' ? all('.finding', HTMLElement) : all('ol.waiting > li, .lesson tbody tr', HTMLElement));

  /** What a key does on this page. @type {Record<string, () => void>} */
  const KEYS = {
    ' ': () => {
      if (take) return take.toggle();
      const row = document.querySelector('li.at, tr.at');
      const button = row?.querySelector('[data-hear]') ?? document.querySelector('[data-hear]');
      if (button instanceof HTMLElement) hear(button);
    },
    ArrowLeft: () => take?.step(-1),
    ArrowRight: () => take?.step(1),
    ArrowDown: () => move(1),
    ArrowUp: () => move(-1),
    b: () => take?.backABar(),
    s: () => {
      const rates = all('input[name=rate]', HTMLInputElement);
      const next = rates[(rates.findIndex((r) => r.checked) + 1) % rates.length];
      next?.click();
    },
    w: () => {
      const kinds = all('input[name=what]', HTMLInputElement);
      kinds[(kinds.findIndex((r) => r.checked) + 1) % kinds.length]?.click();
    },
    l: () => one('loop')?.click(),
    u: () => {
      const undo = one('undo') ?? document.querySelector('li.answered button');
      if (undo instanceof HTMLElement) undo.click();
    },
    a: () => one('assign-next')?.click(),
    Enter: () => {
      const link = document.querySelector('tr.at a');
      if (link instanceof HTMLElement) link.click();
    },
    PageUp: () => one('before')?.click(),
    PageDown: () => (one('after') ?? one('to-class'))?.click(),
    1: () => answer('1'),
    2: () => answer('2'),
    3: () => answer('3'),
  };

  function move(/** @type {number} */ by) {
    const rows = rowsHere();
    if (!rows.length) return;
    const here = rows.findIndex((row) => row.classList.contains('at'));
    const next = here < 0 ? (by > 0 ? 0 : rows.length - 1) : Math.min(rows.length - 1, Math.max(0, here + by));
    choose(rows, next);
    if (take && rows[next].querySelector('.go')) take.hearFinding(rows[next]);
  }

  function answer(/** @type {string} */ key) {
    const rows = rowsHere();
    const row = rows.find((r) => r.classList.contains('at')) ?? rows.find((r) => r.querySelector('[data-key]'));
    const button = row?.querySelector(`[data-key="${key}"]`);
    if (button instanceof HTMLElement) button.click();
  }

  document.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const within = event.target instanceof HTMLElement ? event.target : null;
    const types = within?.closest('textarea, select, input:not([type=radio]):not([type=checkbox])');
    if (types) {
      if (event.key === 'Escape') /** @type {HTMLElement} */ (types).blur();
      return;
    }
    // Buttons, links and choices keep the keys that are theirs everywhere.
    const presses = within?.closest('button, a, summary, input');
    if (presses && (event.key === ' ' || event.key === 'Enter')) return;
    if (within?.closest('input') && event.key.startsWith('Arrow')) return;
    const does = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!does || !['class', 'take'].includes(kindOf())) return;
    if (kindOf() !== 'take' && ['ArrowLeft', 'ArrowRight', 'PageUp', 'PageDown', 'b', 's', 'w', 'l'].includes(event.key)) return;
    event.preventDefault();
    does();
  });

  // ---------------------------------------------------------------- the beginning

  /** Whatever a page needs once it is shown. */
  function begin() {
    hush();
    take = null;
    const data = one('played')?.textContent;
    if (data) take = new Take(JSON.parse(data));
    dropping();
    writing();
    if (one('progress')?.hasAttribute('data-running')) watch();
    const [open, file, part] = [one('open-part'), one('part-file'), one('part')];
    if (file instanceof HTMLInputElement && part instanceof HTMLTextAreaElement) {
      open?.addEventListener('click', () => file.click());
      file.addEventListener('change', async () => {
        const chosen = file.files?.[0];
        if (!chosen) return;
        part.value = await chosen.text();
        part.dispatchEvent(new Event('input'));
      });
    }
    // What is worth teaching again is made ready to be heard, one after the other.
    setTimeout(async () => {
      for (const button of all('.hear [data-hear]', HTMLElement)) {
        if (button.isConnected) await fetch(button.dataset.hear ?? '').catch(() => {});
      }
    }, 600);
    // The next child is made ready while this one is listened to.
    const after = one('after');
    if (after instanceof HTMLAnchorElement) setTimeout(() => fetch(after.href).catch(() => {}), 400);
  }
  document.documentElement.classList.add('js');
  begin();
})();
