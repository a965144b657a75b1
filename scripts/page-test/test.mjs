// The pupil's page in a real browser: what it hears beside what the program hears, a take through a microphone that plays a
// file, a browser that is killed, a microphone that is refused, what a screen reader finds, and that nothing is asked of any network.
//
//   node test.mjs PROGRAM FOLDER [NAME]      from the repository's root; FOLDER is for files and pictures; NAME runs only tests
//                                            whose name holds it
import { spawnSync } from 'node:child_process';
import { createServer } from 'node:http';
import { createRequire } from 'node:module';
import fs from 'node:fs';
import path from 'node:path';
import { chromium } from 'playwright-core';

const [program, folder, only = ''] = process.argv.slice(2);
const root = process.cwd();
const takes = path.join(root, 'reference_takes');
const PART = path.join(takes, 'lantern-parade.toml');
const AXE = fs.readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
fs.mkdirSync(folder, { recursive: true });

/** A strike in the browser may stand so far from the program's: a tenth of a millisecond. */
const NEAR_S = 1e-4;

function claim(holds, what) {
  if (!holds) throw new Error(what);
}

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

/** One channel of 16 bits. */
function wav(samples, rate, zerosAfter = 0) {
  const body = Buffer.alloc(2 * (samples.length + zerosAfter));
  samples.forEach((v, k) => body.writeInt16LE(v, 2 * k));
  const head = Buffer.alloc(44);
  head.write('RIFF', 0);
  head.writeUInt32LE(36 + body.length, 4);
  head.write('WAVEfmt ', 8);
  head.writeUInt32LE(16, 16);
  head.writeUInt16LE(1, 20);
  head.writeUInt16LE(1, 22);
  head.writeUInt32LE(rate, 24);
  head.writeUInt32LE(2 * rate, 28);
  head.writeUInt16LE(2, 32);
  head.writeUInt16LE(16, 34);
  head.write('data', 36);
  head.writeUInt32LE(body.length, 40);
  return Buffer.concat([head, body]);
}

const requests = [];
/** A browser; `sound` is what its microphone plays, null a browser that gives none. */
async function browser(sound, data = '') {
  const args = ['--no-sandbox', '--autoplay-policy=no-user-gesture-required'];
  if (sound) {
    args.push('--use-fake-ui-for-media-stream', '--use-fake-device-for-media-stream', `--use-file-for-fake-audio-capture=${sound}%noloop`);
  }
  const context = await chromium.launchPersistentContext(data, {
    executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', headless: true, args, viewport: { width: 390, height: 844 }, acceptDownloads: true,
  });
  context.on('request', (request) => {
    if (!/^(file|data|blob):/.test(request.url())) requests.push(request.url());
  });
  return context;
}

async function open(context, address) {
  const page = await context.newPage();
  page.setDefaultTimeout(60_000);
  page.on('pageerror', (error) => faults.push(String(error)));
  page.on('console', (message) => message.type() === 'error' && faults.push(message.text()));
  await page.goto(address);
  await page.getByRole('button', { name: 'Begin' }).waitFor();
  return page;
}
/** What the page complained of. */
const faults = [];

async function picture(page, name) {
  for (const [width, height] of [[390, 844], [320, 640], [1280, 800]]) {
    await page.setViewportSize({ width, height });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    claim(wide <= 0, `${name} is ${wide} pixels too wide at ${width}`);
    await page.screenshot({ path: path.join(folder, `${name}-${width}.png`), fullPage: true });
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

const tests = {
  async 'the six reference takes are told as the program tells them'() {
    const context = await browser(null);
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
    const context = await browser(null);
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
    return 'fetch, picture, beacon, socket and a foreign script are refused';
  },

  async 'a take through the microphone, from choosing to the file for the teacher'() {
    const { name, bpm, form } = TRUTHS[5];
    const first = await browser(null);
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
    const context = await browser(heard);
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
    await picture(page, 'after-unfolded');
    await axe(page, 'after, unfolded');
    await page.emulateMedia({ media: 'print' });
    await page.pdf({ path: path.join(folder, 'after.pdf'), format: 'A4' });
    await page.emulateMedia({ media: 'screen' });
    const [download] = await Promise.all([page.waitForEvent('download'), page.getByRole('button', { name: 'Give this to your teacher' }).click()]);
    fs.rmSync(path.join(folder, 'given'), { recursive: true, force: true });
    const zip = path.join(folder, 'given', download.suggestedFilename());
    await download.saveAs(zip);
    await context.close();
    // What the teacher's program hears in it, and whose it is.
    const gathered = run('book', 'gather', path.dirname(zip), '--book', book);
    claim(/1 new take/.test(gathered), `gather says: ${gathered}`);
    const files = spawnSync('python3', ['-c', 'import sys, zipfile; zipfile.ZipFile(sys.argv[1]).extractall(sys.argv[2])', zip, path.join(folder, 'unpacked')]);
    claim(files.status === 0, 'the file for the teacher does not unpack');
    const own = JSON.parse(run('assess', PART, path.join(folder, 'unpacked/take.wav'), '--json'));
    // The recording begins anywhere in the file: the first strike says where.
    claim(own.strikes.length > 0 && said.strikes.length > 0, 'nothing was heard');
    const lost = said.strikes.length - own.strikes.length;
    claim(lost >= 0 && lost <= 2, `${own.strikes.length} of ${said.strikes.length} strikes were recorded`);
    const shift = own.strikes[0].t_s - said.strikes[lost].t_s;
    const apart = own.strikes.map((strike, k) => Math.abs(strike.t_s - shift - said.strikes[k + lost].t_s));
    claim(Math.max(...apart) < NEAR_S, `strikes are ${Math.max(...apart) * 1e3} ms apart`);
    return `${own.strikes.length} strikes, at most ${(Math.max(...apart) * 1e3).toFixed(4)} ms apart; ${gathered.trim().split('\n')[0]}`;
  },

  async 'a take whose browser is killed is there again'() {
    const data = path.join(folder, 'killed');
    fs.rmSync(data, { recursive: true, force: true });
    const noise = path.join(folder, 'noise.wav');
    fs.writeFileSync(noise, wav(Int16Array.from({ length: 44100 * 60 }, (_, k) => (k * 7919) % 999), 44100, 882));
    const address = handOut('killed', '--bpm', '84', '--pupil', 'Wren');
    const context = await browser(noise, data);
    const page = await open(context, address);
    await page.getByRole('button', { name: 'Begin' }).click();
    await page.getByRole('button', { name: 'Play without it' }).click();
    await page.getByRole('button', { name: 'Stop', exact: true }).waitFor();
    await page.waitForTimeout(4000);
    const crashed = page.waitForEvent('crash');
    const session = await context.newCDPSession(page);
    const until = await page.evaluate(() => Date.now());
    session.send('Page.crash').catch(() => null);
    await crashed;
    await context.close();
    const again = await browser(noise, data);
    const second = await again.newPage();
    await new Promise((done) => setTimeout(done, 6000));
    await second.goto(address);
    await second.getByText('There is an unfinished take').waitFor();
    await axe(second, 'an unfinished take');
    await picture(second, 'unfinished');
    const kept = await second.evaluate(() => new Promise((done) => {
      const asked = indexedDB.open('pailbeat');
      asked.onsuccess = () => {
        const turn = asked.result.transaction(['pieces', 'takes']);
        const all = turn.objectStore('pieces').getAll();
        const rows = turn.objectStore('takes').getAll();
        turn.oncomplete = () => done({ n: all.result.reduce((sum, p) => sum + p.samples.byteLength / 2, 0), began: rows.result[0].began, rate: rows.result[0].rate });
      };
    }));
    const lost = (until - kept.began) / 1e3 - kept.n / kept.rate;
    claim(lost < 1, `${lost} s of sound were lost`);
    await second.getByRole('button', { name: 'Keep it' }).click();
    await second.getByRole('button', { name: 'Give this to your teacher' }).waitFor();
    await second.getByRole('button', { name: 'Choose something else' }).click();
    await second.getByText('More', { exact: true }).click();
    await second.getByRole('button', { name: 'Forget everything here' }).click();
    await axe(second, 'forget');
    await second.getByRole('button', { name: 'Forget everything', exact: true }).click();
    await second.getByText('is gone').waitFor();
    const left = await second.evaluate(async () => (await indexedDB.databases()).length);
    await again.close();
    claim(left <= 1, `${left} databases are left`);
    return `${kept.n / kept.rate} s were kept; at most ${lost.toFixed(2)} s were lost`;
  },

  async 'where the microphone is refused a recording can be opened'() {
    const context = await browser(null);
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

  async 'a class chooses its name, whatever letters it has'() {
    const book = path.join(folder, 'book-class');
    fs.rmSync(book, { recursive: true, force: true });
    fs.writeFileSync(path.join(folder, 'names.csv'), 'class,nickname\n4b,</script><b>Wren\n4b,עפרוני\n4b,Robin\n');
    run('book', 'new', '--book', book);
    run('book', 'roster', 'names.csv', '--book', book);
    const context = await browser(null);
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
