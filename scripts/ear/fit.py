#!/usr/bin/env python3
"""Fits the ear's networks on invented takes (plan.py, world.py), and measures them on families of objects left out.

    fit.py fit --pack DIR --out DIR [--minutes M] [--folds K] [--seed S]     on a GPU if there is one
    fit.py measure --pack DIR --out DIR                                       each family by the network that never met it, worst first
    fit.py clean --pack DIR --out DIR                                         drops what holds more than one strike, by the same networks

With `--folds K` the families are dealt to K groups and K networks are fitted beside the one that ships, each without one group, on the
same takes: a take holds recorded things of one group only and is left out of the loss of that group's network. Takes are made as they
are needed and none comes twice. Needs numpy, scipy, soundfile, torch (2.5 or newer) and safetensors.
"""
import argparse
import json
import multiprocessing
import os
import re
import sys
import time
from pathlib import Path

for variable in ('OPENBLAS_NUM_THREADS', 'OMP_NUM_THREADS'):
    os.environ.setdefault(variable, '1')

import numpy as np
import torch
import torch.nn.functional as F

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / 'measuring'))
import ear_figures  # noqa: E402
import plan as P  # noqa: E402
from net import RATE, SHORT_HOP, WITHIN, Ear, candidates  # noqa: E402
from world import World  # noqa: E402

# A ghost this far under the noise around it is neither asked for nor held against anybody.
LOST_DB = -6.
MATCH_S, UNCLEAR_S = .015, .030
# So many strikes are company enough to tell a slam from them.
COMPANY = 4
THRESHOLD = .5
# A fit that is broken off has lost so much.
SAVE_S = 120


def deal(families, index, folds):
    """Families dealt to groups, the largest first, each to the smallest group."""
    size = {f: len({s['source'] for s in index['shots'] if s['family'] == f}) for f in families}
    groups = [[] for _ in range(folds)]
    for f in sorted(families, key=lambda f: (-size[f], f)):
        min(groups, key=lambda g: sum(size[x] for x in g)).append(f)
    return groups


def frame_labels(events, takes, frames, device):
    """For every short frame: strike or not, distance to the nearest strike in frames, weight."""
    keep = events['role'] != P.EXTRA
    take, at, snr = events['take'][keep], events['at'][keep].float() / SHORT_HOP, events['snr'][keep]
    span = frames + 1000
    every = (torch.arange(takes, device=device)[:, None] * span + torch.arange(frames, device=device)[None]).reshape(-1).double()
    if not len(take):
        zero = torch.zeros(takes, frames, device=device)
        return zero, zero, torch.ones_like(zero), zero + 1e6
    when = take.double() * span + at.double()
    when, order = when.sort()
    snr = snr[order]
    right = torch.searchsorted(when, every).clamp(max=len(when) - 1)
    left = (right - 1).clamp(min=0)
    near = torch.where((when[left] - every).abs() < (when[right] - every).abs(), left, right)
    d = (when[near] - every).view(takes, frames).float()
    lost = (snr[near] < LOST_DB).view(takes, frames)
    a = d.abs()
    y = ((a <= WITHIN) & ~lost).float()
    w = torch.where((a > WITHIN) & (a < WITHIN + 1.2), 0., 1.)
    w = torch.where(lost & (a <= 6), torch.zeros_like(w), w)
    return y, d.clamp(-12, 12), w, a


def candidate_labels(events, frame, height, takes, device):
    """1 a strike, 0 none, -1 says nothing."""
    keep = events['role'] != P.EXTRA
    take, at, snr = events['take'][keep], events['at'][keep].float() / SHORT_HOP, events['snr'][keep]
    count = torch.bincount(take, minlength=takes) if len(take) else torch.zeros(takes, dtype=torch.long, device=device)
    out = torch.zeros_like(frame)
    most = int(count.max()) if len(take) else 0
    if most:
        order = (take.double() * 1e7 + at.double()).argsort()
        take, at, snr = take[order], at[order], snr[order]
        first = torch.cumsum(count, 0) - count
        slot = torch.arange(len(take), device=device) - first[take]
        when = torch.full((takes, most), 1e9, device=device)
        when[take, slot] = at
        lost = torch.zeros(takes, most, dtype=torch.bool, device=device)
        lost[take, slot] = snr < LOST_DB
        d = (frame[:, :, None] - when[:, None]).abs()
        d = torch.where(height[:, :, None] > 0, d, torch.full_like(d, 1e9))
        best_event, mine = d.min(2)
        best_candidate = d.argmin(1)
        mutual = best_candidate.gather(1, mine) == torch.arange(frame.shape[1], device=device)[None]
        hit = mutual & (best_event < MATCH_S * RATE / SHORT_HOP)
        out = hit.float()
        found = torch.zeros(takes, most, device=device).scatter_add_(1, mine, hit.float()) > 0
        unclear = (d < UNCLEAR_S * RATE / SHORT_HOP) & (lost | ~found)[:, None]
        out = torch.where(unclear.any(2) & (out < 1), torch.full_like(out, -1), out)
        out = torch.where(hit & lost.gather(1, mine), torch.full_like(out, -1), out)
    return torch.where(height > 0, out, torch.full_like(out, -1)), count


def told_loss(told, label, mine):
    """Of what company is told after each round; label -1 says nothing."""
    known = (label >= 0).float() * mine[:, None]
    return sum((F.binary_cross_entropy_with_logits(t, label.clamp(min=0), reduction='none') * known).sum() for t in told) / known.sum().clamp(min=1)


def worn(short, level, long):
    """What a floor guessed wrong and bands that a phone cuts off look like."""
    scale = torch.exp(torch.randn(len(short), 1, 1, device=short.device) * .12)
    keep = lambda n: (torch.rand(len(short), 1, n, device=short.device) > .06 * torch.rand(len(short), 1, 1, device=short.device)).float()
    return short * scale * keep(short.shape[2]), level, long * scale * keep(long.shape[2])


def company_of(ear, logit, offset, fine, coarse, level, long, events, struck):
    """What each candidate of the takes knows, and whether it is a strike."""
    takes = len(logit)
    frame, height = candidates(logit, offset, min(384, max(128, logit.shape[1] // 110)))
    label, count = candidate_labels(events, frame, height, takes, logit.device)
    label = torch.where(struck[:, None] & (count < COMPANY)[:, None] & (label == 0), torch.full_like(label, -1), label)
    return ear.c.look(frame, height, fine, coarse, level, long), label


class Fitted:
    """One network, its optimiser, and the running mean of its weights that is kept."""

    def __init__(self, device, leaves_out):
        self.ear, self.leaves_out = Ear().to(device), leaves_out
        self.parameters = [p for p in self.ear.parameters()]
        self.optimiser = torch.optim.AdamW(self.parameters, lr=3e-3, weight_decay=1e-3, betas=(.9, .98), fused=device != 'cpu')
        self.kept = [p.detach().clone() for p in self.parameters]

    def step(self, seen, labels, events, groups, struck, step, rate):
        short, level, long = seen
        y, d, w, away = labels
        logit, offset, gate, fine, coarse = self.ear.net(*worn(short, level, long))
        mine = torch.ones_like(struck, dtype=torch.float32) if self.leaves_out is None else (groups != self.leaves_out).float()
        # In a noise that is struck itself only what is near the strikes is known.
        w = w * mine[:, None] * torch.where(struck[:, None] & (away > 40), torch.zeros_like(w), torch.ones_like(w))
        total = w.sum().clamp(min=1)
        loss = (F.binary_cross_entropy_with_logits(logit, y, reduction='none') * w * (1 + y)).sum() / total * 20
        loss = loss + (F.smooth_l1_loss(offset, d, reduction='none', beta=.15) * y * w).sum() / (y * w).sum().clamp(min=1) * .5
        coarse_y = F.max_pool1d(F.max_pool1d(y[:, None], 4), 3, 1, 1)[:, 0]
        coarse_w = -F.max_pool1d(-w[:, None], 4)[:, 0]
        loss = loss + (F.binary_cross_entropy_with_logits(gate, coarse_y, reduction='none') * coarse_w * (1 + 3 * coarse_y)).sum() / coarse_w.sum().clamp(min=1) * 2
        looked, label = company_of(self.ear, logit.detach(), offset.detach(), fine.detach(), coarse.detach(), level, long, events, struck)
        second = told_loss(self.ear.c(*looked), label, mine)
        for g in self.optimiser.param_groups:
            g['lr'] = rate
        self.optimiser.zero_grad(set_to_none=True)
        (loss + second).backward()
        torch.nn.utils.clip_grad_norm_(self.parameters, 1.)
        self.optimiser.step()
        share = min(.998, step / (step + 50))
        torch._foreach_lerp_(self.kept, [p.detach() for p in self.parameters], 1 - share)
        return loss.detach(), second.detach()

    def go_on(self, state):
        """Takes the weights of an earlier fit to begin with."""
        self.ear.load_state_dict(state)
        self.kept = [p.detach().clone() for p in self.parameters]
        self.began = [p.clone() for p in self.kept]

    def back(self, share):
        """Keeps so large a share of the way from the weights that the fit began with: what an earlier fit knew of its own world is not
        lost to a newer one (Wortsman and others 2022, Robust fine-tuning of zero-shot models)."""
        torch._foreach_lerp_(self.kept, self.began, 1 - share)

    def name(self):
        return 'all.pt' if self.leaves_out is None else f'without{self.leaves_out}.pt'

    def settled(self):
        """The network with the mean of its weights."""
        ear = Ear().to(self.parameters[0].device)
        with torch.no_grad():
            for p, k in zip(ear.parameters(), self.kept):
                p.copy_(k)
        return ear.eval()


def draw(job):
    planner, seed, shape = DRAWING, *job
    return planner.batch(seed, shape), seed


def start_drawing(planner):
    global DRAWING
    DRAWING = planner


def shapes(seed, scale):
    r = np.random.default_rng([seed, 1])
    while True:
        seconds, count, _ = P.SHAPES[r.choice(len(P.SHAPES), p=[s[2] for s in P.SHAPES])]
        yield seconds, max(2, int(count * scale)), 0


def save(fitted, out, groups, step, seed):
    out.mkdir(parents=True, exist_ok=True)
    for f in fitted:
        torch.save(f.settled().cpu().state_dict(), out / f.name())
    (out / 'groups.json').write_text(json.dumps(dict(groups=groups, steps=step, seed=seed)))


def fit(args):
    device = 'cuda' if torch.cuda.is_available() else 'cpu'
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.manual_seed(args.seed)
    began = time.time()
    index = json.loads((Path(args.pack) / 'index.json').read_text())
    families = sorted({s['family'] for s in index['shots']})
    groups = deal(families, index, max(1, args.folds))
    world = World(args.pack, device, made=args.made, rooms=args.rooms, groups=groups, seed=args.seed, clips=args.clips)
    print('world after', round(time.time() - began), 's', flush=True)
    fitted = [Fitted(device, None)] * (not args.only_folds) + [Fitted(device, k) for k in range(args.folds if args.folds > 1 else 0)]
    if args.resume:
        for f in fitted:
            f.go_on(torch.load(Path(args.resume) / f.name(), map_location=device))
    gen = torch.Generator(device=device).manual_seed(args.seed)
    drawn = shapes(args.seed, args.scale)
    jobs = ((args.seed * 10 ** 7 + k, shape) for k, shape in enumerate(drawn))
    pool = multiprocessing.get_context('fork').Pool(args.workers, start_drawing, (world.planner,))
    ahead, step, shown, saved = [], 0, time.time(), time.time()
    out = Path(args.out)
    began = time.time()
    sums = []
    while True:
        done = (time.time() - began) / 60 / args.minutes
        if done >= 1:
            break
        while len(ahead) < 2 * args.workers:
            ahead.append(pool.apply_async(draw, (next(jobs),)))
        planned, _ = ahead.pop(0).get()
        x, events = world.make(planned, gen)
        seen = fitted[0].ear.front(x)
        labels = frame_labels(events, len(x), seen[0].shape[1], device)
        group, struck = torch.tensor(planned['group'], device=device), torch.tensor(planned['struck'], device=device)
        step += 1
        rate = args.rate * min(1, step / 200) * (.5 + .5 * np.cos(np.pi * done)) + 1e-5
        losses = [f.step(seen, labels, events, group, struck, step, rate) for f in fitted]
        sums.append(torch.stack([torch.stack(l) for l in losses]))
        if time.time() - shown > 20:
            shown = time.time()
            mean = torch.stack(sums).mean(0).cpu().numpy().round(3)
            print(f'{step} steps, {time.time() - began:.0f} s, losses', mean[0].tolist(), mean[1:].mean(0).round(3).tolist() if len(mean) > 1 else '', flush=True)
            sums = []
        if time.time() - saved > SAVE_S:
            saved = time.time()
            save(fitted, out, groups, step, args.seed)
    pool.terminate()
    if args.resume:
        for f in fitted:
            f.back(args.share)
    save(fitted, out, groups, step, args.seed)
    print('fitted,', step, 'steps', flush=True)
    if args.measure:
        measure(args, world)


def load(path, device):
    ear = Ear().to(device)
    ear.load_state_dict(torch.load(path, map_location=device))
    return ear.eval()


STYLES = (('alone', 24.0, 2), ('room', 24.0, 4), ('room20', 24.0, 4), ('room10', 24.0, 2))


def measure(args, world=None):
    device = 'cuda' if torch.cuda.is_available() else 'cpu'
    out = Path(args.out)
    groups = json.loads((out / 'groups.json').read_text())['groups']
    families = [f for g in groups for f in g]
    index = json.loads((Path(args.pack) / 'index.json').read_text())
    # One group a family, and noises of the test split.
    if world is None or world.groups != [[f] for f in families]:
        world = World(args.pack, device, made=16, rooms=64, groups=[[f] for f in families], seed=99, clips=0)
    gen = torch.Generator(device=device).manual_seed(99)
    rows, every = [], {}
    for k, group in enumerate(groups):
        path = out / (f'without{k}.pt' if len(groups) > 1 else 'all.pt')
        ear = load(path, device)
        for family in group:
            row = {'family': family}
            for style, seconds, count in STYLES:
                planned = world.tester.batch(7 + count, (seconds, count * (2 if style != 'alone' else 1), 0), style, families.index(family))
                x, e = world.make(planned, gen)
                t, p, _ = (v.cpu().numpy() for v in ear.hear(x))
                take, at, role = (e[k].cpu().numpy() for k in ('take', 'at', 'role'))
                hits = plain = plain_hits = told = true = 0
                for i in range(len(x)):
                    mine = take == i
                    order = at[mine].argsort()
                    truth, roles = at[mine][order] / RATE, role[mine][order]
                    heard = np.sort(t[i][p[i] > THRESHOLD])
                    pairs = ear_figures.match(truth, heard, .025)
                    got = {a for a, _ in pairs}
                    hits, told, true = hits + len(pairs), told + len(heard), true + len(truth)
                    is_plain = (roles == P.PLAIN) | (roles == P.MAIN)
                    plain += int(is_plain.sum())
                    plain_hits += sum(1 for a in got if is_plain[a])
                row[style] = (plain_hits / max(1, plain), 2 * hits / max(1, told + true), (told - hits) / (len(x) * seconds / 60))
                s = every.setdefault(style, np.zeros(6))
                s += (hits, told, true, plain_hits, plain, len(x) * seconds / 60)
            rows.append(row)
    print('family'.ljust(18), ' '.join(f'{s:>24s}' for s, _, _ in STYLES), '(plain strikes heard, F25, false a minute)')
    for row in sorted(rows, key=lambda r: min(r['alone'][0], r['room'][0])):
        print(row['family'].ljust(18), ' '.join(f'{row[s][0]:9.3f} {row[s][1]:6.3f} {row[s][2]:7.2f}' for s, _, _ in STYLES))
    for style, s in every.items():
        print(style, 'F25 %.4f plain heard %.4f false a minute %.2f' % (2 * s[0] / (s[1] + s[2]), s[3] / s[4], (s[1] - s[0]) / s[5]))
    nobody(world, groups, out, device)


def nobody(world, groups, out, device):
    """False strikes a minute in noises of the test split in which nobody plays."""
    ear = load(next(p for p in (out / 'all.pt', out / 'without0.pt') if p.exists()), device)
    gen = torch.Generator(device=device).manual_seed(3)
    kinds = sorted(k for k in world.tester.noises if not world.tester.noises[k][0]['struck'])
    line = []
    for kind in kinds:
        some = P.Planner(world.planner.groups, world.planner.weights, world.planner.made, {kind: world.tester.noises[kind]}, 64)
        r = np.random.default_rng(5)
        segments, n = [], 6
        for i in range(n):
            segments += [(i, *s) for s in some.noise(r, True, 12.0)[0]]
        z = world.noises(dict(segments=np.array(segments)), int(12 * RATE) // 256 * 256, n)
        x = z * .05 + 1e-5 * torch.randn(z.shape, generator=gen, device=z.device)
        _, p, _ = ear.hear(x)
        line.append(f'{kind} {(p > THRESHOLD).sum().item() / (n * 12 / 60):.0f}')
    print('nobody plays, told a minute:', ', '.join(line))


def clean(args):
    """Drops the recorded strikes in which the networks that never met their family hear a second one: wrong labels."""
    import soundfile as sf
    pack, out = Path(args.pack), Path(args.out)
    index = json.loads((pack / 'index.json').read_text())
    groups = json.loads((out / 'groups.json').read_text())['groups']
    flat = sf.read(pack / 'shots.flac', dtype='float32')[0]
    kept, gen = [], torch.Generator().manual_seed(0)
    for k, group in enumerate(groups):
        ear = load(out / f'without{k}.pt', 'cpu')
        for s in [s for s in index['shots'] if s['family'] in group]:
            x = torch.zeros(1, s['length'] + RATE)
            x[0, RATE // 2:RATE // 2 + s['length']] = .5 * torch.from_numpy(flat[s['first']:s['first'] + s['length']])
            t, p, _ = ear.hear(x + 2e-4 * torch.randn(x.shape, generator=gen), most=32)
            late = t[p > THRESHOLD] - (RATE // 2 + s['attack']) / RATE
            if not bool((late > .0135).any()):
                kept.append(s)
    lost = {s['name'] for s in index['shots']} - {s['name'] for s in kept}
    print(len(index['shots']), '->', len(kept), sorted(lost))
    (pack / 'index.json').write_text(json.dumps({**index, 'shots': kept}))


def tensors(path):
    """The networks of a fit by the names that src/onset/model.rs lists."""
    out = {}
    for name, value in load(path, 'cpu').state_dict().items():
        if not name.startswith('front.'):
            name = name.removeprefix('net.').replace('c.rounds.', 'c.').replace('.dw.weight', '.dw')
            # Layers without a bias bear the layer's name alone.
            out[re.sub(r'\.([qkv])\.weight$', r'.\1', name)] = value.float().contiguous()
    return out


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument('command', choices=('fit', 'measure', 'clean'))
    ap.add_argument('--pack')
    ap.add_argument('--out', required=True)
    ap.add_argument('--minutes', type=float, default=20)
    ap.add_argument('--folds', type=int, default=0)
    ap.add_argument('--only-folds', action='store_true', help='without the network that ships')
    ap.add_argument('--seed', type=int, default=0)
    ap.add_argument('--made', type=int, default=3000)
    ap.add_argument('--rooms', type=int, default=400)
    ap.add_argument('--clips', type=int, default=60, help='made noises of a kind')
    ap.add_argument('--workers', type=int, default=max(1, (os.cpu_count() or 2) - 2))
    ap.add_argument('--scale', type=float, default=1., help='takes at a time, beside the usual number')
    ap.add_argument('--resume', help='go on with the networks of this folder')
    ap.add_argument('--share', type=float, default=1., help='with --resume: keep so much of the way that was gone')
    ap.add_argument('--rate', type=float, default=3e-3, help='largest step')
    ap.add_argument('--measure', action='store_true', help='measure after fitting')
    args = ap.parse_args()
    {'fit': fit, 'measure': measure, 'clean': clean}[args.command](args)


if __name__ == '__main__':
    main()
