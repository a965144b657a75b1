// The desk in a real browser: from an empty folder to a class that has been listened to, at every width, with a mouse and with keys
// alone, with hostile names, and with requests that are forged.
//
//   node desk.mjs PROGRAM FOLDER [NAME]      from the repository's root; FOLDER is for books and pictures; NAME runs only tests
//                                            whose name holds it
import { spawn, spawnSync } from 'node:child_process';
import { createRequire } from 'node:module';
import fs from 'node:fs';
import http from 'node:http';
import net from 'node:net';
import path from 'node:path';
import { chromium } from 'playwright-core';

const [program, folder, only = ''] = process.argv.slice(2);
const AXE = fs.readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
fs.mkdirSync(folder, { recursive: true });

function claim(holds, what) {
  if (!holds) throw new Error(what);
}

const started = [];
/** A desk on a folder of its own: its address and how to end it. */
async function desk(name, { keep = false } = {}) {
  const book = path.join(folder, name);
  if (!keep) fs.rmSync(book, { recursive: true, force: true });
  const child = spawn(program, ['desk', book, '--no-browser'], { stdio: ['ignore', 'pipe', 'pipe'] });
  started.push(child);
  let said = '';
  child.stdout.setEncoding('utf8');
  const address = await new Promise((done, fail) => {
    child.stdout.on('data', (text) => {
      said += text;
      if (said.includes('\n')) done(said.split('\n')[0]);
    });
    child.on('exit', (code) => fail(new Error(`the desk ended with ${code}`)));
  });
  child.removeAllListeners('exit');
  const ended = new Promise((done) => child.on('exit', done));
  return { book, address, child, end: async (signal = 'SIGTERM') => { child.kill(signal); await ended; } };
}

function run(book, ...args) {
  const done = spawnSync(program, args, { encoding: 'utf8', cwd: book });
  claim(done.status === 0, `pailbeat ${args.join(' ')}: ${done.stderr}`);
  return done.stdout;
}

const faults = [];
const elsewhere = [];
let context;
async function open(address) {
  const page = await context.newPage();
  page.setDefaultTimeout(30_000);
  page.on('pageerror', (error) => faults.push(String(error)));
  page.on('console', (message) => message.type() === 'error' && !/409|404/.test(message.text()) && faults.push(message.text()));
  await page.goto(address);
  await page.locator('#desk').waitFor();
  return page;
}

async function axe(page, name) {
  await page.evaluate(AXE);
  const found = await page.evaluate(async () => (await window.axe.run()).violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(' | ')}`));
  claim(found.length === 0, `axe on ${name}: ${found.join('\n')}`);
}

/** The page at every width, and printed. */
async function pictures(page, name) {
  for (const [width, height] of [[390, 844], [768, 1024], [1000, 800], [1400, 900]]) {
    await page.setViewportSize({ width, height });
    await page.screenshot({ path: path.join(folder, `${name}-${width}.png`), fullPage: true });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    claim(wide <= 0, `${name} is ${wide} pixels too wide at ${width}`);
  }
  await page.setViewportSize({ width: 1280, height: 900 });
  await page.pdf({ path: path.join(folder, `${name}.pdf`), format: 'A4', printBackground: true });
}

/** The demo's class, heard. */
async function demo(page) {
  await page.getByRole('button', { name: 'Show me the demo class' }).click();
  await page.getByRole('heading', { name: 'Demo class' }).waitFor();
  await page.getByText('6 new takes').waitFor({ timeout: 120_000 });
}

/** The first seconds of a wav as the desk plays it: one channel of 16 bits after 44 bytes. */
function cut(wav, seconds) {
  const out = Buffer.from(wav.subarray(0, Math.min(wav.length, 44 + 2 * 44_100 * seconds)));
  out.writeUInt32LE(out.length - 8, 4);
  out.writeUInt32LE(out.length - 44, 40);
  return out;
}

/** What a request of the desk's own pages carries. */
async function own(desk) {
  const port = Number(new URL(desk.address).port);
  const cookie = (await context.cookies()).find((c) => c.name === `pailbeat-${port}`);
  return { port, cookie, headers: { Host: `127.0.0.1:${port}`, Cookie: `${cookie.name}=${cookie.value}`, Origin: `http://127.0.0.1:${port}` } };
}

const tests = [];
const test = (name, work) => tests.push({ name, work });

test('an empty folder leads to a class, a part and an assignment, and the screens are whole', async () => {
  const begun = await desk('first');
  const page = await open(begun.address);
  claim(new URL(page.url()).pathname === '/' && !page.url().includes('key'), `the address keeps its key: ${page.url()}`);
  await axe(page, 'start');
  await pictures(page, 'start');
  await page.getByLabel('What is it called?').fill('3b');
  await page.getByLabel(/Who is in it/).fill('Wren\nFinch\nHeron\n<b>Jay</b> "&\nRobin');
  await page.getByRole('button', { name: 'Go on to the part' }).click();
  await page.getByRole('heading', { name: '2 · A part' }).waitFor();
  await axe(page, 'part');
  await pictures(page, 'part');
  await page.getByLabel('The part', { exact: true }).fill('title = "Rain"');
  await page.getByRole('button', { name: 'Give it to 3b' }).click();
  await page.getByText('Not done:').waitFor();
  claim((await page.getByLabel('The part', { exact: true }).inputValue()) === 'title = "Rain"', 'what was typed stays');
  await page.locator('.mistake').first().waitFor();
  await axe(page, 'a wrong part');
  await pictures(page, 'wrong-part');
  await page.reload();
  await page.getByText('The part is right as it stands.').waitFor();
  await page.getByRole('button', { name: 'Hear it' }).click();
  await page.locator('#hear-part[aria-pressed=true]').waitFor();
  await page.getByRole('button', { name: 'Give it to 3b' }).click();
  await page.getByRole('heading', { name: 'Child by child' }).waitFor();
  await axe(page, 'an empty class');
  await pictures(page, 'empty-class');
  await begun.end();
});

test('the demo: what came in, the class, a take heard, set right and taken back', async () => {
  const begun = await desk('demo');
  const page = await open(begun.address);
  await demo(page);
  await axe(page, 'class');
  await pictures(page, 'class');
  const finch = page.locator('tbody tr', { hasText: 'Finch' });
  await finch.getByRole('link', { name: 'Finch' }).click();
  await page.locator('#chart').waitFor();
  await axe(page, 'take');
  await pictures(page, 'take');
  await page.locator('#play').focus();
  await page.locator('#main').focus();
  await page.keyboard.press('Space');
  await page.locator('#play', { hasText: 'Stop' }).waitFor();
  await page.waitForFunction(() => document.querySelector('#where')?.textContent?.includes('A, first time'));
  await page.keyboard.press('Space');
  const before = await page.locator('.finding:not(.answered)').count();
  claim(before > 0, 'Finch has findings');
  await page.evaluate(() => { window.sounded = []; });
  const chart = await page.locator('.system').first().boundingBox();
  for (let k = 1; k <= 10; k += 1) {
    const had = await page.evaluate(() => window.sounded.length);
    await page.mouse.click(chart.x + chart.width * (0.1 + 0.08 * k), chart.y + chart.height / 2);
    await page.waitForFunction((had) => window.sounded.length > had, had);
  }
  const sounded = (await page.evaluate(() => window.sounded)).sort((a, b) => a - b);
  console.log(`  from press to sound at a stroke: ${sounded[5]} ms in the middle, ${sounded.at(-1)} ms at most`);
  await page.keyboard.press('Space');
  await page.keyboard.press('ArrowDown');
  await page.keyboard.press('2');
  await page.getByText('Kept: it landed where it is written.').waitFor();
  claim(await page.locator('.finding.answered').count() > 0, 'an answered finding stays, pale');
  await axe(page, 'a take set right');
  await pictures(page, 'take-set-right');
  await page.keyboard.press('u');
  await page.getByText('Taken back: it stands').waitFor();
  claim(await page.locator('.finding:not(.answered)').count() === before, 'it stands as before');
  await page.getByRole('link', { name: 'What you set right' }).click();
  await page.getByText('taken back').first().waitFor();
  await axe(page, 'history');
  await pictures(page, 'history');
  await begun.end();
});

/** A request as no browser would send it: the status, and what came back. */
function ask(port, { method = 'GET', path: target = '/', headers = {}, body = '' } = {}) {
  return new Promise((done) => {
    const request = http.request({ host: '127.0.0.1', port, method, path: target, headers, setHost: false, agent: false }, (answer) => {
      let text = '';
      answer.setEncoding('latin1');
      answer.on('data', (piece) => { text += piece; });
      answer.on('end', () => done({ status: answer.statusCode, headers: answer.headers, text }));
      answer.on('error', () => done({ status: 0, headers: {}, text }));
    });
    request.on('error', () => done({ status: 0, headers: {}, text: '' }));
    request.end(body);
  });
}

/** The same, as it stands on the wire. */
function wire(port, text) {
  return new Promise((done) => {
    const socket = net.connect(port, '127.0.0.1', () => socket.write(text));
    let back = '';
    socket.setTimeout(3000, () => socket.destroy());
    socket.setEncoding('latin1');
    socket.on('data', (piece) => { back += piece; });
    socket.on('close', () => done({ status: Number(back.split(' ')[1] ?? 0), headers: {}, text: back }));
    socket.on('error', () => {});
  });
}

/** All that stands in a book, and its files. */
function standing(book) {
  const out = path.join(folder, 'exported');
  fs.rmSync(out, { recursive: true, force: true });
  run(book, 'book', 'export', out);
  const tables = fs.readdirSync(out).sort().map((name) => name + fs.readFileSync(path.join(out, name), 'latin1'));
  const files = fs.readdirSync(book, { recursive: true }).filter((name) => !/-wal|-shm|lock/.test(name)).sort();
  return JSON.stringify([tables, files]);
}

test('14 mails become what to teach again and 14 pages with two presses, and thirty takes are listened into', async () => {
  const names = ['Wren', 'Finch', 'Heron', 'Robin', 'Jay', 'Swift', 'Plover', 'Dunlin', 'Siskin', 'Knot', 'Brant', 'Merlin', 'Teal', 'Rook'];
  const shown = await desk('shown');
  await demo(await open(shown.address));
  const { port, headers } = await own(shown);
  const sources = [];
  // Finch, Heron, Robin and Wren, in the order in which they were gathered.
  for (const id of [1, 2, 4, 6]) sources.push(Buffer.from((await ask(port, { path: `/sound/take?id=${id}`, headers })).text, 'latin1'));
  await shown.end();
  const begun = await desk('mails');
  const mails = names.map((name, k) => {
    // The same sound twice would be a copy: each is another length of a recording.
    const sound = cut(sources[k % sources.length], 30 + k);
    const mail = path.join(folder, 'inbox', `${name}.eml`);
    fs.mkdirSync(path.dirname(mail), { recursive: true });
    fs.writeFileSync(mail, [
      `From: ${name.toLowerCase()}@example.org`, 'To: teacher@example.org', `Subject: ${name}, homework`, `Date: ${new Date(Date.now() - 3_600_000).toUTCString()}`,
      'MIME-Version: 1.0', 'Content-Type: multipart/mixed; boundary=b', '', '--b', 'Content-Type: text/plain', '', 'here it is', '--b',
      `Content-Type: audio/wav; name="IMG_${k}.wav"`, 'Content-Transfer-Encoding: base64', `Content-Disposition: attachment; filename="IMG_${k}.wav"`, '', sound.toString('base64').replace(/(.{76})/g, '$1\r\n'), '--b--', '',
    ].join('\r\n'));
    return mail;
  });
  const page = await open(begun.address);
  await page.getByLabel('What is it called?').fill('3b');
  await page.getByLabel(/Who is in it/).fill(names.join('\n'));
  await page.getByRole('button', { name: 'Go on to the part' }).click();
  await page.getByLabel(/Tempo/).fill('94');
  await page.getByRole('button', { name: 'Give it to 3b' }).click();
  await page.getByRole('heading', { name: 'Child by child' }).waitFor();
  // The first press: dropping them.
  await page.locator('#files').setInputFiles(mails);
  await page.waitForFunction(() => !document.querySelector('[data-running]') && /14 new takes|[0-9]+ new take/.test(document.querySelector('.in')?.textContent ?? ''), null, { timeout: 300_000 });
  await axe(page, 'what came in');
  await pictures(page, 'came-in');
  console.log(`  ${await page.locator('.in h3').allTextContents()}; worth teaching again: ${await page.locator('ol.again > li').count()}`);
  claim(await page.locator('ol.again > li').count() > 0, 'something is worth teaching again');
  // The second: the pages.
  await page.getByRole('button', { name: 'Make the children’s pages' }).click();
  await page.locator('#notice p').first().waitFor({ timeout: 120_000 });
  const made = fs.readdirSync(path.join(begun.book, 'pages')).filter((name) => name.startsWith('child-')).length;
  claim(made === 14, `${made} pages`);
  // From press to sound, at a place of the lesson and at a stroke.
  const place = page.locator('[data-hear^="/sound/place"]').first();
  await place.click();
  await page.waitForFunction(() => document.querySelector('[aria-pressed=true]'));
  // Every take listened into: one key a child, and where it is heard at once, no other.
  await page.locator('tbody a').first().click();
  await page.locator('#chart').waitFor();
  await page.locator('#at-once').check();
  let presses = 3;
  const heard = new Set();
  const press = async (key) => { presses += 1; await page.locator('#main').focus(); await page.keyboard.press(key); };
  for (let k = 0; k < 14; k += 1) {
    await page.waitForFunction(() => document.querySelector('#play')?.textContent?.includes('Stop'));
    heard.add(await page.locator('h1').textContent());
    if (k < 2 && await page.locator('.finding').count()) {
      await press('1');
      await page.locator('#undo').waitFor();
    }
    if (k < 3) {
      presses += 2; // into the field, and keep
      await page.locator('#word').fill('Lovely steady A.');
      await page.locator('#keep').click();
    } else await press('PageDown');
    await page.waitForFunction((name) => document.querySelector('h1')?.textContent !== name, [...heard].at(-1));
  }
  claim(heard.size === 14, `${heard.size} of 14 were heard`);
  console.log(`  14 takes listened into, two corrected, three words: ${presses} presses`);
  const times = await page.evaluate(async () => {
    const took = async (what) => { const from = performance.now(); await what(); return Math.round(performance.now() - from); };
    return { page: await took(async () => (await fetch(location.href)).text()) };
  });
  console.log(`  class page ${times.page} ms`);
  await page.goto(new URL('/print?of=3b', page.url()).href);
  await page.pdf({ path: path.join(folder, 'print-all.pdf'), format: 'A4' });
  await begun.end();
});

test('200 forged requests read nothing and change nothing', async () => {
  const forgedDesk = await desk('forged');
  const page = await open(forgedDesk.address);
  await demo(page);
  const { port, cookie, headers: good } = await own(forgedDesk);
  const before = standing(forgedDesk.book);
  const looks = ['/', '/class?of=Demo+class', '/take?id=1', '/history', '/print?of=Demo+class', '/sound/take?id=1', '/sound/place?id=1&from=0&to=2', '/arriving'];
  const form = { 'Content-Type': 'application/x-www-form-urlencoded' };
  const acts = [
    ['/do/word', 'pupil=Wren&text=forged'], ['/do/whose', 'take=1&pupil=Jay'], ['/do/correct', 'take=1&findings=0&against=fine'],
    ['/do/enrol', 'class=forged&names=Forged'], ['/do/pages', 'class=Demo+class'], ['/do/aside', 'number=1'], ['/arrive?name=forged.wav', 'RIFF'],
  ];
  const forged = [];
  const look = (headers, only = looks) => only.forEach((path) => forged.push({ path, headers }));
  const act = (headers, only = acts) => only.forEach(([path, body]) => forged.push({ method: 'POST', path, body, headers: { ...form, ...headers } }));
  const without = (name) => Object.fromEntries(Object.entries(good).filter(([n]) => n !== name));
  // Nobody's, another's, an old one's.
  for (const wrong of ['', `${cookie.name}=`, `${cookie.name}=${'0'.repeat(64)}`, `pailbeat-1=${cookie.value}`, `${cookie.name}=${cookie.value.slice(1)}`]) {
    look({ ...good, Cookie: wrong });
    act({ ...good, Cookie: wrong }, acts.slice(0, 3));
  }
  // A name that leads here from elsewhere.
  for (const host of ['localhost', 'desk.example.org', '127.0.0.1.example.org', '[::1]', '0.0.0.0', '127.1', '2130706433']) {
    look({ ...good, Host: `${host}:${port}` }, looks.slice(0, 3));
    act({ ...good, Host: `${host}:${port}`, Origin: `http://${host}:${port}` }, acts.slice(0, 2));
  }
  look({ ...good, Host: '127.0.0.1' }, looks.slice(0, 2));
  look(without('Host'), looks.slice(0, 2));
  // Another page in the same browser, which sends the cookie along.
  for (const origin of ['null', 'http://example.org', `http://localhost:${port}`, `https://127.0.0.1:${port}`, 'http://127.0.0.1', `http://127.0.0.1:${port + 1}`, 'file://']) {
    act({ ...good, Origin: origin });
    look({ ...good, Origin: origin }, looks.slice(0, 1));
  }
  act(without('Origin'));
  for (const site of ['cross-site', 'same-site']) {
    look({ ...good, 'Sec-Fetch-Site': site }, looks.slice(0, 4));
    act({ ...good, 'Sec-Fetch-Site': site }, acts.slice(0, 3));
  }
  // Looking must not do, and doing goes one way.
  for (const [path, body] of acts) forged.push({ path: path.includes('?') ? path : `${path}?${body}`, headers: good });
  for (const method of ['PUT', 'DELETE', 'OPTIONS', 'PATCH', 'TRACE']) forged.push({ method, path: '/do/word', body: acts[0][1], headers: { ...good, ...form } });
  for (const kind of ['text/plain', 'multipart/form-data; boundary=x', 'application/json', '']) forged.push({ method: 'POST', path: '/do/word', body: acts[0][1], headers: { ...good, 'Content-Type': kind } });
  // Out of the folder.
  for (const path of ['/../../etc/passwd', '/sound/../../class-book.sqlite', '/%2e%2e/%2e%2e/etc/passwd', '/class-book.sqlite', '/sound/take?id=../../../etc/passwd', '/sound/waiting?id=%2e%2e%2f1', '/pages/child-Wren.html', '//127.0.0.1/etc/passwd', '/regular.woff2/../class-book.sqlite']) {
    forged.push({ path, headers: good });
  }
  // More than is taken, and the door with a wrong key.
  forged.push({ method: 'POST', path: '/do/word', body: `pupil=Wren&text=${'x'.repeat(2 << 20)}`, headers: { ...good, ...form } });
  forged.push({ path: '/', headers: { ...good, 'X-Long': 'x'.repeat(1 << 20) } });
  for (const key of ['', '0'.repeat(64), cookie.value.toUpperCase(), `${cookie.value}0`]) forged.push({ path: `/open?key=${key}`, headers: { Host: good.Host } });
  const answers = [];
  for (const one of forged) answers.push([one, await ask(port, one)]);
  const head = `Cookie: ${good.Cookie}\r\nConnection: close\r\n`;
  for (const text of [
    `GET http://example.org/class?of=Demo+class HTTP/1.1\r\nHost: ${good.Host}\r\n${head}\r\n`,
    `GET /class?of=Demo+class HTTP/1.1\r\nHost: ${good.Host}\r\nHost: example.org\r\n${head}\r\n`,
    `GET /class?of=Demo+class HTTP/1.1\r\n${head}\r\n`,
    `GET /class?of=Demo+class HTTP/1.0\r\n${head}\r\n`,
    `POST /do/word HTTP/1.1\r\nHost: ${good.Host}\r\nOrigin: ${good.Origin}\r\nOrigin: http://example.org\r\n${head}Content-Type: ${form['Content-Type']}\r\nContent-Length: 23\r\n\r\n${acts[0][1]}`,
    `POST /do/word HTTP/1.1\r\nHost: ${good.Host}\r\n${head}Content-Type: ${form['Content-Type']}\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET / HTTP/1.1\r\n\r\n`,
    `\x16\x03\x01\x02\x00\x01`, `CONNECT example.org:80 HTTP/1.1\r\nHost: example.org:80\r\n\r\n`,
  ]) answers.push([{ path: text.slice(0, 60) }, await wire(port, text)]);
  claim(answers.length >= 200, `only ${answers.length} requests`);
  let bad = 0;
  for (const [one, answer] of answers) {
    const told = /Finch|Heron|Lantern|RIFF|SQLite|root:/.test(answer.text) || Object.keys(answer.headers).some((h) => h.startsWith('access-control'));
    const refused = answer.status >= 400 || answer.status === 0 || (one.path === '/sound/take?id=../../../etc/passwd');
    if (told || !refused) {
      bad += 1;
      console.log(`  answered ${answer.status}: ${JSON.stringify(one).slice(0, 300)}`);
    }
  }
  claim(standing(forgedDesk.book) === before, 'something was changed');
  console.log(`  ${answers.length} forged requests, ${bad} answered`);
  claim(bad === 0, `${bad} were answered`);
  await page.goto(`http://127.0.0.1:${port}/class?of=Demo+class`);
  await page.getByRole('heading', { name: 'Demo class' }).waitFor();
  const { headers } = await ask(port, { headers: good });
  claim(/default-src 'none'/.test(headers['content-security-policy']) && !/unsafe|\*/.test(headers['content-security-policy']), 'the policy is strict');
  claim(/HttpOnly; SameSite=Strict/.test((await ask(port, { path: new URL(forgedDesk.address).pathname + new URL(forgedDesk.address).search, headers: { Host: good.Host } })).headers['set-cookie'][0]), 'the cookie is the desk’s alone');
  await forgedDesk.end();
});

test('another start finds the running desk, another account does not get in, and a killed one loses nothing', async () => {
  const begun = await desk('found');
  const second = spawnSync(program, ['desk', begun.book, '--no-browser'], { encoding: 'utf8' });
  claim(second.status === 0 && second.stdout.trim() === begun.address, `the second start says ${second.stdout} ${second.stderr}`);
  const mode = fs.statSync(path.join(begun.book, 'class-book.desk')).mode & 0o777;
  claim(mode === 0o600, `the file with the address has mode ${mode.toString(8)}`);
  if (process.getuid() === 0) {
    const other = spawnSync('setpriv', ['--reuid=65534', '--regid=65534', '--clear-groups', 'cat', path.join(begun.book, 'class-book.desk')], { encoding: 'utf8' });
    claim(other.status !== 0 && !other.stdout.includes('key'), 'another account reads the address');
    const listed = spawnSync('ps', ['-eo', 'args'], { encoding: 'utf8' }).stdout;
    claim(!listed.includes(new URL(begun.address).searchParams.get('key')), 'the key stands in the list of programs');
  }
  const page = await open(begun.address);
  await page.getByRole('button', { name: 'Show me the demo class' }).click();
  await page.getByRole('heading', { name: 'Demo class' }).waitFor();
  // In the middle of the hearing; a page that still asks would only find nobody.
  await page.close();
  await begun.end('SIGKILL');
  const next = await desk('found', { keep: true });
  claim(next.address !== begun.address, 'a new start has a new key');
  const again = await open(next.address);
  await again.waitForFunction(() => document.querySelectorAll('tbody td.last').length && [...document.querySelectorAll('tbody td.last')].filter((d) => !d.textContent.includes('nothing')).length === 6, null, { timeout: 120_000 });
  await next.end();
});

const browser = async () => {
  context = await chromium.launchPersistentContext('', {
    executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', headless: true, args: ['--no-sandbox', '--autoplay-policy=no-user-gesture-required'], viewport: { width: 1280, height: 900 }, acceptDownloads: true,
  });
  // How long it takes from a press to where it sounds.
  await context.addInitScript(() => {
    window.sounded = [];
    let pressed = performance.now();
    addEventListener('click', () => { pressed = performance.now(); }, true);
    const play = HTMLMediaElement.prototype.play;
    HTMLMediaElement.prototype.play = function () {
      const from = pressed;
      this.addEventListener('playing', () => window.sounded.push(Math.round(performance.now() - from)), { once: true });
      return play.call(this);
    };
  });
  if (process.env.DESK_ASSETS) {
    // While script and style are worked on, they need not be in the program yet.
    const own = (name) => fs.readFileSync(path.join(process.env.DESK_ASSETS, name), 'utf8');
    await context.route('**/desk.js', (route) => route.fulfill({ contentType: 'text/javascript', body: own('desk.js') }));
    await context.route('**/desk.css', async (route) => {
      const shared = await (await route.fetch()).text();
      await route.fulfill({ contentType: 'text/css', body: shared.split('/* The desk.')[0] + own('desk.css') });
    });
  }
  context.on('request', (request) => {
    if (!/^(http:\/\/127\.0\.0\.1:|data:|blob:)/.test(request.url())) elsewhere.push(request.url());
  });
};

let failed = 0;
for (const { name, work } of tests.filter((t) => t.name.includes(only))) {
  faults.length = 0;
  try {
    await browser();
    await work();
    claim(faults.length === 0, `the page complained: ${faults.join('\n')}`);
    claim(elsewhere.length === 0, `asked elsewhere: ${elsewhere.join(' ')}`);
    console.log(`ok: ${name}`);
  } catch (error) {
    failed += 1;
    console.log(`FAILED: ${name}\n  ${error.stack}`);
    for (const page of context.pages()) await page.screenshot({ path: path.join(folder, `failed-${failed}.png`), fullPage: true }).catch(() => {});
  }
  await context.close();
  for (const child of started.splice(0)) child.kill('SIGKILL');
}
process.exit(failed ? 1 : 0);
