#!/usr/bin/env python3
"""Simulated takes for the surface model: a written part, a pupil who plays it (not always) as written, a room, a phone, noise.

    surface_takes.py --bank DIR --out FOLDER [--sets A B C T] [--scale S] [--kept DIR]

writes, for each set of recording families, FOLDER/SET-fit.npz and FOLDER/SET-dev.npz: the cut-out of every strike and what
there is to know about it. No family stands in two sets, so what is fitted on some can be tried on the others. With `--kept`
(what scripts/ear/pack.py --kept wrote) FOLDER/K-dev.npz as well: any things of one kit stand for the surfaces.

`take(rng, cupboard, noises, condition)` gives {"x", "at" (sample of each strike as an ear would place it), "truth" (index
of the surface struck, -1 for what is no strike of the part), "written" (as an aligner would tell it, -1 for none), "pass",
"kit", "condition"}.
"""
import argparse
import json
import sys
from math import gcd
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.fft import next_fast_len
from scipy.signal import fftconvolve, lfilter, resample_poly, sosfilt

sys.path.append(str(Path(__file__).parent.parent / "simulating" / "sounds"))
import phone  # noqa: E402
import rooms  # noqa: E402
from surface_kits import CLASSES, RATE, Cupboard, Whatever, made, recorded  # noqa: E402

CENTRE, RIM, CLICK, PAT, CLAP = range(5)
# How the takes of a condition differ from an ordinary one. `written`: surfaces of the part. `slips`: strikes on a wrong
# surface. `snr`: mean power of the first 50 ms of the median strike over the noise, dB.
ORDINARY = {"written": (CENTRE, RIM, CLICK), "slips": .02, "snr": (20, 45)}
CONDITIONS = {
    "clean 35 dB": {"slips": 0, "snr": (35, 35)},
    "clean 25 dB": {"slips": 0, "snr": (25, 25)},
    "clean 20 dB": {"slips": 0, "snr": (20, 20)},
    "slips": {"slips": .06},
    "rim and click alike": {"alike": True},
    "soft centre": {"soft": 10},
    "two sticks": {"sticks": True},
    "close strikes": {"ioi": (.10, .16)},
    "gain control, clipping": {"agc": True},
    "codec": {"codec": True},
    "warped": {"warp": .18},
    "one section wrong": {"wrong": "section"},
    "rim-click exchanged": {"map": [0, 2, 1, 3, 4]},
    "centre-click exchanged": {"map": [2, 1, 0, 3, 4]},
    "centre-rim exchanged": {"map": [1, 0, 2, 3, 4]},
    "all on centre": {"map": [0, 0, 0, 3, 4]},
    "two surfaces": {"written": 2},
    "one surface": {"written": 1},
    "three of a surface": {"few": 3},
    "strays": {"strays": 5},
    "pats and claps": {"written": (PAT, CLAP)},
    "surfaces and claps": {"written": (CENTRE, RIM, CLICK, CLAP)},
    "all five": {"written": (CENTRE, RIM, CLICK, PAT, CLAP)},
}
# Recording families of each set. T is for trying: no setting was chosen on it. "extra", its noises and rooms are there for
# trying only; the takes of T to fit on do without them.
SETS = {
    "A": ("avl-black", "tabla", "tr808"),
    "B": ("gmrock", "freepats"),
    "C": ("marching", "temple", "lmms"),
    "T": ("avl-red", "fluid", "timgm", "sonic-drum", "sonic-elec", "extra"),
}
# Samples of a cut-out before and after the strike: 34 ms and 80 ms, all that the features look at.
BEFORE, AFTER = 1500, 3528
# What an aligner that goes by time alone gets wrong: strikes given a neighbour's stroke, and strikes given none.
# Source: strike matched to its stroke .997 to .989 in simulated classes; doubled here.
MISPLACED, UNPLACED = .012, .01


def load_noises(folder, split):
    rows = [e for e in json.loads((folder / "noise.json").read_text()) if e["split"] == split]
    by = {}
    for e in rows:
        by.setdefault(e["kind"], []).append(folder / e["file"])
    return by


def coloured(rng, n):
    m = next_fast_len(n, real=True)
    f = np.fft.rfftfreq(m, 1 / RATE)
    tilt = rng.uniform(0, 1.2)
    x = np.fft.irfft(np.fft.rfft(rng.normal(0, 1, m)) / np.maximum(f, 50) ** tilt, m)[:n]
    return x / np.sqrt((x @ x) / n)


def background(rng, n, noises):
    if rng.random() < .35 or not noises:
        return coloured(rng, n)
    kinds = sorted(noises)
    files = noises[kinds[rng.integers(len(kinds))]]
    x, _ = sf.read(files[rng.integers(len(files))], dtype="float64")
    x = np.tile(x, -(-n // len(x)))
    k = int(rng.integers(len(x) - n + 1))
    x = x[k:k + n] + 1e-9 * rng.normal(0, 1, n)
    return x / np.sqrt((x @ x) / n) * .9 + .1 * coloured(rng, n)


def sections(rng, use):
    """Two or three sections of 2 bars of 8 cells: lists of (cell, surface)."""
    out = []
    for _ in range(int(rng.integers(2, 4))):
        weight = rng.dirichlet(np.full(len(use), 2.5)) + .08
        row = []
        for cell in range(16):
            if rng.random() < .82:
                row.append((cell, int(rng.choice(use, p=weight / weight.sum()))))
        out.append(row)
    return out


def part(rng, use, few=None):
    """Written surface, pass and cell of each stroke in order; `few`: so many strokes at least and at most of a rare surface."""
    rows = sections(rng, use)
    form = []
    while sum(len(rows[k]) for k in form) < 60:
        form += [int(rng.integers(len(rows)))] * int(rng.integers(1, 3))
    written, passes, cells = [], [], []
    for p, k in enumerate(form):
        for cell, s in rows[k]:
            written.append(s), passes.append(p), cells.append(16 * p + cell)
    written = np.array(written)
    if few:
        rare = int(rng.choice(use))
        rest = [u for u in use if u != rare]
        hit = np.flatnonzero(written == rare)
        keep = rng.permutation(hit)[:few]
        drop = np.setdiff1d(hit, keep)
        written[drop] = rng.choice(rest, len(drop))
        if len(keep) < few:
            other = np.flatnonzero(written != rare)
            written[rng.permutation(other)[:few - len(keep)]] = rare
    return written, np.array(passes), np.array(cells), form


def played(rng, written, passes, form, rule, use):
    """What the pupil struck."""
    truth = written.copy()
    if rule.get("map"):
        truth = np.array(rule["map"])[truth]
    if rule.get("wrong") == "section":
        p = int(rng.integers(len(form)))
        every = np.isin(passes, [i for i, k in enumerate(form) if k == form[p]])
        here = every if rng.random() < .4 and every.mean() < .6 else passes == p
        present = sorted(set(written[here].tolist()))
        a = int(rng.choice(present))
        b = int(rng.choice([u for u in use if u != a]))
        kind = rng.random()
        if kind < .55:
            truth[here & (written == a)] = b
        elif kind < .85:
            truth[here & (written == a)], truth[here & (written == b)] = b, a
        else:
            truth[here] = b
    slip = rng.random(len(truth)) < rule["slips"]
    for k in np.flatnonzero(slip):
        others = [u for u in (use if len(use) > 1 else (CENTRE, RIM, CLICK)) if u != truth[k]]
        truth[k] = int(rng.choice(others))
    return truth


def struck(rng, shots, hard, tilt_db, pitch, blur=.25):
    """One strike: the layer nearest to `hard`, tilted and shifted."""
    want = hard + rng.normal(0, blur)
    x, at, _ = shots[int(np.argmin([abs(s[2] - want) + rng.uniform(0, .05) for s in shots]))]
    n = int((len(x) - 1) / pitch)
    x = np.interp(np.arange(n) * pitch, np.arange(len(x)), x)
    tilt_db += -4 * (1 - hard) if len(shots) == 1 else 0  # a soft blow is duller; layers hold that already
    c = np.exp(-2 * np.pi * 1500 / RATE)
    low = lfilter([1 - c], [1, -c], x)
    return low * 10 ** (-tilt_db / 40) + (x - low) * 10 ** (tilt_db / 40), int(round(at / pitch))


def warped(rng, kit, amount):
    """Each object as if it were another: pitch, decay and colour changed for good."""
    out = {}
    for cls, o in kit.items():
        pitch = np.exp(rng.normal(0, amount))
        fall = rng.uniform(0, 14) if rng.random() < .6 else 0  # further decay, 1/s
        eq = np.array([phone.peaking(rng.uniform(-5, 5), np.exp(rng.uniform(np.log(150), np.log(9000))), rng.uniform(.5, 2))
                       for _ in range(2)])
        shots = []
        for x, at, layer in o["shots"]:
            x = np.interp(np.arange(int((len(x) - 1) / pitch)) * pitch, np.arange(len(x)), x)
            at = int(round(at / pitch))
            x = x * np.exp(-fall * np.maximum(0, np.arange(len(x)) - at) / RATE)
            shots.append((sosfilt(eq, x), at, layer))
        out[cls] = {**o, "shots": shots}
    return out


def near_rim(rng, kit):
    """A share of the kits: the rim stroke touches the head as well, or the whole drum answers to it."""
    if rng.random() < .25:
        g = 10 ** (-rng.uniform(6, 22) / 20)
        body = kit["centre"]["shots"]
        shots = []
        for x, at, layer in kit["rim"]["shots"]:
            b, bat, _ = body[int(np.argmin([abs(s[2] - layer) for s in body]))]
            y = x.copy()
            k = at - bat
            lo, hi = max(0, k), min(len(y), k + len(b))
            y[lo:hi] += g * b[lo - k:hi - k]
            shots.append((y, at, layer))
        kit = {**kit, "rim": {**kit["rim"], "shots": shots}}
    return kit


def take(rng, cupboard, noises, condition, made_share=.3, room=None, any_warp=True):
    rule = {**ORDINARY, **CONDITIONS[condition]}
    use = rule["written"]
    if isinstance(use, int):
        use = tuple(sorted(rng.choice(3, use, replace=False).tolist()))
    kit = cupboard.kit(rng, made_share)
    if rule.get("alike"):
        o = cupboard.pick("click", rng) if rng.random() > made_share else made("click", rng)
        kit["rim"] = o
        if kit["click"]["source"] == o["source"]:
            kit["click"] = made("click", rng)
    if any_warp:
        kit = warped(rng, kit, rule["warp"]) if "warp" in rule or rng.random() < .4 and rule.setdefault("warp", .08) else kit
        kit = near_rim(rng, kit)
    written, passes, cells, form = part(rng, use, rule.get("few"))
    truth = played(rng, written, passes, form, rule, use)
    step = rng.uniform(.17, .42)
    lo, hi = rule.get("ioi", (step, step))
    if "ioi" in rule:
        times = .6 + np.cumsum(rng.uniform(lo, hi, len(truth)))
    else:
        times = .6 + cells * step + rng.normal(0, .012, len(truth))
    surface_db = rng.uniform(-8, 0, 5)
    surface_db[CENTRE] = surface_db[CENTRE] if "soft" not in rule else surface_db.min() - rule["soft"]
    swell = rng.uniform(0, 7) * np.sin(np.cumsum(rng.normal(0, .25, len(truth))))
    hard = np.clip(.6 + swell / 16 + rng.normal(0, .15, len(truth)), 0, 1)
    db = surface_db[truth] + swell + rng.normal(0, 2, len(truth))
    hands = (np.arange(len(truth)) % 2) * (1 if rule.get("sticks") else .25)
    stick_pitch, stick_tilt = np.exp(rng.normal(0, .05)), rng.normal(0, 3)
    stray = np.zeros(len(truth), bool)
    if rule.get("strays"):
        n = rule["strays"]
        gaps = rng.choice(len(times) - 1, n, replace=False)
        extra = times[gaps] + (times[gaps + 1] - times[gaps]) * rng.uniform(.35, .65, n)
        times, truth, written = np.r_[times, extra], np.r_[truth, np.full(n, -1)], np.r_[written, np.full(n, -1)]
        db, hard, hands = np.r_[db, rng.uniform(-12, -2, n)], np.r_[hard, rng.uniform(0, 1, n)], np.r_[hands, np.zeros(n)]
        passes, stray = np.r_[passes, np.full(n, -1)], np.r_[stray, np.ones(n, bool)]
        order = np.argsort(times)
        times, truth, written, db, hard, hands, passes, stray = (
            v[order] for v in (times, truth, written, db, hard, hands, passes, stray))
    # No two strikes of a child are alike: a little in most takes, a lot in some.
    restless = rng.uniform(.3, 1) if rng.random() < .6 else rng.uniform(1, 3)
    stray_stick = rng.random() < .15  # centre strokes that touch the rim
    n = int((times[-1] + 1.2) * RATE)
    dry = np.zeros(n + RATE)
    onset = np.round(times * RATE).astype(int)
    for k, s in enumerate(truth):
        shots = kit[CLASSES[s]]["shots"] if s >= 0 else made(CLASSES[int(rng.integers(5))], rng)["shots"]
        pitch = np.exp(rng.normal(0, .004) + hands[k] * np.log(stick_pitch))
        double = s >= 0 and rng.random() < .06
        for late in (0, int(abs(rng.normal(0, .008)) * RATE))[:1 + double]:
            x, at = struck(rng, shots, hard[k], rng.normal(0, .8) + hands[k] * stick_tilt, pitch)
            x = sosfilt(np.array([phone.peaking(rng.normal(0, restless), np.exp(rng.uniform(np.log(150), np.log(9000))),
                                                rng.uniform(.5, 2)) for _ in range(2)]), x) * 10 ** (db[k] / 20)
            a = onset[k] - at + late
            dry[a:a + len(x)] += x[:len(dry) - a]
            if s == CENTRE and stray_stick:
                x, at = struck(rng, kit["rim"]["shots"], hard[k], 0, 1.0)
                x = x * 10 ** ((db[k] - rng.uniform(8, 25)) / 20)
                a = onset[k] - at + late
                dry[a:a + len(x)] += x[:len(dry) - a]
    h = room if room is not None and rng.random() < .5 else rooms.shoebox(rng) if rng.random() < .85 else np.ones(1)
    wet = fftconvolve(dry, h)[:n]
    level = np.median([np.mean(wet[o:o + int(.05 * RATE)] ** 2) for o in onset])
    snr = rng.uniform(*rule["snr"])
    x = wet + background(rng, n, noises) * np.sqrt(level * 10 ** (-snr / 10))
    p = phone.draw(rng)
    p["codec"] = None
    if rule.get("agc"):
        p["agc"] = {"attack_s": rng.uniform(.005, .02), "release_s": rng.uniform(.2, 1.2), "ratio": rng.uniform(.4, .9), "range_db": 18}
        p["clip"] = {"over_db": rng.uniform(3, 12), "soft": bool(rng.random() < .5)}
    if rule.get("codec"):
        p["rate"] = 48_000
        p["codec"] = {"name": str(rng.choice(list(phone.CODECS))), "kbps": int(rng.choice([32, 48, 64]))}
    y, rate = phone.apply(x, p)
    if rate != RATE:
        g = gcd(rate, RATE)
        y = resample_poly(y, RATE // g, rate // g)
    # As the ear places them: .25 ms, one in twenty worse.
    miss = rng.normal(0, 1, len(times)) * np.where(rng.random(len(times)) < .05, 1.5e-3, 2.5e-4)
    at = np.clip(np.round((onset / RATE + miss) * RATE), 0, len(y) - 1).astype(int)
    told = written.copy()
    for k in np.flatnonzero(rng.random(len(told)) < MISPLACED):
        told[k] = written[np.clip(k + rng.choice([-1, 1]), 0, len(told) - 1)]
    told[rng.random(len(told)) < UNPLACED] = -1
    told[stray] = -1
    return {"x": y.astype(np.float32), "at": at, "truth": truth, "written": told,
            "pass": np.where(told >= 0, passes, -1), "condition": condition,
            "kit": {cls: kit[cls]["source"] for cls in CLASSES},
            "family": [kit[cls]["family"] for cls in CLASSES], "form": form}


def fit_condition(rng):
    """Takes to fit means and spreads on: every surface in each, recorded in every way."""
    CONDITIONS["fit"] = {"written": (CENTRE, RIM, CLICK, PAT, CLAP), "slips": 0, "snr": (18, 45)}
    for name, value, share in (("soft", 8, .1), ("sticks", True, .15), ("ioi", (.11, .18), .1), ("agc", True, .1),
                               ("codec", True, .1), ("alike", True, .06), ("warp", .15, .3)):
        if rng.random() < share:
            CONDITIONS["fit"][name] = value
    return "fit"


def cut_outs(x, at):
    """Samples around each strike, zero beyond the ends, as whole numbers relative to the take's peak."""
    padded = np.r_[np.zeros(BEFORE), x, np.zeros(AFTER)]
    rows = np.stack([padded[a:a + BEFORE + AFTER] for a in at])
    return np.round(rows / (np.abs(x).max() + 1e-12) * 32_000).astype(np.int16)


def write(path, takes):
    keys = ("truth", "written", "pass")
    np.savez(path, cut=np.concatenate([t["cut"] for t in takes]), count=np.array([len(t["truth"]) for t in takes]),
             **{k: np.concatenate([t[k] for t in takes]) for k in keys}, condition=np.array([t["condition"] for t in takes]),
             source=np.array([[t["kit"][c] for c in CLASSES] for t in takes]), family=np.array([t["family"] for t in takes]))


def takes_of(path, conditions, make):
    takes = []
    for c in conditions:
        t = make(c)
        t["cut"] = cut_outs(t.pop("x"), t["at"])
        takes.append(t)
    write(path, takes)
    print(path.stem, len(takes), "takes", sum(len(t["truth"]) for t in takes), "strikes", flush=True)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--bank", type=Path, required=True)
    ap.add_argument("--out", type=Path, required=True)
    ap.add_argument("--store", type=Path)
    ap.add_argument("--sets", nargs="*", default=list(SETS))
    ap.add_argument("--scale", type=float, default=1.0, help="share of the usual number of takes")
    ap.add_argument("--seed", type=int, default=0)
    ap.add_argument("--kept", type=Path)
    args = ap.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    if args.kept:
        rng, cupboard, noises = np.random.default_rng([args.seed, ord("K")]), Whatever(args.kept), load_noises(args.bank, "test")
        trying = [c for c in CONDITIONS if "exchanged" not in c for _ in range(int(args.scale * 24))]
        takes_of(args.out / "K-dev.npz", trying, lambda c: take(rng, cupboard, noises, c, made_share=0))
    every = Cupboard(recorded(args.bank, args.store))
    measured = [sf.read(args.bank / e["file"])[0] for e in json.loads((args.bank / "rooms.json").read_text())]
    for name in args.sets:
        held = name == "T"
        measured_room = rooms.measured(measured[0], 3.0) if held and measured else None
        rng = np.random.default_rng([args.seed, ord(name[0])])
        jobs = {"fit": [None] * int(args.scale * 350),
                "dev": [c for c in list(CONDITIONS) if c != "fit" for _ in range(int(args.scale * (40 if held else 16)))]}
        for kind, conditions in jobs.items():
            trying = held and kind == "dev"
            cupboard = every.only(lambda o: o["family"] in SETS[name] and (trying or o["family"] != "extra"))
            noises = load_noises(args.bank, "test" if trying else "train")
            room = measured_room if trying else None
            takes_of(args.out / f"{name}-{kind}.npz", conditions, lambda c: take(
                rng, cupboard, noises, c or fit_condition(rng), made_share=.15 if held and c else .35, room=room))


if __name__ == "__main__":
    main()
