// The pupil's page in real browsers: what it hears beside what the program hears, takes and drills through a microphone, a browser
// that is killed, a full disk, a microphone that is refused or pulled, what a screen reader finds, and that nothing is asked of any
// network.
//
//   node test.mjs PROGRAM FOLDER [NAME] [--browser firefox] [--kills 50]
//
// from the repository's root; FOLDER is for files and pictures; NAME runs only tests whose name holds it.
import { spawnSync } from 'node:child_process';
import { createServer } from 'node:http';
import { createRequire } from 'node:module';
import fs from 'node:fs';
import path from 'node:path';
import { parseArgs } from 'node:util';
import {
  browser, claim, downloaded, faults, open, page as newPage, playsAlong, requests, samplesOf, sleep, soundLoop, strikesOf, struck, wav,
} from './browsers.mjs';

const { values: asked, positionals: [program, folder, only = ''] } = parseArgs({
  allowPositionals: true, options: { browser: { type: 'string', default: 'chromium' }, kills: { type: 'string', default: '3' } },
});
const KIND = asked.browser;
const root = process.cwd();
const takes = path.join(root, 'reference_takes');
const PART = path.join(takes, 'lantern-parade.toml');
const DRILL = path.join(takes, 'lantern-echoes.toml');
const AXE = fs.readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
fs.mkdirSync(folder, { recursive: true });

/** A strike in the browser may stand so far from the program's: a tenth of a millisecond. */
const NEAR_S = 1e-4;
/** A sound server without a device slips by so much under load. */
const SLIP_S = 7e-3;

function run(...args) {
  const done = spawnSync(program, args, { encoding: 'utf8', cwd: folder, maxBuffer: 1 << 28 });
  claim(done.status === 0 || args.includes('gather'), `pailbeat ${args.join(' ')}: ${done.stderr}`);
  return done.stdout;
}

function handOut(name, ...args) {
  const file = path.join(folder, `${name}.html`);
  fs.rmSync(file, { force: true });
  run('hand-out', PART, '--out', file, ...args);
  return `file://${file}`;
}

async function picture(page, name) {
  for (const [width, height] of [[390, 844], [320, 640], [1280, 800]]) {
    await page.setViewportSize({ width, height });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    claim(wide <= 0, `${name} is ${wide} pixels too wide at ${width}`);
    await page.screenshot({ path: path.join(folder, `${KIND}-${name}-${width}.png`), fullPage: true });
  }
  await page.setViewportSize({ width: 390, height: 844 });
}

async function axe(page, name) {
  await page.evaluate(AXE);
  const found = await page.evaluate(async () => (await window.axe.run()).violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(' | ')}`));
  claim(found.length === 0, `axe on ${name}: ${found.join('\n')}`);
}

/** Samples of a reference take as the browser decodes it, in 16 bits, and what the page says of them. */
async function inPage(page, file, bpm, rate) {
  const base64 = fs.readFileSync(file).toString('base64');
  return page.evaluate(async ([base64, bpm, rate]) => {
    const bytes = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
    const decoded = await new OfflineAudioContext(1, 1, rate).decodeAudioData(bytes.buffer);
    const whole = Int16Array.from(decoded.getChannelData(0), (v) => Math.max(-32768, Math.min(32767, Math.round(v * 32768))));
    const samples = Float32Array.from(whole, (v) => v / 32768);
    const before = performance.now();
    const said = await window.pailbeat.assess(samples, rate, bpm);
    return { said, ms: performance.now() - before, samples: [...whole] };
  }, [base64, bpm, rate]);
}

function same(page, own, shift = 0) {
  claim(page.strikes.length === own.strikes.length, `${page.strikes.length} strikes, the program hears ${own.strikes.length}`);
  const apart = own.strikes.map((strike, k) => Math.abs(page.strikes[k].t_s - shift - strike.t_s));
  claim(Math.max(...apart) < NEAR_S, `strikes are ${Math.max(...apart) * 1e3} ms apart`);
  const said = (json) => json.findings.map((f) => [f.kind, f.section, f.pass, f.bar, f.text].join(' '));
  claim(JSON.stringify(said(page)) === JSON.stringify(said(own)), `findings: ${said(page)}; the program: ${said(own)}`);
  claim(page.advice.fix === own.advice.fix && page.advice.praise === own.advice.praise, 'the advice differs');
  return Math.max(...apart) * 1e3;
}

const TRUTHS = ['wren.m4a', 'robin.ogg', 'heron.webm', 'finch.mp3', 'plover.flac', 'swift.wav'].map((name) => {
  const { asked_bpm: bpm, form } = JSON.parse(fs.readFileSync(path.join(takes, name.replace(/\.\w+$/, '.json')), 'utf8'));
  return { name, bpm, form };
});

/** A profile of the browser of its own, empty. */
function profile(name) {
  const at = path.join(folder, `${KIND}-${name}`);
  fs.rmSync(at, { recursive: true, force: true });
  return at;
}

function newBook(name, pupil) {
  const book = path.join(folder, name);
  fs.rmSync(book, { recursive: true, force: true });
  fs.writeFileSync(path.join(folder, 'class.csv'), `class,nickname\n4b,${pupil}\n4b,Plover\n`);
  run('book', 'new', '--book', book);
  run('book', 'roster', 'class.csv', '--book', book);
  return book;
}

/** How centre, rim and sticks sound: cut from a reference take; the sticks are its rim, higher. */
const [KIT, KIT_RATE] = (() => {
  const { strikes } = JSON.parse(fs.readFileSync(path.join(takes, 'swift.json'), 'utf8'));
  const take = samplesOf(path.join(takes, 'swift.wav'));
  const kit = strikesOf(take, strikes);
  const { samples } = kit.rim;
  return [{ ...kit, click: { samples: Array.from({ length: samples.length >> 1 }, (_, k) => 0.7 * samples[2 * k]) } }, take.rate];
})();

/** Section B as it is written, and when a guide asks for it. */
function playedB() {
  const bpm = 84;
  const guide = path.join(folder, 'guide.wav');
  fs.rmSync(guide, { force: true });
  const { start_s: start } = JSON.parse(run('guide', PART, '--form', 'B', '--bpm', String(bpm), '--out', guide, '--json'));
  const own = JSON.parse(run('assess', PART, path.join(takes, 'swift.wav'), '--bpm', String(bpm), '--form', 'B', '--json'));
  const strikes = own.strokes.map(({ bar, beat, surface }) => ({ at: start + (60 / bpm) * (4 * (bar - 1) + beat - 1), surface }));
  return { strikes, start, bpm, lasts: start + (60 / bpm) * 17 };
}

/** A drill as a pupil gets it: its rounds, how long it lasts. */
function drillOf(pupil) {
  const guide = path.join(folder, 'calls.wav');
  ['wav', 'json'].forEach((end) => fs.rmSync(path.join(folder, `calls.${end}`), { force: true }));
  run('drill', 'make', DRILL, '--pupil', pupil, '--out', guide);
  const { rounds } = JSON.parse(fs.readFileSync(path.join(folder, 'calls.json'), 'utf8'));
  return { rounds, lasts: rounds[rounds.length - 1].answer_end_s + 4 };
}

/** Begins a take without a check of the sound. */
async function begin(page) {
  await page.getByRole('button', { name: 'Begin' }).click();
  await page.getByRole('button', { name: 'Play without it' }).click();
}

/** A take to its end, and its file for the teacher. */
async function whole(page, name, lasts) {
  await page.getByRole('button', { name: 'Stop', exact: true }).waitFor();
  await page.getByRole('button', { name: 'Give this to your teacher' }).waitFor({ timeout: 1e3 * lasts + 30_000 });
  return given(page, name);
}

/** The file for the teacher, and where it is unpacked. */
async function given(page, name) {
  const at = path.join(folder, `${KIND}-${name}-given`);
  fs.rmSync(at, { recursive: true, force: true });
  const zip = await downloaded(KIND, page, () => page.getByRole('button', { name: 'Give this to your teacher' }).click(), path.join(at, 'mail'));
  const unpacked = path.join(at, 'unpacked');
  const done = spawnSync('python3', ['-c', 'import sys, zipfile; zipfile.ZipFile(sys.argv[1]).extractall(sys.argv[2])', zip, unpacked]);
  claim(done.status === 0, `the file for the teacher does not unpack: ${done.stderr}`);
  return { zip, unpacked };
}

/**
 * A browser in a loop of sound, with a pupil who plays along. Without a device sound slips where the machine is busy: what is
 * not as it should be is tried twice more.
 */
async function looped(samples, rate, what, data = '', left = 2) {
  try {
    return await loopedOnce(samples, rate, what, data);
  } catch (error) {
    if (left === 0) throw error;
    console.log(`      once more: ${String(error).split('\n')[0]}`);
    return looped(samples, rate, what, data, left - 1);
  }
}

async function loopedOnce(samples, rate, what, data) {
  const loop = await soundLoop(folder);
  const context = await browser(KIND, 'loop', { loop, data });
  try {
    await playsAlong(context, samples, rate);
    return await what(context);
  } finally {
    await context.close();
    loop.stop();
  }
}

/** Ends all of a browser at once: what runs with its profile. */
function killed(data) {
  for (const pid of fs.readdirSync('/proc').filter((name) => /^\d+$/.test(name))) {
    let line = '';
    try { line = fs.readFileSync(`/proc/${pid}/cmdline`, 'utf8'); } catch { /* gone */ }
    if (line.includes(data)) process.kill(Number(pid), 'SIGKILL');
  }
}

/** The takes that a page has kept, and how many samples of them. */
const stored = (page) => page.evaluate(() => new Promise((done) => {
  const asked = indexedDB.open('pailbeat');
  asked.onsuccess = () => {
    const turn = asked.result.transaction(['pieces', 'takes']);
    const pieces = turn.objectStore('pieces').getAll();
    const rows = turn.objectStore('takes').getAll();
    turn.oncomplete = () => {
      asked.result.close();
      done(rows.result.map(({ id, began, rate }) => {
        const own = pieces.result.filter((p) => p.take === id);
        return { began, rate, n: own.reduce((sum, p) => sum + p.samples.byteLength / 2, 0) };
      }));
    };
  };
}));

/** Empties what a page has kept. */
const clear = () => new Promise((done) => {
  const asked = indexedDB.open('pailbeat');
  asked.onsuccess = () => {
    const turn = asked.result.transaction(['pieces', 'takes'], 'readwrite');
    ['pieces', 'takes'].forEach((name) => turn.objectStore(name).clear());
    turn.oncomplete = () => { asked.result.close(); done(null); };
  };
});

/** How many rows a page has kept. */
const all = () => new Promise((done) => {
  const asked = indexedDB.open('pailbeat');
  asked.onsuccess = () => {
    const turn = asked.result.transaction(['kept', 'pieces', 'takes']);
    const counts = ['kept', 'pieces', 'takes'].map((name) => turn.objectStore(name).count());
    turn.oncomplete = () => { asked.result.close(); done(counts.reduce((sum, it) => sum + it.result, 0)); };
  };
});

const tests = {
  async 'the six reference takes are told as the program tells them'() {
    const context = await browser(KIND);
    let worst = 0;
    let slowest = 0;
    for (const { name, bpm, form } of TRUTHS) {
      const page = await open(context, handOut('takes', '--bpm', String(bpm), '--form', form));
      for (const rate of [44100, 48000]) {
        const { said, ms, samples } = await inPage(page, path.join(takes, name), bpm, rate);
        const file = path.join(folder, 'take.wav');
        fs.writeFileSync(file, wav(samples, rate));
        const own = JSON.parse(run('assess', PART, file, '--bpm', String(bpm), '--form', form, '--json'));
        try {
          worst = Math.max(worst, same(said, own));
        } catch (error) {
          throw new Error(`${name} at ${rate} Hz: ${error.message}`);
        }
        slowest = Math.max(slowest, (60_000 * ms) / (1e3 * samples.length / rate));
      }
      await page.close();
    }
    await context.close();
    return `at 44.1 and 48 kHz, strikes at most ${worst.toFixed(4)} ms apart; ${Math.round(slowest)} ms a minute at most`;
  },

  async 'nothing is asked of any network'() {
    let asked = 0;
    const server = createServer((_, answer) => {
      asked += 1;
      answer.end('here');
    });
    await new Promise((done) => server.listen(0, '127.0.0.1', done));
    const address = `http://127.0.0.1:${server.address().port}/`;
    const context = await browser(KIND);
    const page = await context.newPage();
    await page.goto(handOut('closed', '--bpm', '84'));
    await page.getByRole('button', { name: 'Begin' }).waitFor();
    const tried = await page.evaluate(async (address) => {
      const outcome = [];
      await fetch(address, { mode: 'no-cors' }).then(() => outcome.push('fetch'), () => null);
      await new Promise((done) => {
        const image = new Image();
        image.onload = () => { outcome.push('image'); done(); };
        image.onerror = done;
        image.src = `${address}x.png`;
      });
      try { if (navigator.sendBeacon(address, 'x')) await new Promise((done) => setTimeout(done, 300)); } catch { /* refused */ }
      try { new WebSocket(address.replace('http', 'ws')).onopen = () => outcome.push('socket'); } catch { /* refused */ }
      const foreign = `onmessage = async () => { await fetch('${address}', { mode: 'no-cors' }).then(() => postMessage('worker'), () => postMessage('')); };`;
      const worker = new Worker(URL.createObjectURL(new Blob([foreign])));
      await new Promise((done) => {
        worker.onmessage = ({ data }) => { if (data) outcome.push(data); done(); };
        worker.postMessage('');
        setTimeout(done, 3000);
      });
      const script = document.createElement('script');
      script.textContent = 'window.ran = true';
      document.body.append(script);
      if (window.ran) outcome.push('script');
      await new Promise((done) => setTimeout(done, 300));
      return outcome;
    }, address);
    await context.close();
    server.close();
    // The browser tells what it has refused; the server knows what came.
    faults.length = 0;
    requests.length = 0;
    claim(tried.length === 0 && asked === 0, `these got through: ${tried}; the server was asked ${asked} times`);
    return 'fetch, also beside the page, picture, beacon, socket and a foreign script are refused';
  },

  async 'a take through the microphone, to the sample, from choosing to the file for the teacher'() {
    // Only Chromium has a microphone that plays a file.
    if (KIND !== 'chromium') return 'not with this browser';
    const { name, bpm, form } = TRUTHS[5];
    const first = await browser(KIND);
    const address = handOut('robin', '--bpm', String(bpm), '--form', form, '--pupil', 'Robin');
    const { said, samples } = await inPage(await open(first, address), path.join(takes, name), bpm, 44100);
    await first.close();
    // The teacher has asked for it before it is played.
    const book = path.join(folder, 'book');
    fs.rmSync(book, { recursive: true, force: true });
    fs.writeFileSync(path.join(folder, 'class.csv'), 'class,nickname\n4b,Robin\n4b,Wren\n');
    run('book', 'new', '--book', book);
    run('book', 'roster', 'class.csv', '--book', book);
    run('book', 'assign', '--class', '4b', PART, '--bpm', String(bpm), '--form', form, '--book', book);
    const heard = path.join(folder, 'heard.wav');
    fs.writeFileSync(heard, wav(samples, 44100, 882));
    const context = await browser(KIND, heard);
    const page = await open(context, address);
    await picture(page, 'choose');
    await axe(page, 'choose');
    await page.getByText('More', { exact: true }).click();
    await page.getByLabel('While you play you hear').selectOption('nothing');
    await page.getByRole('button', { name: 'Begin' }).click();
    await page.getByRole('heading', { name: 'Sound check' }).waitFor();
    await picture(page, 'before-check');
    await axe(page, 'before the check');
    await page.getByRole('button', { name: 'Play without it' }).click();
    const stop = page.getByRole('button', { name: 'Stop', exact: true });
    await stop.waitFor();
    await page.waitForTimeout(1500);
    await picture(page, 'count-in');
    await page.waitForTimeout(5000);
    await picture(page, 'play');
    await axe(page, 'play');
    // Until the file is through.
    await page.waitForTimeout(Math.max(0, (1e3 * samples.length) / 44100 - 4000));
    await page.keyboard.press('Space');
    await page.getByRole('button', { name: 'Give this to your teacher' }).waitFor();
    await picture(page, 'after');
    await axe(page, 'after');
    await page.getByText('The chart of your take').click();
    await page.getByText('The chart in words').click();
    await picture(page, 'after-unfolded');
    await axe(page, 'after, unfolded');
    await page.emulateMedia({ media: 'print' });
    await page.pdf({ path: path.join(folder, 'after.pdf'), format: 'A4' });
    await page.emulateMedia({ media: 'screen' });
    const { zip, unpacked } = await given(page, 'given');
    await context.close();
    // What the teacher's program hears in it, and whose it is.
    const gathered = run('book', 'gather', path.dirname(zip), '--book', book);
    claim(/1 new take/.test(gathered), `gather says: ${gathered}`);
    const own = JSON.parse(run('assess', PART, path.join(unpacked, 'take.wav'), '--json'));
    // The recording begins anywhere in the file: the first strike says where.
    claim(own.strikes.length > 0 && said.strikes.length > 0, 'nothing was heard');
    const lost = said.strikes.length - own.strikes.length;
    claim(lost >= 0 && lost <= 2, `${own.strikes.length} of ${said.strikes.length} strikes were recorded`);
    const shift = own.strikes[0].t_s - said.strikes[lost].t_s;
    const apart = own.strikes.map((strike, k) => Math.abs(strike.t_s - shift - said.strikes[k + lost].t_s));
    claim(Math.max(...apart) < NEAR_S, `strikes are ${Math.max(...apart) * 1e3} ms apart`);
    return `${own.strikes.length} strikes, at most ${(Math.max(...apart) * 1e3).toFixed(4)} ms apart; ${gathered.trim().split('\n')[0]}`;
  },

  async 'a pupil who plays to the guide is heard without it, and nobody beside it is nobody'() {
    const { strikes, start, bpm, lasts } = playedB();
    const address = handOut('guided', '--bpm', String(bpm), '--form', 'B', '--pupil', 'Robin');
    return looped(struck(strikes, KIT, KIT_RATE, lasts), KIT_RATE, async (context) => {
      const page = await open(context, address);
      await begin(page);
      const { unpacked } = await whole(page, 'guided', lasts);
      const own = JSON.parse(run('assess', PART, path.join(unpacked, 'take.wav'), '--json'));
      claim(own.clock.source === 'guide', `the clock is ${own.clock.source}`);
      claim(own.strikes.length === strikes.length, `${own.strikes.length} strikes of ${strikes.length}`);
      const late = own.strikes.map((s, k) => s.t_s - own.clock.start_s - (strikes[k].at - start));
      claim(Math.max(...late.map(Math.abs)) < SLIP_S, `strikes are ${late.map((s) => (1e3 * s).toFixed(1))} ms off`);
      claim(own.findings.length === 0, `findings: ${own.findings.map((f) => f.text)}`);
      await picture(page, 'after-flawless');
      await page.evaluate(() => { window.pupilIsAway = true; });
      await page.getByRole('button', { name: /^Play it again/ }).click();
      const nobody = await whole(page, 'nobody', lasts);
      const none = JSON.parse(run('assess', PART, path.join(nobody.unpacked, 'take.wav'), '--json'));
      claim(none.strikes.length === 0, `${none.strikes.length} strikes of nobody`);
      const said = await page.locator('.after').innerText();
      await picture(page, 'after-nobody');
      return `${own.strikes.length} strikes within ${(1e3 * Math.max(...late.map(Math.abs))).toFixed(2)} ms of the guide, ${none.strikes.length} of nobody: “${/Try this\s+(.*)/.exec(said)?.[1]}”`;
    });
  },

  async 'a sound check knows the surfaces and the way from loudspeaker to microphone, and one press is enough the next time'() {
    // As the page asks for them: centre, then rim, then sticks, from second 5 on, each for four seconds.
    const strikes = ['centre', 'rim', 'click'].flatMap((surface, k) => [0, 1, 2].map((n) => ({ at: 5 + 4 * k + 0.8 + 0.9 * n, surface })));
    const data = profile('checked');
    const address = handOut('checked', '--bpm', '84', '--form', 'B', '--pupil', 'Wren');
    return looped(struck(strikes, KIT, KIT_RATE, 18), KIT_RATE, async (context) => {
      const page = await open(context, address);
      await page.getByRole('button', { name: 'Begin' }).click();
      await page.getByRole('button', { name: 'Start the sound check' }).click();
      await page.getByText('Now three strokes').waitFor();
      await picture(page, 'check');
      await axe(page, 'check');
      await page.getByText('What was heard').waitFor();
      await picture(page, 'checked');
      await axe(page, 'checked');
      const said = await page.locator('main').innerText();
      for (const surface of ['centre', 'rim', 'sticks']) claim(new RegExp(`${surface}[^\n]*: 3 of 3`).test(said), `the check says: ${said}`);
      await page.reload();
      // One press from opening to playing.
      await page.getByRole('button', { name: 'Begin' }).click();
      await page.getByRole('button', { name: 'Stop', exact: true }).waitFor();
      await sleep(2000);
      await page.keyboard.press('Space');
      await page.getByRole('button', { name: 'Give this to your teacher' }).waitFor();
      const { unpacked } = await given(page, 'checked');
      const card = JSON.parse(fs.readFileSync(path.join(unpacked, 'take.take.json'), 'utf8'));
      claim(fs.existsSync(path.join(unpacked, 'strikes.wav')), 'the strikes of the check are not given');
      claim(card.sound_check?.surfaces && card.round_trip_ms > 0, `the card says: ${JSON.stringify(card.sound_check)}`);
      return `round trip ${card.round_trip_ms} ms, noise ${card.sound_check.noise_db} dB, strikes ${card.sound_check.surfaces}`;
    }, data);
  },

  async 'a drill is echoed by ear, judged at once, and gathered by the book'() {
    const drill = drillOf('Robin');
    const book = newBook('drill-book', 'Robin');
    const address = handOut('drill', '--bpm', '84', '--pupil', 'Robin', '--drill', DRILL);
    const strikes = drill.rounds.filter((r) => !r.hush).flatMap((r) => r.strokes.map(([at, surface]) => ({ at: r.answer_s + at, surface })));
    return looped(struck(strikes, KIT, KIT_RATE, drill.lasts), KIT_RATE, async (context) => {
      const page = await open(context, address);
      await page.getByText('the echo drill').click();
      await picture(page, 'choose-drill');
      await page.getByRole('button', { name: 'Begin' }).click();
      await page.getByRole('heading', { name: 'Lantern echoes' }).waitFor();
      await picture(page, 'drill');
      await axe(page, 'drill');
      await page.getByRole('button', { name: 'Begin' }).click();
      // The counting in comes once, and a driver may look too late.
      for (const words of ['Listen', 'Breathe', 'Your turn']) {
        await page.locator('.what', { hasText: words }).waitFor();
        await page.screenshot({ path: path.join(folder, `${KIND}-drill-${words.replace(' ', '-')}.png`) });
      }
      await axe(page, 'the drill while it is played');
      await page.locator('.what', { hasText: 'Echoed right' }).waitFor();
      await page.screenshot({ path: path.join(folder, `${KIND}-drill-said.png`) });
      await page.getByText('rounds right').waitFor({ timeout: 1e3 * drill.lasts + 30_000 });
      await picture(page, 'drilled');
      await axe(page, 'drilled');
      const { unpacked, zip } = await given(page, 'drilled');
      const own = JSON.parse(run('drill', 'score', path.join(unpacked, 'drill.wav'), '--json'));
      const kinds = own.answers.map((a) => a.verdict);
      claim(kinds.every((kind) => kind === 'right' || kind === 'hush-kept'), `the program says: ${own.answers.map((a) => a.text)}`);
      const said = await page.locator('.rounds').innerText();
      own.answers.forEach((a) => claim(said.toLowerCase().includes(a.text.toLowerCase()), `the page says ${said}; the program: ${a.text}`));
      const card = JSON.parse(fs.readFileSync(path.join(unpacked, 'drill.drill.json'), 'utf8'));
      const now = card.recording.said;
      claim(now.length === kinds.length && now.every((s, k) => s.verdict === kinds[k]), `said at once: ${now.map((s) => s.verdict)}`);
      const gathered = run('book', 'gather', path.dirname(zip), '--book', book);
      claim(/drill/.test(gathered), `gather says: ${gathered}`);
      const most = Math.max(...now.map((s) => s.after_ms));
      return `${kinds.length} rounds; each was judged at most ${most} ms after its answer (${Math.max(...now.map((s) => s.judged_in_ms))} ms of them to hear it)`;
    });
  },

  async 'a drill is echoed by eye alone'() {
    const address = handOut('seen', '--bpm', '84', '--pupil', 'Wren', '--drill', DRILL);
    const drill = drillOf('Wren');
    const loop = await soundLoop(folder);
    const context = await browser(KIND, 'loop', { loop });
    try {
      const page = await open(context, address);
      await page.getByText('the echo drill').click();
      await page.getByRole('button', { name: 'Begin' }).click();
      await page.getByText('without a sound').click();
      // A pupil who strikes when the page says so: `Your turn` is seen, the strokes follow.
      await page.evaluate(([rounds, kit, rate]) => {
        const on = new AudioContext();
        const sounds = Object.fromEntries(Object.entries(kit).map(([surface, samples]) => {
          const buffer = on.createBuffer(1, samples.length, rate);
          buffer.copyToChannel(Float32Array.from(samples, (v) => v / 32768), 0);
          return [surface, buffer];
        }));
        let last = '';
        const look = () => {
          const what = document.querySelector('.what')?.textContent ?? '';
          const k = Number(/Round (\d+)/.exec(document.querySelector('.echo .sub')?.textContent ?? '')?.[1]) - 1;
          if (what === 'Your turn' && last !== what && !rounds[k].hush) {
            for (const [at, surface] of rounds[k].strokes) {
              const node = on.createBufferSource();
              node.buffer = sounds[surface];
              node.connect(on.destination);
              node.start(on.currentTime + at);
            }
          }
          last = what;
          requestAnimationFrame(look);
        };
        look();
      }, [drill.rounds, Object.fromEntries(Object.entries(KIT).map(([surface, { samples }]) => [surface, samples])), KIT_RATE]);
      await page.getByRole('button', { name: 'Begin' }).click();
      await page.locator('.what', { hasText: 'Listen' }).waitFor();
      claim(await page.locator('.call svg').first().isVisible(), 'the call is not to be seen');
      await page.getByText('rounds right').waitFor({ timeout: 1e3 * drill.lasts + 30_000 });
      const { unpacked } = await given(page, 'seen');
      const card = JSON.parse(fs.readFileSync(path.join(unpacked, 'drill.drill.json'), 'utf8'));
      claim(card.recording.loudspeaker === '', 'something was played');
      const kinds = card.recording.said.map((s) => s.verdict);
      const good = kinds.filter((kind) => kind === 'right' || kind === 'hush-kept').length;
      claim(kinds.length === drill.rounds.length && good === kinds.length, `said: ${card.recording.said.map((s) => s.text)}`);
      return `${good} of ${kinds.length} rounds`;
    } finally {
      await context.close();
      loop.stop();
    }
  },

  async 'a take whose page is killed is there again'() {
    const data = profile('killed');
    const noise = path.join(folder, 'noise.wav');
    fs.writeFileSync(noise, wav(Int16Array.from({ length: 44100 * 60 }, (_, k) => (k * 7919) % 999), 44100, 882));
    const address = handOut('killed', '--bpm', '84', '--pupil', 'Wren');
    const loop = KIND === 'firefox' ? await soundLoop(folder) : null;
    const again = () => browser(KIND, KIND === 'firefox' ? 'loop' : noise, { data, loop });
    let context = await again();
    const kills = Number(asked.kills);
    const losses = [];
    try {
      for (let k = 0; k < kills; k++) {
        let page = await open(context, address);
        await page.getByRole('button', { name: 'Begin' }).click();
        await page.getByRole('button', { name: 'Play without it' }).click();
        await page.getByRole('button', { name: 'Stop', exact: true }).waitFor();
        await sleep(1500 + 61 * k);
        const until = await page.evaluate(() => Date.now());
        if (KIND === 'firefox') {
          killed(data);
          await context.close().catch(() => null);
          context = await again();
        } else {
          const crashed = page.waitForEvent('crash');
          (await context.newCDPSession(page)).send('Page.crash').catch(() => null);
          await crashed;
          await page.close();
        }
        page = await newPage(context);
        await page.goto(address);
        await page.getByRole('button', { name: 'Begin' }).waitFor();
        const [kept] = await stored(page);
        losses.push((until - kept.began) / 1e3 - kept.n / kept.rate);
        if (k + 1 < kills) {
          await page.evaluate(clear);
          await page.close();
          continue;
        }
        // It is offered once it is sure that no other tab records it.
        await sleep(6000);
        await page.reload();
        await page.getByText('There is an unfinished take').waitFor();
        await axe(page, 'an unfinished take');
        await picture(page, 'unfinished');
        await page.getByRole('button', { name: 'Keep it' }).click();
        await page.getByRole('button', { name: 'Give this to your teacher' }).waitFor();
        await page.locator('.notice', { hasText: 'closed while it was recorded' }).waitFor();
      }
    } finally {
      await context.close();
      loop?.stop();
    }
    const most = Math.max(...losses);
    claim(most < 1, `${losses} s of sound were lost`);
    return `${kills} times; at most ${most.toFixed(2)} s were lost, ${(losses.reduce((a, b) => a + b) / kills).toFixed(2)} s in the middle`;
  },

  async 'everything is forgotten at one press, in whatever tabs it is open'() {
    const context = await browser(KIND);
    const address = handOut('forget', '--bpm', '84', '--form', 'A B', '--class', '4b', '--book', newBook('forget-book', 'Wren'));
    const other = await open(context, address);
    const page = await open(context, address);
    await page.getByLabel('Who plays?').selectOption('Wren');
    await page.evaluate(() => new Promise((done) => {
      const asked = indexedDB.open('pailbeat');
      asked.onsuccess = () => {
        const turn = asked.result.transaction(['pieces', 'takes'], 'readwrite');
        turn.objectStore('pieces').put({ take: 'x', from: 0, samples: new Int16Array(9).buffer });
        turn.objectStore('takes').put({ id: 'x', of: 'somebody', began: 0, touched: 0, whole: true });
        turn.oncomplete = () => { asked.result.close(); done(null); };
      };
    }));
    await page.getByText('More', { exact: true }).click();
    await page.getByRole('button', { name: 'Forget everything here' }).click();
    await axe(page, 'forget');
    await picture(page, 'forget');
    await page.getByRole('button', { name: 'Forget everything', exact: true }).click();
    await page.getByText('is gone').waitFor();
    const left = await page.evaluate(all);
    claim(left === 0, `${left} rows are left`);
    await other.close();
    await page.reload();
    claim(await page.getByLabel('Who plays?').inputValue() === '', 'the name is remembered');
    await context.close();
    return 'with another tab open; nothing is left';
  },

  async 'two tabs record at once, and neither takes the other for unfinished'() {
    const data = profile('tabs');
    const loop = await soundLoop(folder);
    const context = await browser(KIND, 'loop', { data, loop });
    const address = handOut('tabs', '--bpm', '84', '--form', 'B', '--pupil', 'Wren');
    const played = async () => {
      const page = await open(context, address);
      claim(await page.getByText('There is an unfinished take').count() === 0, 'a take that is being recorded is called unfinished');
      await begin(page);
      await page.getByRole('button', { name: 'Stop', exact: true }).waitFor();
      return page;
    };
    const first = await played();
    await sleep(2000);
    const second = await played();
    await sleep(2000);
    for (const page of [first, second]) {
      await page.getByRole('button', { name: 'Stop', exact: true }).click();
      await page.getByRole('button', { name: 'Give this to your teacher' }).waitFor();
    }
    const kept = await stored(second);
    claim(kept.length === 2 && kept.every((take) => take.n > 2 * take.rate), `kept: ${JSON.stringify(kept)}`);
    await context.close();
    loop.stop();
    return kept.map((take) => `${(take.n / take.rate).toFixed(1)} s`).join(' and ');
  },

  async 'a microphone that is pulled ends the take, and what was recorded is told'() {
    const loop = await soundLoop(folder);
    const context = await browser(KIND, 'loop', { loop });
    const page = await open(context, handOut('pulled', '--bpm', '84', '--pupil', 'Wren'));
    await begin(page);
    await page.getByRole('button', { name: 'Stop', exact: true }).waitFor();
    await sleep(4000);
    loop.unplug();
    await page.getByText('The take ended early').waitFor({ timeout: 20_000 });
    const said = await page.locator('.notice').first().innerText();
    await picture(page, 'pulled');
    await context.close();
    loop.stop();
    // The browser says so, too.
    faults.length = 0;
    return said;
  },

  async 'a full disk is said, and the take is given all the same'() {
    const small = path.join(folder, 'small-disk');
    fs.mkdirSync(small, { recursive: true });
    if (spawnSync('mount', ['-t', 'tmpfs', '-o', 'size=60m', 'tmpfs', small]).status !== 0) return 'not tried: no small disk can be had here';
    const loop = await soundLoop(folder);
    let context;
    try {
      context = await browser(KIND, 'loop', { data: path.join(small, 'profile'), loop });
      const page = await open(context, handOut('full', '--bpm', '84', '--pupil', 'Wren'));
      await begin(page);
      await page.getByRole('button', { name: 'Stop', exact: true }).waitFor();
      await sleep(2000);
      // The rest of the disk.
      spawnSync('dd', ['if=/dev/zero', `of=${path.join(small, 'rest')}`, 'bs=4k']);
      await sleep(30_000);
      faults.length = 0;
      await page.getByRole('button', { name: 'Stop', exact: true }).click();
      await page.getByText('no room to keep the take').waitFor();
      const { unpacked } = await given(page, 'full');
      const { length_samples: n, rate_hz: rate } = JSON.parse(fs.readFileSync(path.join(unpacked, 'take.take.json'), 'utf8'));
      claim(n > 25 * rate, `${n} samples were given`);
      await picture(page, 'full');
      faults.length = 0;
      return `${(n / rate).toFixed(0)} s were given`;
    } finally {
      await context?.close();
      loop.stop();
      spawnSync('umount', ['-l', small]);
    }
  },

  async 'where the microphone is refused a recording can be opened'() {
    const context = await browser(KIND);
    const page = await open(context, handOut('refused', '--bpm', '84', '--form', 'A B', '--pupil', 'Swift'));
    await page.getByRole('button', { name: 'Begin' }).click();
    await page.getByRole('button', { name: 'Start the sound check' }).click();
    await page.getByRole('heading', { name: 'The microphone does not listen' }).waitFor();
    await picture(page, 'refused');
    await axe(page, 'refused');
    await page.getByLabel('Open a recording').last().setInputFiles(path.join(takes, 'swift.wav'));
    await page.getByRole('button', { name: 'Give this to your teacher' }).waitFor();
    const said = await page.locator('.after').innerText();
    const own = JSON.parse(run('assess', PART, path.join(takes, 'swift.wav'), '--bpm', '84', '--form', 'A B', '--json'));
    const sentence = own.advice.fix.split('. ')[0].replace(/\.$/, '');
    claim(said.includes(sentence), `the page says: ${said}\nthe program: ${own.advice.fix}`);
    await page.getByRole('button', { name: 'Choose something else' }).click();
    await page.getByText('the bars you are working on').waitFor().catch(() => claim(!own.advice.practise, 'the bars of the fix cannot be chosen'));
    await page.getByText('More', { exact: true }).click();
    await page.getByLabel('Open a recording').setInputFiles(PART);
    await page.getByText('could not be opened').waitFor();
    await context.close();
    return 'said so, opened, and told as the program tells it';
  },

  async 'whatever is pressed, and however fast, the page goes on'() {
    const noise = path.join(folder, 'noise.wav');
    fs.writeFileSync(noise, wav(Int16Array.from({ length: 44100 * 60 }, (_, k) => (k * 7919) % 999), 44100, 882));
    const loop = KIND === 'firefox' ? await soundLoop(folder) : null;
    const context = await browser(KIND, loop ? 'loop' : noise, { loop });
    const page = await open(context, handOut('pressed', '--bpm', '84', '--pupil', 'Wren', '--drill', DRILL));
    // Files that are given go nowhere.
    page.on('download', (download) => download.cancel());
    const seed = Number(process.env.SEED ?? Date.now() % 100_000);
    let state = seed;
    const random = (n) => {
      state = (state * 1_103_515_245 + 12_345) % 2 ** 31;
      return Math.floor((state / 2 ** 31) * n);
    };
    const pressed = [];
    try {
      for (let k = 0; k < 150; k++) {
        const name = await page.evaluate((n) => {
          const all = [...document.querySelectorAll('main button:enabled, main input[type=radio], main summary')].filter((it) => it.checkVisibility());
          const it = all[n % Math.max(1, all.length)];
          it?.click();
          return it?.textContent || it?.value || null;
        }, random(997));
        pressed.push(name);
        await sleep(random(4) === 0 ? 1500 : random(120));
      }
      await sleep(3000);
      claim(await page.locator('main').innerText() !== '', 'nothing is shown');
      claim(faults.length === 0, faults.join('; '));
    } catch (error) {
      throw new Error(`seed ${seed}: ${error.message}; pressed: ${pressed.join(', ')}`);
    } finally {
      await context.close();
      loop?.stop();
    }
    return `150 presses, seed ${seed}, among them ${[...new Set(pressed)].length} different ones`;
  },

  async 'a class chooses its name, whatever letters it has'() {
    const book = path.join(folder, 'book-class');
    fs.rmSync(book, { recursive: true, force: true });
    fs.writeFileSync(path.join(folder, 'names.csv'), 'class,nickname\n4b,</script><b>Wren\n4b,עפרוני\n4b,Robin\n');
    run('book', 'new', '--book', book);
    run('book', 'roster', 'names.csv', '--book', book);
    const context = await browser(KIND);
    const page = await open(context, handOut('class', '--bpm', '84', '--class', '4b', '--book', book));
    claim(await page.getByRole('button', { name: 'Begin' }).isDisabled(), 'nobody plays, and it begins');
    await page.getByLabel('Who plays?').selectOption('עפרוני');
    await page.getByRole('button', { name: 'Begin' }).and(page.locator(':enabled')).waitFor();
    await picture(page, 'class');
    await axe(page, 'class');
    await context.close();
    return 'three names';
  },
};

let wrong = 0;
for (const [name, test] of Object.entries(tests)) {
  if (!name.includes(only)) continue;
  const before = Date.now();
  faults.length = 0;
  requests.length = 0;
  try {
    const said = await test();
    claim(faults.length === 0, `the page complained: ${faults.join('; ')}`);
    claim(requests.length === 0, `the page asked for ${requests.join(', ')}`);
    console.log(`ok    ${name}: ${said} (${((Date.now() - before) / 1e3).toFixed(1)} s)`);
  } catch (error) {
    wrong += 1;
    console.log(`WRONG ${name}: ${error.stack ?? error}`);
  }
}
process.exit(wrong ? 1 : 0);
