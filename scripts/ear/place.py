#!/usr/bin/env python3
"""Fits what stands behind the ear's network in assets/ear.safetensors: the correction of an attack's place, its standard deviation, and
how far above the noise a strike must lie to be heard.

    place.py takes --pack DIR --takes DIR [--count N] [--seed S]       invented takes as wav and json, on the processor
    place.py fit --takes DIR --network all.pt --weights assets/ear.safetensors [--binary target/release/examples/dump_ear_features]

`all.pt` is what `fit.py fit` wrote; the file of `--weights` is read for what stood behind the last one, and written anew. The numbers
looked at come from the program itself, so that the fit and the ear cannot differ. Needs numpy, scipy, soundfile, torch and safetensors.
"""
import argparse
import json
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile as sf

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / 'measuring'))
import ear_figures  # noqa: E402

RATE = 44_100
# As src/onset/perceptron.rs.
CLIP = 3.5
# What is further off is another strike; the correction goes no further than this (src/onset/ear.rs).
FURTHEST_MS, MOST_MS = 6., 3.5
# A coarse frame less likely than this holds no strike: none of 1,116 candidates of 36 invented takes would be lost.
GATE = .02
FAINT = .06
# So many takes go through a codec, at one of these rates: what phones, browsers and messengers write.
CODED, KBPS = .5, (48, 64, 96, 128)


def takes(args):
    import torch
    import plan as P
    import world as W
    import phone
    world = W.World(args.pack, 'cpu', made=120, rooms=24, groups=None, seed=args.seed, clips=4)
    gen = torch.Generator().manual_seed(args.seed)
    rng = np.random.default_rng(args.seed)
    args.takes.mkdir(parents=True, exist_ok=True)
    for k in range(0, args.count, 6):
        x, e = world.make(world.planner.batch(args.seed * 1000 + k, (10.0, 6, 0)), gen)
        for i, y in enumerate(x.numpy()):
            mine = (e['take'] == i).numpy()
            rows = [dict(t_s=int(a) / RATE, role=P.ROLES[r], snr_db=round(float(s), 1)) for a, r, s in
                    sorted(zip(e['at'].numpy()[mine], e['role'].numpy()[mine], e['snr'].numpy()[mine])) if r != P.EXTRA]
            if rng.random() < CODED:
                # A codec spreads an attack over what comes before it.
                y = phone.through_codec(y, RATE, rng.choice(list(phone.CODECS)), int(rng.choice(KBPS)))
            sf.write(args.takes / f'take{k + i:04d}.wav', y, RATE, subtype='PCM_24')
            (args.takes / f'take{k + i:04d}.json').write_text(json.dumps(rows))


def candidates(binary, network, files):
    """Per file: sample of the change point, pointer, certainty, timing rows."""
    with tempfile.NamedTemporaryFile() as out:
        subprocess.run([binary, 'candidates', '--weights', network, out.name, *map(str, files)], check=True)
        blob, at, found = out.read(), 0, []
    for _ in files:
        (n,) = struct.unpack_from('<I', blob, at)
        at += 4
        rows = []
        for _ in range(n):
            sample, pointer, certainty, width = struct.unpack_from('<ddfI', blob, at)
            at += 24
            rows.append((sample, pointer, certainty, np.frombuffer(blob, '<f4', width, at)))
            at += 4 * width
        found.append(rows)
    return found


def scaled(X, mean, deviation):
    return ((X - mean) / deviation).clip(-CLIP, CLIP).astype('f4')


def regressor(X, y, hidden, seeds, beta, epochs=60):
    """Small networks whose mean answer is near `y`: absolute error beyond `beta`, so that a few far ones do not move the many near."""
    import torch
    mean, deviation = X.mean(0), X.std(0) + 1e-6
    Z, t = torch.from_numpy(scaled(X, mean, deviation)), torch.from_numpy(y.astype('f4'))
    nets = []
    for seed in seeds:
        torch.manual_seed(seed)
        net = torch.nn.Sequential(torch.nn.Linear(Z.shape[1], hidden), torch.nn.ReLU(), torch.nn.Linear(hidden, 1))
        optimiser = torch.optim.AdamW(net.parameters(), lr=2e-3, weight_decay=.02)
        steps = epochs * (len(Z) // 256)
        for step in range(steps):
            for g in optimiser.param_groups:
                g['lr'] = 2e-3 * (.5 + .5 * np.cos(np.pi * step / steps)) + 1e-5
            k = torch.randint(0, len(Z), (256,))
            noisy = Z[k] + .1 * torch.randn(256, Z.shape[1])
            loss = torch.nn.functional.smooth_l1_loss(net(noisy)[:, 0], t[k], beta=beta)
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
        nets.append([(layer.weight.detach().numpy(), layer.bias.detach().numpy()) for layer in net if hasattr(layer, 'weight')])
    return dict(mean=mean, deviation=deviation, nets=nets)


def value(model, X):
    Z = scaled(X, model['mean'], model['deviation'])
    answer = lambda net: (np.maximum(Z @ net[0][0].T + net[0][1], 0) @ net[1][0].T + net[1][1])[:, 0]
    return np.mean([answer(net) for net in model['nets']], 0)


def pair(X, error, seeds):
    place = regressor(X, error.clip(-MOST_MS, MOST_MS), 24, seeds, .02)
    left = np.abs(error - value(place, X)).clip(0, FURTHEST_MS)
    return place, regressor(X, np.log(left + .03), 8, (0,), 1.)


def tensors(name, model):
    out = {f'{name}.mean': model['mean'], f'{name}.deviation': model['deviation']}
    for k, net in enumerate(model['nets']):
        for layer, (w, b) in enumerate(net):
            out[f'{name}.{k}.{layer}.weight'], out[f'{name}.{k}.{layer}.bias'] = w, b
    return {k: np.ascontiguousarray(v, 'f4') for k, v in out.items()}


def joined(state, behind, out):
    """A file of weights from a fitted network and what stands behind another one."""
    from safetensors import safe_open
    from safetensors.torch import save_file
    import fit
    with safe_open(behind, 'pt') as f:
        rest = {k: f.get_tensor(k) for k in f.keys() if k.startswith(('place.', 'sigma.'))}
        save_file({**fit.tensors(state), **rest}, out, f.metadata())


def audible(files, found):
    """How far a strike's level (50 ms) must lie above the noise before it (middle of its short frames in the 100 ms before) for four of
    five to be told: the least level within 1.5 dB of which that is so, over strikes in noise that no other is near."""
    levels, told = [], []
    for file, rows in zip(files, found):
        truth = json.loads(file.with_suffix('.json').read_text())
        if not truth:
            continue
        x = sf.read(file)[0]
        strikes = np.array([e['t_s'] for e in truth])
        heard = np.array([r[0] for r in rows if r[2] > .5]) / RATE
        gap = np.diff(np.r_[-1, strikes, strikes[-1] + 1])
        for i, s in enumerate(strikes):
            k = int(s * RATE)
            if gap[i] < .4 or gap[i + 1] < .06 or k < 4410 + 256 or k + 2205 > len(x) or truth[i]['snr_db'] > 40:
                continue
            before = np.median((x[k - 4410 - 256:k - 256].reshape(-1, 245) ** 2).mean(1))
            levels.append(10 * np.log10((x[k:k + 2205] ** 2).mean() + 1e-12) - 10 * np.log10(before + 1e-12))
            told.append(bool(len(heard)) and np.min(np.abs(heard - s)) < .012)
    levels, told = np.array(levels), np.array(told)
    for level in np.arange(0, 20, .25):
        near = np.abs(levels - level) < 1.5
        if near.sum() >= 20 and told[near].mean() >= .8:
            return float(level)
    return 20.


def fit(args):
    from safetensors.numpy import save_file
    import fit as ear_fit
    files = sorted(args.takes.glob('*.wav'))
    with tempfile.NamedTemporaryFile(suffix='.safetensors') as network:
        joined(args.network, args.weights, network.name)
        found = candidates(args.binary, network.name, files)
    X, error, take = [], [], []
    for k, (file, rows) in enumerate(zip(files, found)):
        truth = np.array([e['t_s'] for e in json.loads(file.with_suffix('.json').read_text())])
        rows = [r for r in rows if r[2] > FAINT]
        for i, j in ear_figures.match(truth, np.array([r[0] for r in rows]) / RATE, .012):
            off = (truth[i] - rows[j][0] / RATE) * 1e3
            if abs(off) < FURTHEST_MS:
                X.append(rows[j][3])
                error.append(off)
                take.append(k)
    X, error, take = np.nan_to_num(np.array(X)), np.array(error), np.array(take)
    print(len(X), 'strikes; change point alone: |error| median %.3f, 95 %% %.2f ms' % (np.median(np.abs(error)), np.percentile(np.abs(error), 95)))
    place, sigma = pair(X, error, (0, 1))
    held = []
    for f in range(2):
        out = take % 2 == f
        p, s = pair(X[~out], error[~out], (0,))
        held.append((np.exp(value(s, X[out])), error[out] - value(p, X[out])))
    s, left = map(np.concatenate, zip(*held))
    print('corrected, takes left out: |error| median %.3f, 95 %% %.2f ms' % (np.median(np.abs(left)), np.percentile(np.abs(left), 95)))
    scale, power = ear_figures.fit_sigma([(s, left)])
    level = audible(files, found)
    kept = {k: v.numpy() for k, v in ear_fit.tensors(args.network).items()}
    metadata = dict(gate=str(GATE), sigma_scale=f'{scale:.4f}', sigma_power=f'{power:.4f}', audible_over_noise_db=f'{level:.2f}')
    save_file({**kept, **tensors('place', place), **tensors('sigma', sigma)}, args.weights, metadata)
    print('written', args.weights, metadata)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument('command', choices=('takes', 'fit'))
    ap.add_argument('--pack', type=Path)
    ap.add_argument('--takes', type=Path, required=True)
    ap.add_argument('--count', type=int, default=240)
    ap.add_argument('--seed', type=int, default=5)
    ap.add_argument('--network')
    ap.add_argument('--weights', default='assets/ear.safetensors')
    ap.add_argument('--binary', default='target/release/examples/dump_ear_features')
    args = ap.parse_args()
    {'takes': takes, 'fit': fit}[args.command](args)


if __name__ == '__main__':
    main()
