#!/usr/bin/env python3
"""Makes takes: strikes at known times in a room, on a phone, against noise.

    takes.py --bank DIR --out DIR --style rand|std --split train --seeds 0:300
    takes.py --bank DIR --out DIR --style events --events LIST.json --seeds 0:1

Split "all" is the recorded material of both splits, for a last fit after measuring.
Each take is a wav file and a json file of the same name with its true strike
times. A take depends on nothing but its seed, split, style and the bank.
"""
import argparse
import json
import os
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.signal import fftconvolve, resample_poly, sosfilt

import noises
import phone as phones
import rooms
import strikes
from strikes import attack_at

RATE = 44_100
CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "pailbeat"
CLASSES = ("centre", "rim", "click", "pat", "clap")
# Class levels re the centre, dB: what a phone at arm's length hears (common practice).
TRIM = {"centre": 0, "rim": -3, "click": -6, "pat": -8, "clap": -4}
# Share of surfaces made from damped modes, by whether the takes are for testing.
MADE = {False: .35, True: .12}
CONDITIONS = ("clean", "room", "room30", "room20", "room10")
STD_KINDS = ("rain", "sea-waves", "helicopter", "baby-cry", "fire-crackling", "clock-tick", "dog-bark", "person-sneeze")


class Bank:
    """The recorded material of one split.

    `only:KIT,KIT` holds the one-shots of those kits and the noises of the test
    split, `not:KIT,KIT` those of all other kits and the noises of the train split.
    """

    def __init__(self, folder, split):
        self.folder, self.split, self._wav = Path(folder), split, {}
        word, _, kits = split.partition(":")
        half = {"only": "test", "not": "train"}.get(word, split)
        self.testing = half == "test"

        def load(name):
            rows = json.loads((self.folder / name).read_text())
            if kits and name == "bank.json":
                return [r for r in rows if (r["kit"] in kits.split(",")) == self.testing and r["package"] != "extra"]
            # Local extra material is for measuring only, so "all" leaves it out.
            return [r for r in rows if r["split"] == half or half == "all" and r.get("package") != "extra"]
        self.noise = load("noise.json")
        self.rooms = load("rooms.json") if self.testing else []
        self.sources = {c: {} for c in CLASSES}
        for e in load("bank.json"):
            self.sources[e["class"]].setdefault(e["source"], []).append(e)

    def wav(self, file):
        if file not in self._wav:
            self._wav[file] = sf.read(self.folder / file)[0]
        return self._wav[file]

    def shots(self, cls, source):
        return [{"x": self.wav(e["file"]), "attack": e["attack"], "layer": e["layer"]}
                for e in self.sources[cls][source]]

    def pick_source(self, cls, rng):
        """A recording family first, then an object of it, so that large kits do not rule."""
        names = sorted(self.sources[cls])
        kits = sorted({n.split(":")[0] for n in names})
        kit = kits[rng.integers(len(kits))]
        mine = [n for n in names if n.startswith(kit + ":")]
        return mine[rng.integers(len(mine))]

    def clips(self, kind, extra_first=False):
        rows = [r for r in self.noise if r["kind"] == kind]
        if extra_first and any(r["package"] == "extra" for r in rows):
            rows = [r for r in rows if r["package"] == "extra"]
        return [self.wav(r["file"]) for r in rows]


def voice(bank, cls, rng, wide, made):
    """One struck surface: its source and a list of prepared one-shots, soft to hard."""
    if rng.random() < made or not bank.sources[cls]:
        v = strikes.strike_set(cls, rng)
    else:
        source = bank.pick_source(cls, rng)
        v = {"source": source, "shots": bank.shots(cls, source)}
    ratio = Fraction(1)
    if wide and rng.random() < .6:
        ratio = Fraction(int(100 * strikes.logu(rng, .62, 1.6)), 100)
    eq, decay = None, 0.0
    if wide and rng.random() < .65:
        eq = np.array([phones.peaking(rng.choice([1, -1]) * rng.uniform(3, 11), strikes.logu(rng, 150, 9000),
                                      rng.uniform(.6, 2.5)) for _ in range(int(rng.integers(1, 4)))])
    if wide and rng.random() < .35:
        decay = strikes.logu(rng, .015, .2)
    shots = v["shots"]
    if len(shots) > 8:
        keep = np.sort(rng.choice(len(shots), 8, replace=False))
        shots = [shots[k] for k in keep]
    out = []
    for s in shots:
        for copy in range(1 if len(shots) >= 4 else 4):
            r = ratio * (Fraction(1) if copy == 0 else Fraction(int(rng.integers(980, 1021)), 1000))
            r = r.limit_denominator(200)
            x, at = s["x"], s["attack"]
            if r != 1:
                x, at = resample_poly(x, r.numerator, r.denominator), at * float(r)
            if eq is not None:
                x = sosfilt(eq, x)
            if decay:
                x = x * np.exp(-np.clip(np.arange(len(x)) - at, 0, None) / RATE / decay)
            x = x[:int(1.2 * RATE)] * (.9 / np.abs(x).max())
            out.append({"x": x, "attack": attack_at(x, at), "layer": s["layer"]})
    v["shots"] = sorted(out, key=lambda s: s["layer"])
    return v


def draw_kit(bank, rng, wide=True, made=.35, classes=CLASSES):
    """A voice for each class, with its trim in dB and the tilt of each hand."""
    kit = {}
    for c in classes:
        v = voice(bank, c, rng, wide, made)
        v["trim"] = TRIM[c] + (rng.uniform(-3, 3) if wide else 0)
        v["hands"] = {"R": rng.uniform(-.1, .1), "L": rng.uniform(-.1, .1)}
        kit[c] = v
    return kit


def tilt(x, amount):
    """First-order brightness: below 0 duller, above 0 brighter; looks only back."""
    if abs(amount) < .02:
        return x
    lp = np.empty_like(x)
    lp[0] = x[0] * .5
    lp[1:] = .5 * (x[1:] + x[:-1])
    return lp + (1 + amount) * (x - lp) if amount > 0 else (1 + amount) * x - amount * lp


def lay(events, kit, n, rng):
    """The dry sum of all strikes; sets each event's `t_s` to its true attack."""
    dry = np.zeros(n)
    last = {}
    for e in events:
        v = kit[e["class"]]
        shots = v["shots"]
        want = np.clip(1 + e["gain_db"] / 24, 0, 1) * (len(shots) - 1)
        far = np.array([abs(k - want) + (9 if k == last.get(e["class"]) else 0) for k in range(len(shots))])
        k = int(np.argmin(far + rng.uniform(0, max(1.5, .4 * len(shots)), len(shots))))
        last[e["class"]] = k
        s = shots[k]
        bend = v["hands"].get(e.get("hand", "R"), 0) + rng.normal(0, .08) + np.clip(e["gain_db"], -26, 0) / 60
        x = tilt(s["x"], float(np.clip(bend, -.8, .5)))
        at = attack_at(x, s["attack"])
        first = int(round(e["t_s"] * RATE)) - at
        if first < 0:
            x, at, first = x[-first:], at + first, 0
        x = x[:max(0, n - first)]
        if not len(x):
            continue
        dry[first:first + len(x)] += x * 10 ** ((e["gain_db"] + v["trim"]) / 20)
        e["t_s"], e["source"] = (first + at) / RATE, v["source"]
    return dry


def strike_power(wet, events):
    """Mean power of the first 50 ms of the plain strikes (and of a grace note's main one)."""
    m = int(.05 * RATE)
    rows = [np.mean(wet[k:k + m] ** 2) for k in (int(e["t_s"] * RATE) for e in events
                                                 if e["role"] in ("plain", "main")) if k < len(wet)]
    return float(np.mean(rows)) if rows else .01


def vary(x, n, rng):
    """Another place, another microphone: `x` slowed or sped up, equalised, band-limited."""
    if rng.random() < .5:
        r = Fraction(int(rng.integers(70, 131)), 100)
        x = np.resize(resample_poly(x, r.numerator, r.denominator), n)
    if rng.random() < .5:
        x = sosfilt(np.array([phones.peaking(rng.uniform(-10, 10), strikes.logu(rng, 150, 9000), rng.uniform(.5, 2))
                              for _ in range(2)]), x)
    if rng.random() < .4:
        x = noises.low(x, strikes.logu(rng, 3000, 16000), int(rng.integers(1, 7)))
    return x


def draw_noise(bank, n, rng, made, kinds=None):
    """Unit-power noise: one kind, sometimes with a second one under it."""
    def one():
        x, name = plain()
        return (noises.unit(vary(x, n, rng)) if not bank.testing else x), name

    def plain():
        if rng.random() < made:
            kind = sorted(noises.MADE)[rng.integers(len(noises.MADE))]
            return noises.unit(noises.MADE[kind](n, rng)), "made:" + kind
        have = sorted({r["kind"] for r in bank.noise})
        kind = kinds[rng.integers(len(kinds))] if kinds else have[rng.integers(len(have))]
        clips = bank.clips(kind, extra_first=kinds is not None)
        if len(clips) > 3:
            clips = [clips[k] for k in rng.choice(len(clips), 3, replace=False)]
        return noises.recorded(clips, n, rng), kind
    x, name = one()
    if kinds is None and rng.random() < .2:
        y, other = one()
        x, name = noises.unit(x + y * 10 ** (rng.uniform(-10, 0) / 20)), name + "+" + other
    return x, name


def draw_room(bank, rng, drr_db=None):
    drr_db = rng.uniform(0, 14) if drr_db is None else drr_db
    if bank.rooms and rng.random() < .5:
        return rooms.measured(bank.wav(bank.rooms[rng.integers(len(bank.rooms))]["file"]), drr_db)
    return rooms.shoebox(rng, drr_db=drr_db)


def render(bank, events, kit=None, room="draw", noise="draw", snr=None, phone="draw", seed=0, tail_s=1.5):
    """Renders `events` (dicts `t_s`, `class`, `gain_db`, `role`, `hand`).

    `kit` as from `draw_kit`, or None to draw one. `room` an impulse response,
    "draw" or None; `noise` unit-power samples, "draw" or None; `snr` in dB or None
    for no noise; `phone` as from `phones.draw`, "draw" or None. Returns samples,
    rate, events with true times, and the noise's name.
    """
    rng = np.random.default_rng([seed, 4711])
    events = [dict(e, role=e.get("role", "plain"), gain_db=e.get("gain_db", 0.0)) for e in events]
    kit = draw_kit(bank, rng, made=MADE[bank.testing]) if kit is None else kit
    n = int((max((e["t_s"] for e in events), default=8) + tail_s) * RATE)
    x = lay(sorted(events, key=lambda e: e["t_s"]), kit, n, rng)
    if isinstance(room, str):
        room = draw_room(bank, rng)
    if room is not None:
        x = fftconvolve(x, room)[:n]
    name = None
    if snr is not None and noise is not None:
        if isinstance(noise, str):
            noise, name = draw_noise(bank, n, rng, .4)
        x = x + noise[:n] * np.sqrt(strike_power(x, events) * 10 ** (-snr / 10))
    else:
        x = x + rng.normal(0, 1e-4 * np.abs(x).max(), n)
    if isinstance(phone, str):
        phone = phones.draw(rng)
    if phone is None:
        y, rate = np.round(.7 * x / np.abs(x).max() * 32767) / 32767, RATE
    else:
        y, rate = phones.apply(x, phone)
    return y, rate, sorted(events, key=lambda e: e["t_s"]), name


def performance(rng, style, seed):
    """The events of one invented performance, and its tempo."""
    wide = style == "rand"
    bpm = rng.uniform(50, 180) if wide else (60, 80, 100, 120, 140, 160)[seed % 6]
    per = int(rng.choice([2, 2, 2, 3, 4])) if wide else 2
    step = 60 / bpm / per
    if wide and step < .07:
        step *= 2
    slots = int(rng.integers(4, 7)) * 8
    if wide:
        slots = int(np.clip(slots, 12, 16 / step))
    t0 = rng.uniform(.3, 2) if wide else 1.0
    phase = rng.uniform(0, 2 * np.pi)
    jitter = rng.uniform(4, 25) if wide else 12
    p_grace, p_skip, p_ghost = (.14, .16, rng.uniform(.05, .2)) if wide else (.10, .12, .12)
    odds = rng.dirichlet([4, 2, 2]) if wide else np.array([.5, .25, .25])
    odds = np.r_[odds, 0, 0]
    if wide and rng.random() < .4:
        odds = odds * .7
        odds[3:] = .3 * rng.dirichlet([1, 1])
    events, rest = [], 0
    for i in range(slots):
        if rest:
            rest -= 1
            continue
        if wide and rng.random() < .03:
            rest = int(rng.integers(2, 9))
        if rng.random() < p_skip:
            continue
        cls = CLASSES[rng.choice(5, p=odds)]
        dev = np.clip(rng.normal(0, jitter), -3 * jitter, 3 * jitter) / 1e3
        t = t0 + i * step + dev + .025 * np.sin(2 * np.pi * i / slots + phase)
        hand = "RL"[i % 2]
        if rng.random() < p_ghost:
            level, role = rng.uniform(-26, -18), "ghost"
        else:
            level, role = (rng.uniform(-4, 0) if i % 2 == 0 else rng.uniform(-12, -4)), "plain"
        if role == "plain" and rng.random() < p_grace:
            gap, under = rng.uniform(.015, .040), rng.uniform(-14, -4)
            if wide and rng.random() < .2:
                gap = rng.uniform(.04, .09)
            if wide and rng.random() < .2:
                under = rng.uniform(-4, 2)
            events.append({"t_s": t - gap, "class": cls, "gain_db": level + under, "role": "grace",
                           "hand": "LR"[i % 2]})
            role = "main"
        events.append({"t_s": t, "class": cls, "gain_db": level, "role": role, "hand": hand})
    events = [e for e in events if e["t_s"] > .05]
    events.sort(key=lambda e: e["t_s"])
    near = [e for a, e in zip([None] + events, events)
            if a is None or e["t_s"] - a["t_s"] > (.004 if "grace" in (a["role"], e["role"]) else .012)]
    return near, bpm, (t0 + slots * step)


def make(bank, seed, style, drr_db=None):
    """Yields (condition, samples, rate, description) of the takes of one seed."""
    rng = np.random.default_rng([seed, noises.seeded(bank.split), noises.seeded(style)])
    wide = style in ("rand", "quiet")
    events, bpm, end = performance(rng, style, seed)
    if wide and rng.random() < .03:
        events = []
    n = int((end + 1.5) * RATE)
    kit = draw_kit(bank, rng, wide, MADE[bank.testing] if wide else 0, CLASSES if wide else CLASSES[:3])
    dry = lay(events, kit, n, rng)
    wet = fftconvolve(dry, draw_room(bank, rng, None if wide else 6))[:n]
    power = strike_power(wet, events)
    if wide:
        noise, name = draw_noise(bank, n, rng, .15 if bank.testing else .5)
        conds = [str(rng.choice(["clean", "room"] if style == "quiet" else ["clean", "room", "room", "room50", "room40", "room30", "room25", "room20", "room20", "room15", "room10"]))]
    else:
        have = {r["kind"] for r in bank.noise}
        kinds = [STD_KINDS[seed % 8]] if STD_KINDS[seed % 8] in have else None
        noise, name = draw_noise(bank, n, rng, 0, kinds)
        conds = CONDITIONS
    phone = phones.draw(rng) if wide else None
    for cond in conds:
        x = dry if cond == "clean" else wet
        noisy = cond[4:].isdigit()
        if noisy:
            x = x + noise * np.sqrt(power * 10 ** (-float(cond[4:]) / 10))
        else:
            # A quiet room, down to a recorder that rounds it to digital silence.
            under = rng.uniform(-125, -70) if style == "quiet" else -80
            x = x + np.random.default_rng(seed).normal(0, 10 ** (under / 20), n)
        if phone:
            y, rate = phones.apply(x, phone)
        else:
            y, rate = np.round(.7 * x / np.abs(x).max() * 32767) / 32767, RATE
        yield cond, y, rate, {
            "seed": seed, "style": style, "split": bank.split, "cond": cond, "bpm": round(float(bpm), 2),
            "noise": name if noisy else None, "kit": {c: kit[c]["source"] for c in sorted({e["class"] for e in events})},
            "phone": phone, "rate": rate, "seconds": round(len(y) / rate, 3),
            "events": [{"t_s": round(e["t_s"], 6), "class": e["class"], "gain_db": round(float(e["gain_db"]), 2),
                        "role": e["role"], "hand": e["hand"], "source": e["source"]} for e in events]}


def write(out, name, samples, rate, about):
    sf.write(out / f"{name}.wav", samples, rate, subtype="PCM_16")
    (out / f"{name}.json").write_text(json.dumps(about) + "\n")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    ap.add_argument("--bank", type=Path, default=Path(os.environ.get("PAILBEAT_BANK", CACHE / "bank")))
    ap.add_argument("--out", type=Path, default=Path(os.environ.get("PAILBEAT_TAKES", CACHE / "takes")))
    ap.add_argument("--style", choices=("rand", "quiet", "std", "events"), default="rand")
    ap.add_argument("--split", default="train", help="train, test, all, only:KIT,KIT or not:KIT,KIT")
    ap.add_argument("--seeds", default="0:10", help="first:end")
    ap.add_argument("--events", type=Path, help="json list of events for --style events")
    ap.add_argument("--snr", type=float, help="for --style events")
    args = ap.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    bank = Bank(args.bank, args.split)
    split = args.split.replace(":", "-").replace(",", "-")
    first, end = map(int, args.seeds.split(":"))
    for seed in range(first, end):
        if args.style == "events":
            y, rate, events, noise = render(bank, json.loads(args.events.read_text()), snr=args.snr, seed=seed)
            write(args.out, f"events_{split}_{seed:04d}", y, rate,
                  {"seed": seed, "style": "events", "split": args.split, "noise": noise, "rate": rate, "events": events})
            continue
        for cond, y, rate, about in make(bank, seed, args.style):
            write(args.out, f"{args.style}_{split}_{seed:04d}_{cond}", y, rate, about)


if __name__ == "__main__":
    main()
