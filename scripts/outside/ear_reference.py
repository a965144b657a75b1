#!/usr/bin/env python3
"""The ear's network by its definition, in plain numpy: what src/onset is held against.

    ear_reference.py fixture                  writes tests/data/ear_reference.json anew
    ear_reference.py random OUT.safetensors   random weights, as the fixture's, for trying things out
    ear_reference.py hear WEIGHTS WAV         candidates: second, votes, level, certainty

Shapes and names of the weights are those of src/onset/model.rs. Needs numpy; safetensors for files of weights, soundfile
for `hear`.
"""
import json
import os
import sys

import numpy as np

RATE = 44100
SHORT = dict(length=256, hop=64, edges=[100, 280, 460, 640, 820, 1000, 1300, 1700, 2200, 2800, 3500, 4500, 5800, 7500,
                                        10000, 13000, 16500])
LONG = dict(length=1024, hop=256, edges=[60, 103, 146, 189, 232, 280, 340, 410, 500, 600, 720, 870, 1050, 1270, 1550, 1900,
                                         2350, 2900, 3600, 4500, 5700, 7300, 9500, 12000, 15500])
COARSE_DILATIONS, FINE_DILATIONS = (1, 2, 4, 8, 8), (1, 2, 4)
TENSORS = {
    'b1.weight': (6, 1, 3, 5), 'b1.bias': (6,), 'b2.weight': (8, 6, 3, 3), 'b2.bias': (8,),
    'b0.weight': (36, 80), 'b0.bias': (36,),
    **{f'B.{k}.{n}': s for k in range(5) for n, s in (('dw', (36, 5)), ('pw.weight', (36, 36)), ('pw.bias', (36,)))},
    'g.weight': (1, 36), 'g.bias': (1,), 'up.weight': (24, 36), 'up.bias': (24,),
    'a1.weight': (6, 9), 'a1.bias': (6,), 'a2.weight': (6, 6, 3, 3), 'a2.bias': (6,),
    'a0.weight': (24, 43), 'a0.bias': (24,),
    **{f'A.{k}.{n}': s for k in range(3) for n, s in (('dw', (24, 5)), ('pw.weight', (24, 24)), ('pw.bias', (24,)))},
    'h.weight': (2, 24), 'h.bias': (2,),
    'c.u.weight': (32, 62), 'c.u.bias': (32,),
    **{f'c.{k}.{n}': s for k in range(2) for n, s in (
        ('q', (32, 80)), ('k', (32, 80)), ('v', (32, 32)), ('s', (4,)), ('n', (4,)), ('nullv', (4, 8)),
        ('r.weight', (32, 64)), ('r.bias', (32,)), ('o.weight', (32,)), ('o.bias', (1,)))},
}


def numbers(count, state):
    """-.5 to .5, from the quick generator of Numerical Recipes; the same in src/onset/affine.rs."""
    out = np.empty(count)
    for k in range(count):
        state = (state * 1664525 + 1013904223) & 0xffffffff
        out[k] = (state >> 8) / (1 << 24) - .5
    return out


def random_weights():
    """Tensor k from seed 1000 + k, of the size that keeps what goes through the layers at about one; the same in
    src/onset/model.rs."""
    out = {}
    for k, (name, shape) in enumerate(TENSORS.items()):
        size = 2 * np.sqrt(3 / np.prod(shape[1:])) if len(shape) > 1 else .4
        size *= 2 if name == 'h.weight' else 1
        out[name] = (numbers(int(np.prod(shape)), 1000 + k).astype('f4') * np.float32(size)).reshape(shape)
    out['h.bias'] = np.array([-9, 10], 'f4')  # so that some frames are sure and others are not
    return out


# --- front end

def powers(x, length, hop, edges):
    count = len(x) // hop + 1
    padded = np.r_[np.zeros(length // 2), x, np.zeros(length)]
    window = np.hanning(length)
    frames = np.stack([padded[i * hop:i * hop + length] for i in range(count)])
    spectrum = np.abs(np.fft.rfft(frames * window)) ** 2
    width = RATE / length
    centre = np.arange(length // 2 + 1) * width
    low, high = np.array(edges[:-1])[:, None], np.array(edges[1:])[:, None]
    overlap = np.clip((np.minimum(centre + width / 2, high) - np.maximum(centre - width / 2, low)) / width, 0, None)
    return (spectrum @ overlap.T / (window ** 2).sum()).astype('f4')


def quantile(values, q):
    """Of each column; the program keeps only the upper bits of a power."""
    kept = (np.ascontiguousarray(values, 'f4').view('u4') >> 15 << 15).view('f4')
    return np.sort(kept, axis=0)[int(np.floor((len(values) - 1) * q + .5))]


def floor(P, hop):
    block = max(8, int(.4 * RATE / hop))
    count = max(1, len(P) // block)
    quiet = np.stack([quantile(P[i * block:(len(P) if i + 1 == count else (i + 1) * block)], .25) for i in range(count)])
    smooth = np.stack([quantile(quiet[max(0, i - 6):i + 7], .3) for i in range(count)])
    loud = quantile(P, .985)
    least = 10 ** -4.5 * loud + 10 ** -5.5 * loud.mean() + 1e-14
    place = np.maximum(np.arange(len(P)) / block - .5, 0)
    i = np.minimum(place.astype(int), count - 1)
    share = np.clip(place - i, 0, 1)[:, None]
    between = smooth[i] + share * (smooth[np.minimum(i + 1, count - 1)] - smooth[i])
    return np.maximum(between, least) + 1e-14


def front(x):
    """Short and long input, level: [frames, bands], [frames, bands], [frames]."""
    x = np.asarray(x, 'f4').astype('f8')
    PA, PB = powers(x, **SHORT), powers(x, **LONG)
    A, B = [.4 * np.log(1 + P / floor(P, f['hop'])) for P, f in ((PA, SHORT), (PB, LONG))]
    total = np.r_[np.zeros(3), PA.sum(1), np.zeros(3)]
    e = sum(total[k:k + len(PA)] for k in range(7)) / 7
    level = .2 * np.log(e / e.max() + 1e-6) + 2.77 if e.max() > 0 else np.zeros(len(PA))
    return A, B, level


# --- network; rows are frames

def relu(x):
    return np.maximum(x, 0)


def convolution(x, weight, bias, step, before, after):
    """x [frames, bands, inputs], weight [outputs, inputs, bands, frames]; every `step`th band; zeros before and after."""
    frames, bands, _ = x.shape
    outputs, _, over_bands, over_frames = weight.shape
    x = np.pad(x, ((before, after), (0, 0), (0, 0)))
    kept = range(0, bands - over_bands + 1, step)
    out = np.stack([sum(x[k:k + frames, b + j] @ weight[:, :, j, k].T for j in range(over_bands) for k in range(over_frames))
                    for b in kept], 1)
    return out + bias


def blocks(x, w, name, dilations, before):
    for k, d in enumerate(dilations):
        padded = np.pad(x, ((before * d, (4 - before) * d), (0, 0)))
        depthwise = sum(padded[j * d:j * d + len(x)] * w[f'{name}.{k}.dw'][:, j] for j in range(5))
        x = x + relu(depthwise @ w[f'{name}.{k}.pw.weight'].T + w[f'{name}.{k}.pw.bias'])
    return x


def flat(x):
    return x.transpose(0, 2, 1).reshape(len(x), -1)


def coarse(w, B):
    x = relu(convolution(B[:, :, None], w['b1.weight'], w['b1.bias'], 1, 2, 2))
    x = relu(convolution(x, w['b2.weight'], w['b2.bias'], 2, 1, 1))
    x = relu(flat(x) @ w['b0.weight'].T + w['b0.bias'])
    x = blocks(x, w, 'B', COARSE_DILATIONS, 3)
    return x, (x @ w['g.weight'].T + w['g.bias'])[:, 0]


def fine(w, A, level, channels):
    x = relu(convolution(A[:, :, None], w['a1.weight'][:, None, None, :], w['a1.bias'], 1, 4, 4))
    x = relu(convolution(x, w['a2.weight'], w['a2.bias'], 2, 1, 1))
    x = np.c_[flat(x), level] @ w['a0.weight'].T + w['a0.bias']
    up = channels @ w['up.weight'].T + w['up.bias']
    i, k = np.arange(len(A)) // 4, np.arange(len(A)) % 4
    x = relu(x + up[i] + (up[np.minimum(i + 1, len(up) - 1)] - up[i]) * k[:, None] / 4)
    x = blocks(x, w, 'A', FINE_DILATIONS, 2)
    return x, x @ w['h.weight'].T + w['h.bias']


def opened(gates, gate, count):
    """Short frames within 6 of a long one whose gate is open."""
    out = np.zeros(count, bool)
    for i in np.flatnonzero(gates > np.log(gate / (1 - gate))):
        out[max(0, 4 * i - 6):4 * i + 7] = True
    return out


def votes(head, open_):
    """Times in frames, heights."""
    p = 1 / (1 + np.exp(-head[:, 0]))
    k = np.flatnonzero(open_ & (p > .04))
    at = np.clip(k + np.clip(head[k, 1], -7, 7), -2, len(p) + 1)
    margin = 40
    grid = np.zeros(4 * len(p) + 2 * margin)
    np.add.at(grid, np.round(at * 4).astype(int) + margin, p[k])
    grid = np.convolve(grid, 1 - np.abs(np.arange(-9, 10)) / 10, 'same') / 7
    cells = np.flatnonzero((grid[1:-1] >= grid[:-2]) & (grid[1:-1] > grid[2:]) & (grid[1:-1] > .03)) + 1
    kept = []
    for c in cells[np.argsort(-grid[cells], kind='stable')]:
        if all(abs(c - other) >= 24 for other in kept):
            kept.append(c)
    kept.sort()
    times = []
    for c in kept:
        weight = np.where(np.abs(at * 4 + margin - c) <= 10, p[k], 0)
        times.append((weight * at).sum() / weight.sum())
    return np.array(times), grid[kept], at


def company(w, times, heights, channels, coarse_channels, B, level):
    count = len(times)
    f = np.clip(np.round(times), 0, len(level) - 1).astype(int)
    g = np.clip(np.round(f / 4), 0, len(B) - 1).astype(int)
    beside = lambda d: B[np.clip(g + d, 0, len(B) - 1)]
    loud = np.max([level[np.minimum(f + d, len(level) - 1)] for d in range(8)], 0)
    v = np.clip(heights, .02, .98)
    z = np.log(v / (1 - v))
    x = np.c_[channels[f], coarse_channels[g], loud, z]
    c = relu(np.max([beside(d) for d in (1, 2, 3)], 0) - np.max([beside(d) for d in (-3, -2)], 0))
    c = c - c.mean(1, keepdims=True)
    c = c / (np.linalg.norm(c, axis=1, keepdims=True) + 1e-6)
    u = relu(x @ w['c.u.weight'].T + w['c.u.bias'])
    keys = np.sort(np.argsort(-heights, kind='stable')[:384])
    out = z.copy()
    for k in range(2):
        of = lambda name: w[f'c.{k}.{name}']
        asked = np.c_[u, c, .5 * beside(9)]
        q, key, value = asked @ of('q').T, asked @ of('k').T, u @ of('v').T
        known = []
        for i in range(count):
            told = []
            others = keys[np.abs(times[keys] - times[i]) * 64 / RATE >= .06]
            for h in range(4):
                part = slice(8 * h, 8 * h + 8)
                score = np.r_[key[others][:, part] @ q[i, part] / np.sqrt(8) + of('s')[h] * (c[others] @ c[i]), of('n')[h]]
                share = np.exp(score - score.max())
                told.append(share / share.sum() @ np.r_[value[others][:, part], of('nullv')[h:h + 1]])
            known.append(relu(of('r.weight') @ np.r_[u[i], np.concatenate(told)] + of('r.bias')))
        u = np.array(known).reshape(count, 32)
        out += u @ of('o.weight').ravel() + of('o.bias')[0]
    return loud, 1 / (1 + np.exp(-out))


def hear(w, gate, x):
    w = {name: tensor.astype('f8') for name, tensor in w.items()}
    A, B, level = front(x)
    coarse_channels, gates = coarse(w, B)
    channels, head = fine(w, A, level, coarse_channels)
    times, heights, at = votes(head, opened(gates, gate, len(A)))
    if not len(times):
        return dict(gates=gates, times=times, heights=heights, levels=times, certainties=times, at=at)
    levels, certainties = company(w, times, heights, channels, coarse_channels, B, level)
    return dict(gates=gates, times=times, heights=heights, levels=levels, certainties=certainties, at=at)


# --- fixture

def strikes():
    """Five damped tones in noise, the first on the first sample; the same in src/onset/network.rs."""
    x = .02 * numbers(49_800, 7)
    for k, at in enumerate((0, 9_000, 17_003, 17_700, 40_000)):
        t = np.arange(len(x) - at) / RATE
        x[at:] += (.5 - .08 * k) * np.sin(2 * np.pi * (300 + 700 * k) * t) * np.exp(-t / (.02 + .01 * k))
    return x.astype('f4')


GATE = .1


def fixture(path):
    heard = hear(random_weights(), GATE, strikes())
    # A vote must not lie where rounding decides which cell it falls into.
    edge = np.abs(np.abs(heard['at'] * 4 - np.floor(heard['at'] * 4)) - .5).min()
    print(len(heard['at']), 'votes, none nearer to the edge of a cell than', edge, 'cells;',
          opened(heard['gates'], GATE, 49_800 // 64 + 1).sum(), 'frames of', 49_800 // 64 + 1, 'near an open gate')
    rows = zip(heard['times'], heard['heights'], heard['levels'], heard['certainties'])
    rounded = lambda values: [round(float(v), 6) for v in values]
    out = dict(made_by='scripts/outside/ear_reference.py fixture', numpy=np.__version__, gates=rounded(heard['gates']),
               candidates=[rounded(row) for row in rows])
    with open(path, 'w') as f:
        f.write(json.dumps(out).replace('], [', '],\n[') + '\n')


def main():
    match sys.argv[1:]:
        case ['fixture']:
            fixture(os.path.join(os.path.dirname(__file__), '..', '..', 'tests', 'data', 'ear_reference.json'))
        case ['random', out]:
            from safetensors.numpy import save_file
            save_file(random_weights(), out, dict(gate=str(GATE)))
        case ['hear', weights, wav]:
            import soundfile
            from safetensors import safe_open
            x, rate = soundfile.read(wav)
            assert rate == RATE and x.ndim == 1, 'mono at 44.1 kHz is needed'
            with safe_open(weights, 'np') as f:
                heard = hear({name: f.get_tensor(name).reshape(TENSORS[name]) for name in TENSORS}, float(f.metadata()['gate']), x)
            for row in zip(heard['times'] * 64 / RATE, heard['heights'], heard['levels'], heard['certainties']):
                print('%9.4f %6.3f %6.3f %6.3f' % row)
        case _:
            sys.exit(__doc__)


if __name__ == '__main__':
    main()
