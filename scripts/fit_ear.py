#!/usr/bin/env python3
"""Fits the networks of the ear (assets/ear.json) on takes made by scripts/sounds/takes.py.

    fit_ear.py --work DIR --train DIR... [--test DIR...] [--out assets/ear.json]

The numbers the networks look at come from the program itself (the cargo example
`dump_ear_features`), so the fit and the ear cannot differ. Seeds are fixed. Needs numpy,
scipy, soundfile and scikit-learn.

1. first decision on every candidate, from the candidate and its surroundings;
2. the same, fitted on half of the takes and applied to the other half, in turn, so that
3. the second decision learns from first decisions as uncertain as they will be on new sounds;
4. the correction of an attack's place and its standard deviation, whose scale is set on takes left out.
"""
import os

# One thread: with several, the small products wait for one another.
for variable in ('OPENBLAS_NUM_THREADS', 'OMP_NUM_THREADS'):
    os.environ.setdefault(variable, '1')

import argparse
import glob
import json
import struct
import subprocess
import warnings

import numpy as np
import soundfile as sf
from scipy.signal import resample_poly
from sklearn.neural_network import MLPClassifier, MLPRegressor

import ear_figures

RATE = 44100
CLIP = 3.5
FOLDS = 2
# A candidate within 12 ms of a strike is that strike; one within 30 ms of a strike that has no nearer candidate says
# nothing either way.
SAME_S, UNCLEAR_S = .012, .030


def prepare(folder, work):
    """Takes of a folder at the ear's rate: list of (wav, truth)."""
    cache = os.path.join(work, 'wav', os.path.basename(os.path.normpath(folder)))
    os.makedirs(cache, exist_ok=True)
    out = []
    for path in sorted(glob.glob(os.path.join(folder, '*.json'))):
        wav = path[:-5] + '.wav'
        truth = json.load(open(path))
        if sf.info(wav).samplerate != RATE:
            target = os.path.join(cache, os.path.basename(wav))
            if not os.path.exists(target):
                x, rate = sf.read(wav)
                g = np.gcd(rate, RATE)
                sf.write(target, resample_poly(x, RATE // g, rate // g), RATE, subtype='FLOAT')
            wav = target
        out.append((wav, truth))
    return out


def dump(mode, binary, args, files, out):
    lists = [files[i:i + 400] for i in range(0, len(files), 400)]
    assert mode == 'first' or len(lists) == len(args)
    parts = []
    for k, some in enumerate(lists):
        part = f'{out}.{k}'
        subprocess.run([binary, mode, *(args[k] if mode == 'second' else []), part, *some], check=True)
        parts.append(open(part, 'rb').read())
        os.remove(part)
    return parts, [len(some) for some in lists]


def load_first(binary, files, work, name):
    """Per file: samples, levels, first features, timing features."""
    path = os.path.join(work, name + '.npz')
    parts, _ = dump('first', binary, [], files, path)
    out = []
    width = None
    for blob in parts:
        at = 0
        if width is None:
            # The widths are not written: they follow from the constants of the program.
            width = FIRST + TIMING + 1
        while at < len(blob):
            (n,) = struct.unpack_from('<I', blob, at)
            at += 4
            row = np.frombuffer(blob, '<u4', n * (width + 1), at).reshape(n, width + 1)
            at += 4 * n * (width + 1)
            values = row[:, 1:].copy().view('<f4')
            out.append(dict(at=row[:, 0].astype(int), level=values[:, 0], first=np.nan_to_num(values[:, 1:1 + FIRST]),
                            timing=np.nan_to_num(values[:, 1 + FIRST:])))
    return out


def load_second(binary, takes, files, work, name):
    lists = []
    for i in range(0, len(files), 400):
        path = os.path.join(work, f'{name}.p{i}')
        with open(path, 'wb') as f:
            for t in takes[i:i + 400]:
                f.write(struct.pack('<I', len(t['p1'])) + t['p1'].astype('<f4').tobytes())
        lists.append([path])
    parts, counts = dump('second', binary, lists, files, os.path.join(work, name))
    k = 0
    for blob, count in zip(parts, counts):
        at = 0
        for _ in range(count):
            (n,) = struct.unpack_from('<I', blob, at)
            at += 4
            row = np.frombuffer(blob, '<u4', n * (ADDED + 1), at).reshape(n, ADDED + 1)
            at += 4 * n * (ADDED + 1)
            takes[k]['index'] = row[:, 0].astype(int)
            takes[k]['second'] = np.nan_to_num(np.c_[takes[k]['first'][row[:, 0]], row[:, 1:].copy().view('<f4')])
            k += 1
    for path, in lists:
        os.remove(path)


def label(take, truth):
    strikes = np.array(sorted(e['t_s'] for e in truth['events']))
    t = take['at'] / RATE
    y, which = -np.ones(len(t), int), -np.ones(len(t), int)
    pairs = ear_figures.match(strikes, t, SAME_S)
    for i, j in pairs:
        y[j], which[j] = 1, i
    lost = strikes[sorted(set(range(len(strikes))) - {i for i, _ in pairs})]
    for s in lost:
        y[(np.abs(t - s) < UNCLEAR_S) & (y < 0)] = 0
    take['y'] = y
    take['error_ms'] = np.where(which >= 0, (strikes[which] - t) * 1e3, np.nan) if len(strikes) else np.full(len(t), np.nan)


def standard(X):
    return X.mean(0), X.std(0) + 1e-6


def scaled(X, mean, deviation):
    return ((X - mean) / deviation).clip(-CLIP, CLIP).astype('f4')


def first_classifier(X, y, epochs=8, noise=.35, batch=512, rate=2e-3):
    """A network fitted with fresh noise on its inputs at every turn, which keeps it from leaning on the exact sound of
    the kits it meets (.35 to .8 standard deviations were tried; no noise lost .009 of F at 20 dB); the step falls
    along a half cosine."""
    mean, deviation = standard(X)
    Z = scaled(X, mean, deviation)
    rng = np.random.default_rng(0)
    net = MLPClassifier((32,), alpha=.01, batch_size=batch, learning_rate_init=rate, random_state=0)
    for epoch in range(epochs):
        order = rng.permutation(len(Z))
        for i in range(0, len(Z), batch * 64):
            k = order[i:i + batch * 64]
            noisy = Z[k] + rng.standard_normal((len(k), Z.shape[1]), dtype='f4') * noise
            for j in range(0, len(k), batch):
                net.partial_fit(noisy[j:j + batch], y[k[j:j + batch]], classes=[0, 1])
            net._optimizer.learning_rate_init = rate * .5 * (1 + np.cos(np.pi * (epoch + i / len(Z)) / epochs)) + 1e-5
    return dict(mean=mean, deviation=deviation, nets=[net])


def second_classifier(X, y):
    """Three networks that stop early; on kits left out they do as well as six of two kinds."""
    mean, deviation = standard(X)
    Z = scaled(X, mean, deviation)
    nets = [MLPClassifier((32,), alpha=.3, max_iter=40, early_stopping=True, validation_fraction=.1, n_iter_no_change=5,
                          batch_size=512, learning_rate_init=2e-3, random_state=s).fit(Z, y) for s in range(3)]
    return dict(mean=mean, deviation=deviation, nets=nets)


def regressor(X, y, hidden, seeds, alpha=.01):
    mean, deviation = standard(X)
    Z = scaled(X, mean, deviation)
    nets = [MLPRegressor(hidden_layer_sizes=hidden, alpha=alpha, max_iter=60, early_stopping=True, n_iter_no_change=6, batch_size=256,
                         learning_rate_init=2e-3, random_state=s).fit(Z, y.astype('f4')) for s in seeds]
    return dict(mean=mean, deviation=deviation, nets=nets)


def chance(model, X):
    Z = scaled(X, model['mean'], model['deviation'])
    return np.mean([n.predict_proba(Z)[:, 1] for n in model['nets']], 0) if len(Z) else np.zeros(0)


def value(model, X):
    Z = scaled(X, model['mean'], model['deviation'])
    return np.mean([n.predict(Z) for n in model['nets']], 0) if len(Z) else np.zeros(0)


def dumped(model):
    r = lambda a: [float(f'{v:.5g}') for v in np.asarray(a).ravel()]
    return dict(mean=r(model['mean']), deviation=r(model['deviation']),
                nets=[[dict(weights=[r(row) for row in w.T], bias=r(b)) for w, b in zip(n.coefs_, n.intercepts_)]
                      for n in model['nets']])


def stacked(takes, key, index=None):
    X, y = [], []
    for t in takes:
        rows = t[key]
        labels = t['y'] if index is None else t['y'][t[index]]
        keep = labels != 0
        X.append(rows[keep])
        y.append((labels[keep] > 0).astype(int))
    return np.concatenate(X), np.concatenate(y)


def timing_rows(takes):
    X = np.concatenate([t['timing'][t['y'] > 0] for t in takes])
    e = np.concatenate([t['error_ms'][t['y'] > 0] for t in takes])
    keep = np.abs(e) < 6
    return X[keep], e[keep]


def fit_place(takes, seeds):
    X, e = timing_rows(takes)
    place = regressor(X, e.clip(-3.5, 3.5), (24,), seeds)
    left = np.abs(e - value(place, X)).clip(0, 6)
    sigma = regressor(X, np.log(left + .03), (8,), (0,))
    return place, sigma


def decided(take, second):
    p = np.minimum(take['p1'], .01)
    p[take['index']] = chance(second, take['second'])
    return p


def threshold_of(take):
    p = take['p'][ear_figures.apart(take['at'] / RATE, take['p'], FAINT)]
    sure = (p > SURE).sum()
    doubtful = (len(p) - sure) / max(1, sure)
    return float(np.interp(doubtful, [THRESHOLD['quiet_doubtful'], THRESHOLD['noisy_doubtful']], [THRESHOLD['quiet'], THRESHOLD['noisy']]))


def audible(takes, most=400):
    """How far a strike's level (50 ms) must lie above the noise before it (middle of its short frames in the 100 ms
    before) for four of five to be given out: the least level within 1.5 dB of which that is so, over the strikes of
    noisy takes that no other strike is near."""
    levels, found = [], []
    for t in [t for t in takes if t['truth']['events'] and t['truth']['cond'][4:] in ('10', '15', '20', '25', '30')][:most]:
        x = sf.read(t['wav'])[0]
        strikes = np.array(sorted(e['t_s'] for e in t['truth']['events']))
        heard = t['at'][ear_figures.apart(t['at'] / RATE, t['p'], threshold_of(t))] / RATE
        gap = np.diff(np.r_[-1, strikes, strikes[-1] + 1])
        for i, s in enumerate(strikes):
            k = int(s * RATE)
            if gap[i] < .4 or gap[i + 1] < .06 or k < 4410 + 256:
                continue
            frames = (x[k - 4410 - 256:k - 256].reshape(-1, 245) ** 2).mean(1)
            level = 10 * np.log10((x[k:k + 2205] ** 2).mean() + 1e-12)
            levels.append(level - 10 * np.log10(np.median(frames) + 1e-12))
            found.append(bool(len(heard)) and np.min(np.abs(heard - s)) < .012)
    levels, found = np.array(levels), np.array(found)
    for level in np.arange(0, 20, .25):
        near = np.abs(levels - level) < 1.5
        if near.sum() >= 20 and found[near].mean() >= .8:
            return float(level)
    return 20.


def main():
    args = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    args.add_argument('--work', required=True)
    args.add_argument('--train', nargs='+', required=True)
    args.add_argument('--test', nargs='*', default=[])
    args.add_argument('--binary', default='target/release/examples/dump_ear_features')
    args.add_argument('--out', default='assets/ear.json')
    args.add_argument('--most', type=int, default=10 ** 9, help='takes to fit on, at most')
    a = args.parse_args()
    warnings.filterwarnings('ignore')
    os.makedirs(a.work, exist_ok=True)

    def load(folders, name):
        pairs = [p for f in folders for p in prepare(f, a.work)][:a.most]
        takes = load_first(a.binary, [p[0] for p in pairs], a.work, name)
        for t, (wav, truth) in zip(takes, pairs):
            t['wav'], t['truth'] = wav, truth
            label(t, truth)
        return takes

    train = load(a.train, 'train')
    print(len(train), 'takes,', sum(len(t['y']) for t in train), 'candidates,', sum((t['y'] > 0).sum() for t in train), 'strikes', flush=True)
    first = first_classifier(*stacked(train, 'first'))
    for f in range(FOLDS):
        part = first_classifier(*stacked([t for k, t in enumerate(train) if k % FOLDS != f], 'first'))
        for k, t in enumerate(train):
            if k % FOLDS == f:
                t['p1'] = chance(part, t['first'])
    print('first decision fitted', flush=True)
    load_second(a.binary, train, [t['wav'] for t in train], a.work, 'train2')
    second = second_classifier(*stacked(train, 'second', 'index'))
    print('second decision fitted', flush=True)
    place, sigma = fit_place(train, (0, 1))
    ratios = []
    for f in range(FOLDS):
        p, s = fit_place([t for k, t in enumerate(train) if k % FOLDS != f], (0,))
        X, e = timing_rows([t for k, t in enumerate(train) if k % FOLDS == f])
        ratios.append((np.exp(value(s, X)), e - value(p, X)))
    scale, power = ear_figures.fit_sigma([tuple(map(np.concatenate, zip(*ratios)))])
    for t in train:
        t['p'] = decided(t, second)
    audible_db = audible(train)
    model = dict(first=dumped(first), second=dumped(second), place=dumped(place), sigma=dumped(sigma),
                 sigma_scale=round(scale, 4), sigma_power=round(power, 4), threshold=THRESHOLD, audible_over_noise_db=round(audible_db, 2))
    json.dump(model, open(a.out, 'w'), separators=(',', ':'))
    print('written', a.out, os.path.getsize(a.out), 'bytes; sigma scale', round(scale, 3), 'power', round(power, 3), 'audible from', round(audible_db, 2), 'dB over noise', flush=True)

    for folder in a.test:
        takes = load([folder], 'test')
        for t in takes:
            t['p1'] = chance(first, t['first'])
        load_second(a.binary, takes, [t['wav'] for t in takes], a.work, 'test2')
        for shift in (-.1, 0, .1):
            results = []
            for t in takes:
                t['p'] = decided(t, second)
                keep = ear_figures.apart(t['at'] / RATE, t['p'], threshold_of(t) + shift)
                correction = value(place, t['timing'][keep]) if len(keep) else np.zeros(0)
                s = np.exp(power * value(sigma, t['timing'][keep])) * scale if len(keep) else np.zeros(0)
                results.append((t['truth'], t['at'][keep] / RATE + correction.clip(-3.5, 3.5) / 1e3, s))
            print(folder, 'threshold', f'{shift:+.1f}')
            ear_figures.table(results)


FIRST, TIMING, ADDED = 340, 103, 22
# As in src/onset/ear.rs: candidates down to FAINT count, those above SURE are not doubtful.
FAINT, SURE = .06, .6
# A candidate is given out from this probability on, between a noisy and a quiet take by the number of doubtful
# candidates to one sure strike: F is flat from .3 to .5 in quiet takes and from .5 to .8 in noisy ones, where a false
# strike costs more than a missed ghost. At 20 dB this gives a third of the false strikes that a threshold by signal to
# noise ratio gave, and a higher F; the doubtful ones tell a lively noise from a steady one.
THRESHOLD = dict(noisy=.75, noisy_doubtful=.2, quiet=.5, quiet_doubtful=.05)

if __name__ == '__main__':
    main()
