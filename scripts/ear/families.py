#!/usr/bin/env python3
"""Each family of struck things on its own, in silence, dry, in quiet rooms and in noise: the ear beside aubio and librosa at their best
settings.

    families.py --pack DIR --work DIR [--nets DIR] [--binary target/release/examples/dump_ear_features]

The pack of `pack.py --kept` holds things that no fit has met. Of the pack for fitting, with `--nets` (the folder of
`fit.py fit --folds K`), every family is heard by the network that never met it; without, by the one that
ships, which has met them all. A library's setting is the one that does best on the very takes, which favours it. Prints the worst
family first and exits 1 where a library hears more in quiet than the ear or tells fewer false strikes. Needs numpy, soundfile, torch, librosa,
safetensors, and aubio's command line.
"""
import argparse
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile as sf

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / 'measuring'))
import ear_figures  # noqa: E402

RATE = 44_100
# One strike after another; a performance without a room, in one, in one with noise 20 dB down.
STYLES = ('alone', 'dry', 'room', 'room20')
SECONDS, TAKES = 20.0, 4


def make(pack, work, families):
    import torch
    import plan as P
    from world import World
    world = World(pack, 'cpu', made=8, rooms=16, groups=[[f] for f in families], seed=41, clips=0)
    gen = torch.Generator().manual_seed(41)
    for k, family in enumerate(families):
        for style in STYLES:
            x, e = world.make(world.tester.batch(41, (SECONDS, TAKES, 0), style, k), gen)
            for i, y in enumerate(x.numpy()):
                mine = (e['take'] == i).numpy()
                plain = [P.ROLES[r] in ('plain', 'main') for r in e['role'].numpy()[mine]]
                rows = sorted(zip((e['at'].numpy()[mine] / RATE).tolist(), plain))
                sf.write(work / f'{family}_{style}_{i}.wav', y, RATE, subtype='PCM_24')
                (work / f'{family}_{style}_{i}.json').write_text(json.dumps(rows))


def figures(rows, heard):
    """Share of the plain strikes heard, false strikes a minute, over takes."""
    hits = plain = false = 0
    for truth, times in zip(rows, heard):
        pairs = ear_figures.match([t for t, _ in truth], times, .025)
        got = {i for i, _ in pairs}
        plain += sum(p for _, p in truth)
        hits += sum(truth[i][1] for i in got)
        false += len(times) - len(pairs)
    return hits / max(1, plain), false / (len(rows) * SECONDS / 60)


def aubio(files, method, threshold):
    out = []
    for wav in files:
        lines = subprocess.run(['aubioonset', '-i', wav, '-O', method, '-t', str(threshold)], capture_output=True, text=True, check=True).stdout
        out.append(np.array([float(v.split()[0]) for v in lines.splitlines() if v.strip()]))
    return out


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument('--pack', type=Path, required=True)
    ap.add_argument('--work', type=Path, required=True)
    ap.add_argument('--nets', type=Path)
    ap.add_argument('--weights', default='assets/ear.safetensors')
    ap.add_argument('--binary', default='target/release/examples/dump_ear_features')
    args = ap.parse_args()
    import librosa
    import place
    families = sorted({s['family'] for s in json.loads((args.pack / 'index.json').read_text())['shots']})
    args.work.mkdir(parents=True, exist_ok=True)
    if not list(args.work.glob('*.wav')):
        make(args.pack, args.work, families)
    groups = json.loads((args.nets / 'groups.json').read_text())['groups'] if args.nets else [families]
    rows, worse = [], []
    for k, group in enumerate(groups):
        weights = args.weights
        if args.nets:
            weights = str(args.work / f'without{k}.safetensors')
            place.joined(args.nets / f'without{k}.pt', args.weights, weights)
        for family in group:
            row = [family]
            for style in STYLES:
                files = sorted(args.work.glob(f'{family}_{style}_*.wav'))
                truth = [json.loads(f.with_suffix('.json').read_text()) for f in files]
                found = place.candidates(args.binary, weights, files)
                ours = figures(truth, [np.array([r[0] for r in take if r[2] > .5]) / RATE for take in found])
                theirs = [figures(truth, aubio(files, m, t)) for m in ('hfc', 'energy', 'complex', 'specflux') for t in (.1, .3, .6, 1.)]
                envelopes = [librosa.onset.onset_strength(y=sf.read(f)[0], sr=RATE, hop_length=256) for f in files]
                theirs += [figures(truth, [librosa.onset.onset_detect(onset_envelope=e, sr=RATE, hop_length=256, units='time', delta=d) for e in envelopes])
                           for d in (.02, .05, .1, .2, .3)]
                # The setting that hears most, and of these the one that tells fewest false ones.
                best = max(theirs, key=lambda f: (round(f[0], 3), -f[1]))
                row.append((ours, best))
                if style != 'room20' and (ours[0] < best[0] or (ours[1] > best[1] and ours[1] > 0)):
                    worse.append((family, style))
            rows.append(row)
    print('family'.ljust(18) + ''.join(f'{s + ": heard, false/min":>26s}{"best library":>18s}' for s in STYLES))
    for family, *cells in sorted(rows, key=lambda r: min(c[0][0] for c in r[1:])):
        print(family.ljust(18) + ''.join(f'{o[0]:18.3f} {o[1]:7.1f}{b[0]:11.3f} {b[1]:6.1f}' for o, b in cells))
    for k, style in enumerate(STYLES):
        ours = np.array([r[1 + k][0] for r in rows])
        print(style, 'mean %.4f, worst %.3f, false %.2f a minute' % (*(f(ours[:, 0]) for f in (np.mean, np.min)), ours[:, 1].mean()))
    print('in quiet a library does better in:', worse or 'none')
    sys.exit(bool(worse))


if __name__ == '__main__':
    main()
