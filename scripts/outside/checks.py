#!/usr/bin/env python3
"""Holds pailbeat against what it did not make, prints one table, exits 1 when a bound is missed.

    checks.py --takes DIR [--binary target/release/pailbeat] [--examples target/release/examples] [--only WORD]

DIR holds takes of scripts/simulating/sounds/takes.py, style std. Each row names what it was held against. Needs numpy, scipy,
soundfile, mir_eval, librosa, music21, soxr (all from PyPI), ffmpeg and aubio's command line.
"""
import argparse
import glob
import json
import os
import re
import subprocess
import sys
import tempfile
from fractions import Fraction

import numpy as np
import soundfile as sf

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, os.path.join(os.path.dirname(HERE), 'measuring'))
import ear_figures  # noqa: E402

RATE = 44100
ROWS = []


def row(what, against, measured, bound, met):
    ROWS.append((what, against, measured, bound, bool(met)))
    print(f"{'ok ' if met else 'MISSED'} {what}: {measured} (bound {bound}; {against})", flush=True)


def said(command):
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def heard(binary, wav):
    return np.array([s['t_s'] for s in json.loads(said([binary, 'strikes', wav, '--json']))['strikes']])


# ---- matching ----

def matching(a):
    """F by our own matching against mir_eval's maximum matching."""
    import mir_eval
    rng = np.random.default_rng(11)
    worst = 0.
    for _ in range(2000):
        truth = np.sort(rng.uniform(0, 10, rng.integers(0, 60)))
        guess = np.sort(np.r_[truth + rng.normal(0, .02, len(truth)), rng.uniform(0, 10, rng.integers(0, 20))])
        guess = np.clip(guess[rng.random(len(guess)) < .9], 0, None)
        for window in (.01, .025, .05):
            worst = max(worst, abs(ear_figures.f_measure(truth, guess, window) - mir_eval.onset.f_measure(truth, guess, window=window)[0]))
    row('F of 6,000 random pairs of lists', 'mir_eval.onset.f_measure', f'largest difference {worst:.1e}', '1e-12', worst <= 1e-12)
    worst, n = 0., 0
    for path in sorted(glob.glob(os.path.join(a.takes, '*.json')))[:60]:
        truth = np.sort([e['t_s'] for e in json.load(open(path))['events']])
        guess = np.sort(heard(a.binary, path[:-5] + '.wav'))
        n += 1
        for window in (.01, .025, .05):
            worst = max(worst, abs(ear_figures.f_measure(truth, guess, window) - mir_eval.onset.f_measure(truth, guess, window=window)[0]))
    row(f'F of our own output, {n} takes', 'mir_eval.onset.f_measure', f'largest difference {worst:.1e}', '1e-12', worst <= 1e-12)


# ---- transforms ----

def transforms(a):
    """Band powers of both transforms against librosa's STFT and scipy's window."""
    import librosa
    from scipy.signal.windows import hann
    rng = np.random.default_rng(5)
    x = (rng.normal(0, .1, 3 * RATE) * np.exp(-np.arange(3 * RATE) % 9000 / 1500)).astype('f4')
    edges = {256: [100, 280, 460, 640, 820, 1000, 1300, 1700, 2200, 2800, 3500, 4500, 5800, 7500, 10000, 13000, 16500],
             1024: [60, 103, 146, 189, 232, 280, 340, 410, 500, 600, 720, 870, 1050, 1270, 1550, 1900, 2350, 2900, 3600, 4500, 5700, 7300,
                    9500, 12000, 15500]}
    with tempfile.TemporaryDirectory() as d:
        wav = os.path.join(d, 'x.wav')
        sf.write(wav, x, RATE, subtype='FLOAT')
        outs = {256: os.path.join(d, 'short'), 1024: os.path.join(d, 'long')}
        subprocess.run([os.path.join(a.examples, 'dump_ear_features'), 'bands', outs[256], outs[1024], wav], check=True)
        for n, hop in ((256, 64), (1024, 256)):
            window = hann(n, sym=True)
            powers = np.abs(librosa.stft(x.astype('f8'), n_fft=n, hop_length=hop, window=window, center=True, pad_mode='constant')) ** 2
            bin_hz = RATE / n
            k = np.arange(n // 2 + 1)
            weights = np.array([np.clip(np.minimum((k + .5) * bin_hz, high) - np.maximum((k - .5) * bin_hz, low), 0, None) / bin_hz
                                for low, high in zip(edges[n][:-1], edges[n][1:])])
            theirs = (weights @ powers / (window @ window)).T
            ours = np.fromfile(outs[n], '<f4').reshape(-1, len(weights))
            frames = min(len(ours), len(theirs))
            off = np.max(np.abs(ours[:frames] - theirs[:frames])) / theirs.max()
            row(f'band powers, {n}-point transform, {frames} frames', 'librosa.stft with scipy.signal.windows.hann',
                f'largest difference {off:.1e} of the largest power', '1e-6 (single precision)', off <= 1e-6)


# ---- decoding and resampling ----

def decoding(a):
    done = subprocess.run([sys.executable, os.path.join(HERE, 'decode.py')], capture_output=True, text=True,
                          env=dict(os.environ, DECODE_DUMP=os.path.join(a.examples, 'decode_dump')))
    lines = done.stdout.splitlines()
    row('decoding, container by container, starts included', 'ffmpeg, sample by sample', f'{len(lines) - 1} files, '
        + ('none apart' if not done.returncode else lines[-1]), 'none apart', done.returncode == 0)


def resampled(a, x, rate):
    with tempfile.TemporaryDirectory() as d:
        sf.write(os.path.join(d, 'x.wav'), x, rate, subtype='FLOAT')
        subprocess.run([os.path.join(a.examples, 'decode_dump'), os.path.join(d, 'x.wav'), os.path.join(d, 'y')], check=True, capture_output=True)
        return np.fromfile(os.path.join(d, 'y'), '<f4').astype('f8')


def resampling(a):
    import soxr
    rng = np.random.default_rng(3)
    for rate in (16000, 22050, 48000, 96000, 192000):
        top = .4 * min(rate, RATE)
        n = 2 * rate
        spectrum = np.fft.rfft(rng.normal(0, 1, n))
        f = np.fft.rfftfreq(n, 1 / rate)
        spectrum[(f > top) | (f < 20)] = 0
        x = np.fft.irfft(spectrum, n)
        x *= .3 / np.std(x) / 4
        ours, theirs = resampled(a, x, rate), soxr.resample(x, rate, RATE, quality='VHQ')
        m = min(len(ours), len(theirs))
        inside = slice(2000, m - 2000)
        off = 10 * np.log10(np.mean((ours[inside] - theirs[inside]) ** 2) / np.mean(theirs[inside] ** 2))
        row(f'resampling {rate} -> 44100, noise to .4 of the lower rate', "soxr 'VHQ', sample by sample", f'difference {off:.0f} dB', '-60 dB', off <= -60)
    t = np.arange(2 * 96000) / 96000
    for hz in (24500, 30000, 40000):
        y = resampled(a, .5 * np.sin(2 * np.pi * hz * t), 96000)[2000:-2000]
        level = 10 * np.log10(np.mean(y ** 2) / .125 + 1e-20)
        row(f'alias of a {hz} Hz tone, 96000 -> 44100', 'nothing above 22,050 Hz can be held', f'{level:.0f} dB', '-80 dB', level <= -80)


# ---- strikes beside general libraries ----

def library_f(pairs):
    tp = sum(ear_figures.matched(r, e, .025) for r, e in pairs)
    return 2 * tp / max(1, sum(len(r) + len(e) for r, e in pairs))


def strikes(a):
    """F within 25 ms by condition: ours, and each library at its defaults and at the setting that does best on these
    very takes, which favours the library."""
    import librosa
    takes = [(json.load(open(p)), p[:-5] + '.wav') for p in sorted(glob.glob(os.path.join(a.takes, '*.json')))]
    takes = takes[:5 * a.performances]
    conditions = sorted({t['cond'] for t, _ in takes})
    truth = [np.sort([e['t_s'] for e in t['events']]) for t, _ in takes]

    def aubio(method, threshold):
        out = []
        for _, wav in takes:
            lines = said(['aubioonset', '-i', wav, *(['-O', method] if method else []), *(['-t', str(threshold)] if threshold else [])])
            out.append(np.array([float(v.split()[0]) for v in lines.splitlines() if v.strip()]))
        return out

    envelopes = []
    for _, wav in takes:
        x, rate = sf.read(wav)
        envelopes.append((librosa.onset.onset_strength(y=x, sr=rate, hop_length=256), rate))

    def with_librosa(delta):
        return [librosa.onset.onset_detect(onset_envelope=e, sr=r, hop_length=256, units='time', **({} if delta is None else dict(delta=delta)))
                for e, r in envelopes]

    ears = {'pailbeat': [[heard(a.binary, w) for _, w in takes]],
            'aubio, defaults': [aubio(None, None)],
            'aubio, best of its settings': [aubio(m, t) for m in ('hfc', 'complex', 'specflux', 'energy') for t in (.1, .3, .6, 1.)],
            'librosa, defaults': [with_librosa(None)],
            'librosa, best of its settings': [with_librosa(d) for d in (.02, .05, .1, .2, .3, .45)]}
    table = {}
    for name, tries in ears.items():
        table[name] = [max(library_f([(r, e) for r, e, (t, _) in zip(truth, guess, takes) if t['cond'] == c]) for guess in tries) for c in conditions]
    print('\nF within 25 ms' + ' ' * 20 + ''.join(f'{c:>9}' for c in conditions))
    for name, values in table.items():
        print(f'{name:34}' + ''.join(f'{v:9.3f}' for v in values))
    print()
    for i, c in enumerate(conditions):
        best = max(v[i] for k, v in table.items() if k != 'pailbeat')
        row(f'F within 25 ms, {c}, {len(takes) // len(conditions)} takes', 'the better of aubio and librosa at the setting best for these takes',
            f"{table['pailbeat'][i]:.3f} beside {best:.3f}", 'no worse', table['pailbeat'][i] >= best)


# ---- the written part ----

def with_music21(path):
    """The form as music21 plays it: measures, repeat signs and tempo are music21's; only the letters are read here."""
    import tomllib
    import music21 as m21
    part = tomllib.load(open(path, 'rb'))
    beats, unit = map(int, part['meter'].split('/'))
    bar = Fraction(4 * beats, unit)
    out = m21.stream.Stream()
    for letter in part['form'].split():
        section = m21.stream.Part()
        for token in re.findall(r'\|:|:\|\d*|\||[^|:]+', re.sub(r':\|\s*(\d+)', r':|\1', part['sections'][letter]['strokes'])):
            if token == '|:':
                opening = True
                continue
            if token.startswith(':|'):
                section.getElementsByClass('Measure').last().rightBarline = m21.bar.Repeat(direction='end', times=int(token[2:] or 2))
                continue
            cells = token.replace(' ', '').replace('\n', '')
            if token == '|' or not cells:
                continue
            measure = m21.stream.Measure()
            measure.append(m21.meter.TimeSignature(part['meter'])) if not len(section) else None
            if locals().get('opening'):
                measure.leftBarline = m21.bar.Repeat(direction='start')
                opening = False
            each = bar / len(cells)
            for cell in cells:
                if cell in '.-':
                    item = m21.note.Rest(quarterLength=each)
                else:
                    item = m21.note.Unpitched(quarterLength=each)
                    item.editorial.cell = cell
                measure.append(item)
            section.append(measure)
        out.append(section.expandRepeats())
    out.insert(0, m21.tempo.MetronomeMark(number=part['bpm']['start']))
    flat = out.flatten()
    seconds = 60 / part['bpm']['start']
    return part, [(float(n.offset) * seconds, n.editorial.cell) for n in flat.notes], float(out.highestTime) * seconds


def parts(a):
    names = {'o': 'centre', 'x': 'rim', '+': 'click', 'c': 'clap', 'p': 'pat'}
    root = os.path.dirname(os.path.dirname(HERE))
    files = [p for p in sorted(glob.glob(os.path.join(root, 'scripts/simulating/classroom/parts/*.toml')) + [os.path.join(root, 'reference_takes/lantern-parade.toml')])]
    worst, strokes, read = 0., 0, 0
    for path in files:
        if re.search(r'^\s*(say|syllables)\s*=', open(path).read(), re.M):
            continue
        part, theirs, end = with_music21(path)
        ours = json.loads(said([a.binary, 'check', path, '--bpm', str(part['bpm']['start']), '--json']))
        mine = [(s['at_s'], s['surface'], s['hands'] == 'both') for s in ours['strokes']]
        want = [(t, names[c.lower()], c.isupper()) for t, c in theirs]
        if [m[1:] for m in mine] != [w[1:] for w in want]:
            row(f'order of strokes, {os.path.basename(path)}', 'music21', f'{len(mine)} strokes, music21 has {len(want)}', 'the same', False)
            continue
        worst = max([worst, abs(ours['length_s'] - end)] + [abs(m[0] - w[0]) for m, w in zip(mine, want)])
        strokes += len(mine)
        read += 1
    row(f'times of {strokes} strokes in {read} parts (2/4, 3/4, 4/4, 6/8; repeats)', 'music21: durations, expandRepeats', f'largest difference {worst * 1e6:.2f} us', '1 us (a tick of the JSON)', worst <= 1.01e-6)


# ---- tempo and lateness ----

def strike_sound(rng, hz):
    t = np.arange(int(.12 * RATE)) / RATE
    burst = rng.normal(0, 1, len(t)) * np.exp(-t / .002)
    return np.sin(2 * np.pi * hz * t) * np.exp(-t / .03) + .5 * burst


def played(path, times, surfaces):
    rng = np.random.default_rng(1)
    x = rng.normal(0, 1e-4, int((times[-1] + 1.5) * RATE))
    hz = dict(centre=180, rim=900, click=2600)
    for t, s in zip(times, surfaces):
        k = int(round(t * RATE))
        y = .4 * strike_sound(rng, hz[s])
        x[k:k + len(y)] += y[:len(x) - k]
    sf.write(path, x / np.abs(x).max() * .7, RATE)


def assessed(a, part, times, surfaces, bpm):
    with tempfile.TemporaryDirectory() as d:
        wav = os.path.join(d, 'take.wav')
        played(wav, times, surfaces)
        return json.loads(said([a.binary, 'assess', part, wav, '--bpm', str(bpm), '--json']))


def timing(a):
    from scipy.stats import theilslopes
    root = os.path.dirname(os.path.dirname(HERE))
    part = os.path.join(root, 'reference_takes', 'lantern-parade.toml')
    bpm = 80
    line = json.loads(said([a.binary, 'check', part, '--bpm', str(bpm), '--json']))
    at = np.array([s['at_s'] for s in line['strokes']])
    surfaces = [s['surface'] for s in line['strokes']]
    for played_bpm in (70., 80., 97.3):
        got = assessed(a, part, 1 + at * bpm / played_bpm, surfaces, bpm)
        row(f'tempo of a take played evenly at {played_bpm}', 'closed form', f"{got['clock']['bpm']:.3f}", 'within .1 %', abs(got['clock']['bpm'] / played_bpm - 1) < 1e-3)
        row('beat 1 of bar 1 of that take', 'closed form: 1 s', f"{got['clock']['start_s'] * 1e3:.2f} ms", 'within 2 ms', abs(got['clock']['start_s'] - 1) < 2e-3)
    for shift in (-.045, .03, .06):
        k = len(at) // 2
        times = 1 + at.copy()
        times[k] += shift
        late = [s['late_ms'] for s in assessed(a, part, times, surfaces, bpm)['strokes']]
        others = np.median(np.abs([v for i, v in enumerate(late) if i != k and v is not None]))
        row(f'lateness of one stroke moved by {shift * 1e3:.0f} ms', 'closed form', f'{late[k]:.2f} ms, the others {others:.2f}', 'within 3 ms, others below 1', abs(late[k] - shift * 1e3) < 3 and others < 1)
    rng = np.random.default_rng(2)
    for total in (-.12, .10, .18):
        beats = at * bpm / 60
        beat_s = 60 / bpm * (1 + (1 / (1 + total) - 1) * np.linspace(0, 1, 2000))
        clock = np.r_[0, np.cumsum(beat_s[:-1]) * beats[-1] / 1999]
        times = 1 + np.interp(beats, np.linspace(0, beats[-1], 2000), clock) + rng.normal(0, .008, len(beats))
        got = assessed(a, part, times, surfaces, bpm)
        gaps = np.diff(beats)
        keep = gaps > .2
        slope, _, low, high = theilslopes(-np.log(np.diff(times) / gaps)[keep], (beats[1:] + beats[:-1])[keep] / 2, .95)
        theirs, low, high = (100 * (np.exp(v * beats[-1]) - 1) for v in (slope, low, high))
        kind = 'rushing' if total > 0 else 'dragging'
        found = [f for f in got['findings'] if f['kind'] == kind]
        size = found[0]['size'] if found else float('nan')
        row(f'tempo change of {100 * total:.0f} % over the take', 'scipy.stats.theilslopes on log intervals', f'{kind} {size:.1f} %, Theil-Sen {theirs:.1f} ({low:.1f} to {high:.1f}) %', 'within 3 percentage points of the truth', abs(size - 100 * total) < 3)


# ---- standard errors, published values ----

def errors(a):
    """The standard error stated with the hands' difference against scipy's bootstrap of the very same lateness."""
    from scipy.stats import bootstrap
    text = ('title = "Hands"\nmeter = "4/4"\nbpm = { start = 60, goal = 100 }\nform = "A A A"\n[sections.A]\n'
            'strokes = "oxxo xoxx | ooxo xxox | oxox xoox | xxoo oxxo"\nhands   = "RLRR LLRL | RRLR LRLL | LRRL RLLR | RLLR LRRL"\n')
    ratios = []
    with tempfile.TemporaryDirectory() as d:
        part = os.path.join(d, 'hands.toml')
        open(part, 'w').write(text)
        line = json.loads(said([a.binary, 'check', part, '--bpm', '80', '--json']))['strokes']
        at, surfaces = np.array([s['at_s'] for s in line]), [s['surface'] for s in line]
        left = np.array([s['hands'] == 'L' for s in line])
        for seed in range(6):
            rng = np.random.default_rng(seed)
            got = assessed(a, part, np.sort(1 + at + .05 * left + rng.normal(0, .015, len(at))), surfaces, 80)
            found = [f for f in got['findings'] if f['kind'] == 'uneven-hands']
            if not found:
                continue
            stated = float(re.search(r'standard error of (\d+) ms', found[0]['evidence']).group(1))
            late = np.array([s['late_ms'] if s['late_ms'] is not None else np.nan for s in got['strokes']])
            sides = [late[left & ~np.isnan(late)], late[~left & ~np.isnan(late)]]
            theirs = bootstrap(sides, lambda x, y, axis=-1: np.median(x, axis=axis) - np.median(y, axis=axis), n_resamples=2000, random_state=seed).standard_error
            ratios.append(stated / theirs)
    low, high = min(ratios, default=np.nan), max(ratios, default=np.nan)
    # Whole milliseconds are printed of an error of about four; a median is up to sqrt(pi/2) less efficient than what is fitted.
    row(f'standard error of the hands\' difference, {len(ratios)} takes', 'scipy.stats.bootstrap of the same lateness, difference of medians', f'{low:.2f} to {high:.2f} times theirs', '.6 to 1.5, all six found', len(ratios) == 6 and .6 <= low and high <= 1.5)


def published(a):
    """What the product says of limits against the published tables."""
    root = os.path.dirname(os.path.dirname(HERE))
    with tempfile.TemporaryDirectory() as d:
        truth = json.load(open(os.path.join(root, 'reference_takes', 'robin.json')))
        take = os.path.join(root, 'reference_takes', truth['take'])
        said([a.binary, 'assess', os.path.join(root, 'reference_takes', 'lantern-parade.toml'), take, '--bpm', str(truth['asked_bpm']), '--out', d])
        pages = ' '.join(open(p).read() for p in glob.glob(os.path.join(d, '**', '*.html'), recursive=True))
    pages = re.sub(r'\s+', ' ', pages)
    # NIOSH (CDC), criteria for a recommended standard: T = 480 / 2^((L - 85) / 3) minutes.
    allowed = lambda level: 480 / 2 ** ((level - 85) / 3)
    m = re.search(r'(\d+) dBA over (\d+) hours, half the time for each (\d+) dB more, so (\d+) minutes at (\d+) dBA \(NIOSH\)', pages)
    base, hours, step, minutes, level = map(int, m.groups()) if m else [0] * 5
    met = bool(m) and allowed(base) == 60 * hours and abs(allowed(base + step) - 30 * hours) < 1e-9 and abs(allowed(level) - minutes) < .5
    row('exposure limits on the teacher\'s page', 'NIOSH: 480 / 2^((L - 85) / 3) minutes', f'{base} dBA {hours} h, {level} dBA {minutes} min', 'the table', met)


CHECKS = dict(matching=matching, transforms=transforms, decoding=decoding, resampling=resampling, strikes=strikes, parts=parts, timing=timing, errors=errors, published=published)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument('--takes', required=True)
    ap.add_argument('--binary', default='target/release/pailbeat')
    ap.add_argument('--examples', default='target/release/examples')
    ap.add_argument('--performances', type=int, default=30, help='so many performances beside the libraries')
    ap.add_argument('--only', choices=CHECKS, help='one group of checks')
    ap.add_argument('--table', help='write the table here as Markdown')
    a = ap.parse_args()
    for name, check in CHECKS.items():
        if a.only in (None, name):
            check(a)
    if a.table:
        with open(a.table, 'w') as f:
            f.write('| what | held against | measured | bound | met |\n|---|---|---|---|---|\n')
            f.writelines(f"| {' | '.join(r[:4])} | {'yes' if r[4] else 'no'} |\n" for r in ROWS)
    missed = [r[0] for r in ROWS if not r[4]]
    print(f'\n{len(ROWS)} checks, {len(missed)} missed' + ''.join(f'\n  {m}' for m in missed))
    sys.exit(1 if missed else 0)


if __name__ == '__main__':
    main()
