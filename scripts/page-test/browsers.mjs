// What the tests of the pupil's page need: Debian's browsers, a sound server whose microphone hears its loudspeaker, a pupil who
// plays along with whatever the page sounds, files of sound.
import { spawn, spawnSync } from 'node:child_process';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { chromium, firefox } from 'playwright-core';

export function claim(holds, what) {
  if (!holds) throw new Error(what);
}

export const sleep = (ms) => new Promise((done) => setTimeout(done, ms));

/** One channel of 16 bits. */
export function wav(samples, rate, zerosAfter = 0) {
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

/** Samples and rate of such a file. */
export function samplesOf(file) {
  const bytes = fs.readFileSync(file);
  return { samples: new Int16Array(bytes.buffer.slice(bytes.byteOffset + 44)), rate: bytes.readUInt32LE(24) };
}

/** What pages complained of, and what they asked a network for. */
export const faults = [];
export const requests = [];

/**
 * A browser with a profile of its own. `microphone`: a file that it plays (Chromium alone), 'loop' for a loop's, null for one that is
 * refused.
 */
export async function browser(kind, microphone = null, { data = '', loop = null } = {}) {
  const env = { ...process.env, ...(loop?.env ?? {}) };
  const shared = { headless: true, viewport: { width: 390, height: 844 }, acceptDownloads: true, env };
  let context;
  if (kind === 'firefox') {
    // 1 allows the microphone, 2 refuses it.
    const prefs = {
      'media.autoplay.default': 0, 'media.navigator.permission.disabled': microphone !== null,
      'permissions.default.microphone': microphone === null ? 2 : 1, 'media.cubeb.sandbox': false,
    };
    context = await firefox.launchPersistentContext(data, {
      ...shared, downloadsPath: firefoxDownloads, channel: 'moz-firefox', executablePath: process.env.FIREFOX ?? '/usr/bin/firefox-esr', firefoxUserPrefs: prefs,
    });
  } else {
    const args = ['--no-sandbox', '--autoplay-policy=no-user-gesture-required'];
    if (microphone !== null) args.push('--use-fake-ui-for-media-stream');
    if (microphone !== null && microphone !== 'loop') {
      args.push('--use-fake-device-for-media-stream', `--use-file-for-fake-audio-capture=${microphone}%noloop`);
    }
    context = await chromium.launchPersistentContext(data, {
      ...shared, executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', args,
      // Headless Chromium mutes itself, and nobody would hear it.
      ignoreDefaultArgs: ['--mute-audio'],
    });
  }
  context.on('request', (request) => {
    if (!/^(file|data|blob|about|moz-extension):/.test(request.url())) requests.push(request.url());
  });
  return context;
}

const firefoxDownloads = fs.mkdtempSync(path.join(os.tmpdir(), 'page-test-'));

/** What `press` downloads, saved in a folder; its path. The driver is not told of Firefox's downloads: they are looked for. */
export async function downloaded(kind, page, press, at) {
  if (kind !== 'firefox') {
    const [download] = await Promise.all([page.waitForEvent('download'), press()]);
    const file = path.join(at, download.suggestedFilename());
    await download.saveAs(file);
    return file;
  }
  await press();
  for (let k = 0; k < 300; k++) {
    const [name] = fs.readdirSync(firefoxDownloads).filter((it) => !it.endsWith('.part'));
    const from = path.join(firefoxDownloads, name ?? '');
    if (name && fs.statSync(from).size > 0) {
      // Until it grows no more.
      const { size } = fs.statSync(from);
      await sleep(300);
      if (fs.statSync(from).size !== size) continue;
      fs.mkdirSync(at, { recursive: true });
      fs.copyFileSync(from, path.join(at, name));
      fs.rmSync(from);
      return path.join(at, name);
    }
    await sleep(100);
  }
  throw new Error('nothing was downloaded');
}

export async function page(context) {
  const it = await context.newPage();
  it.setDefaultTimeout(60_000);
  it.on('pageerror', (error) => faults.push(String(error)));
  it.on('console', (message) => message.type() === 'error' && faults.push(message.text()));
  return it;
}

export async function open(context, address) {
  const it = await page(context);
  await it.goto(address);
  await it.getByRole('button', { name: 'Begin' }).waitFor();
  return it;
}

/** A sound server of its own, without any device, whose microphone hears what its loudspeaker plays. */
export async function soundLoop(folder) {
  const at = fs.mkdtempSync(path.join(folder, 'loop-'));
  const socket = path.join(at, 'native');
  const set = path.join(at, 'default.pa');
  fs.writeFileSync(set, [
    `load-module module-native-protocol-unix auth-anonymous=1 socket=${socket}`,
    'load-module module-null-sink sink_name=loop rate=48000 channels=1 channel_map=mono format=float32le',
    // Chromium takes no loudspeaker's monitor for a microphone.
    'load-module module-remap-source source_name=microphone master=loop.monitor',
    'set-default-sink loop', 'set-default-source microphone', '',
  ].join('\n'));
  const args = ['-n', '-F', set, '--daemonize=no', '--exit-idle-time=-1', '--disable-shm=yes', '--use-pid-file=no', '--realtime=no', '--high-priority=no'];
  const server = spawn('pulseaudio', args, { env: { ...process.env, PULSE_RUNTIME_PATH: at, HOME: at }, stdio: 'ignore' });
  for (let k = 0; k < 100 && !fs.existsSync(socket); k++) await sleep(50);
  claim(fs.existsSync(socket), 'the sound server did not start');
  const env = { PULSE_SERVER: `unix:${socket}` };
  // Whoever listens keeps it awake.
  const listener = spawn('parec', ['-d', 'microphone', '--raw'], { env: { ...process.env, ...env }, stdio: 'ignore' });
  return {
    env,
    /** Takes loudspeaker and microphone away. */
    unplug: () => spawnSync('pactl', ['unload-module', 'module-null-sink'], { env: { ...process.env, ...env } }),
    stop: () => {
      listener.kill();
      server.kill();
    },
  };
}

/**
 * A pupil who plays along: what is given sounds with every sound of the page that is longer than four seconds, from its first
 * sample on. Runs in the page before its own scripts.
 */
export async function playsAlong(context, samples, rate) {
  const bytes = Buffer.from(Int16Array.from(samples).buffer).toString('base64');
  await context.addInitScript(([base64, rate]) => {
    const whole = new Int16Array(Uint8Array.from(atob(base64), (c) => c.charCodeAt(0)).buffer);
    const begin = AudioBufferSourceNode.prototype.start;
    AudioBufferSourceNode.prototype.start = function start(when, ...from) {
      if (this.buffer.duration > 4 && !window.pupilIsAway) {
        const own = this.context.createBuffer(1, whole.length, rate);
        own.copyToChannel(Float32Array.from(whole, (v) => v / 32768), 0);
        const node = this.context.createBufferSource();
        node.buffer = own;
        node.connect(this.context.destination);
        begin.call(node, when);
      }
      return begin.call(this, when, ...from);
    };
  }, [bytes, rate]);
}

/** Strikes as they sound in a recording, the loudest sample at a third of full scale: those with the most silence behind them. `truth`: its strikes. */
export function strikesOf({ samples, rate }, truth) {
  const out = {};
  truth.forEach(({ t_s: at, surface }, k) => {
    const gap = (truth[k + 1]?.t_s ?? at + 0.5) - at;
    if (gap > (out[surface]?.gap ?? 0)) {
      const from = Math.round((at - 0.002) * rate);
      const length = Math.round(Math.min(gap - 0.02, 0.4) * rate);
      // It fades at its end, so that no click ends it.
      const piece = Array.from(samples.slice(from, from + length), (v, k) => v * Math.min(1, (length - k) / (0.05 * rate)));
      const most = piece.reduce((max, v) => Math.max(max, Math.abs(v)), 1);
      out[surface] = { gap, samples: piece.map((v) => (11_000 * v) / most) };
    }
  });
  return out;
}

/** A sound in which strikes sound at their times. */
export function struck(strikes, of, rate, length_s) {
  const out = new Float64Array(Math.ceil(length_s * rate));
  for (const { at, surface, gain = 1 } of strikes) {
    const from = Math.round((at - 0.002) * rate);
    of[surface].samples.forEach((v, k) => {
      if (from + k >= 0 && from + k < out.length) out[from + k] += gain * v;
    });
  }
  return Int16Array.from(out, (v) => Math.max(-32768, Math.min(32767, Math.round(v))));
}
