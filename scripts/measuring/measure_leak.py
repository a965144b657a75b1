#!/usr/bin/env python3
"""Finds and takes out the guide in simulated takes with known truth; prints the table of figures.

    measure_leak.py --bank DIR [--work DIR] [--takes 40] [--only start,none,...] [--split test]

A take is a made performance of an invented part (real one-shots of the bank, a drawn room, noise), and the guide as
`pailbeat guide` writes it, played by a simulated loudspeaker (bands, resonances, distortion of second and third order)
in another drawn room, by a device whose clock is the recorder's own ("same") or another's ("other": up to 300 ppm apart
and wandering by 5 ppm). The leak's level is the mean power of a click's first 50 ms against that of a plain strike.

Depth is the leak's energy over that of what differs from the same take without it. What noise and strikes leave in the mean
of a take's clicks bounds what can be learnt of a faint leak: with leak power P and noise power N in a bin and n clicks of a
kind, averaging leaves P N / (P n + N). That is printed beside ("room for"), N being the logarithmic mean of the take without
leak over the clicks. It is a yardstick, not a limit: both kinds of click together tell more, and reached depth may pass it.
"""
import argparse
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.signal import butter, fftconvolve, sosfilt

sys.path.insert(0, str(Path(__file__).parent.parent / "simulating" / "sounds"))
import phone as phones  # noqa: E402
import takes  # noqa: E402

RATE = 44_100
CELLS = "ox+"
CLASS = {"o": "centre", "x": "rim", "+": "click"}


class Bench:
    def __init__(self, a):
        self.bank, self.work = takes.Bank(a.bank, a.split), Path(a.work)
        self.work.mkdir(parents=True, exist_ok=True)
        self.pailbeat, self.tool = a.binary, a.tool

    def part(self, rng, bars):
        """An invented part: text and its strokes as (beat, class)."""
        rows = []
        for _ in range(4):
            row = "".join(rng.choice(list("ox+."), p=[.38, .22, .1, .3]) for _ in range(8))
            rows.append("o" + row[1:4] + " " + row[4:])
        rows[3] = rows[3][:5] + ".o--"
        text = ('title = "Bench"\nmeter = "4/4"\nbpm = { start = 50, goal = 180 }\nform = "' + " ".join("A" * (bars // 4)) +
                '"\n[sections.A]\nstrokes = "' + " | ".join(rows) + '"\n')
        once = [(4 * b + k / 2, CLASS[c]) for b, row in enumerate(rows)
                for k, c in enumerate(row.replace(" ", "")) if c in CLASS]
        return text, [(16 * n + beat, c) for n in range(bars // 4) for beat, c in once]

    def guide(self, part, bpm, play, name):
        out = self.work / f"{name}-guide.wav"
        run = subprocess.run([self.pailbeat, "guide", part, "--bpm", str(bpm), "--play", play, "--out", out, "--json"],
                             capture_output=True, text=True, check=True)
        return sf.read(out)[0], json.loads(run.stdout)

    def speaker(self, x, rng):
        x = x / np.abs(x).max()
        sos = np.vstack([butter(2, rng.uniform(250, 500), "high", fs=RATE, output="sos"),
                         butter(2, rng.uniform(7000, 14000), "low", fs=RATE, output="sos")] +
                        [phones.peaking(rng.uniform(-7, 7), np.exp(rng.uniform(np.log(500), np.log(7000))),
                                        rng.uniform(.7, 4)) for _ in range(3)])
        x = sosfilt(sos, x)
        x /= np.abs(x).max()
        return x - rng.uniform(.02, .15) * x ** 3 + rng.uniform(0, .05) * x ** 2

    def skewed(self, x, ppm, wander, rng, start, n):
        """`x` as a recorder hears it whose clock runs `ppm` fast; its first sample at `start` seconds. Also the clock."""
        t = np.arange(-2 * RATE, n + 2 * RATE, RATE // 10) / RATE
        period, phase = rng.uniform(20, 60), rng.uniform(0, 6.28)
        drift = wander * 1e-6 * period / 6.2832 * (np.sin(6.2832 * t / period + phase) - np.sin(phase))
        clock = lambda g: start + g * (1 + ppm * 1e-6) + np.interp(g, t, drift)
        grid = np.arange(-int(abs(start) * RATE) - RATE, n + RATE) / RATE
        place = np.interp(np.arange(n) / RATE, clock(grid), grid) * RATE
        k = np.floor(place).astype(int)
        f, out = place - k, np.zeros(n)
        xp = np.r_[np.zeros(40), x, np.zeros(40)]
        for m in range(-31, 33):
            taps = np.sinc(m - f) * np.cos(np.pi * (m - f) / 66) ** 2
            out += xp[np.clip(k + m + 40, 0, len(xp) - 1)] * taps
        return out, clock

    def take(self, seed, leak_db, bars=8, play="click", other=None, snr="draw", cut=True, player=True, soft=None,
             bpm=None, leak=True, quiet=None, jitter=None):
        """Writes a take; returns its truth. `soft`: level in dB of extra soft strokes near clicks."""
        rng = np.random.default_rng([seed, 99])
        name = f"t{seed}"
        bpm = int(rng.integers(60, 131)) if bpm is None else bpm
        text, strokes = self.part(rng, bars)
        part = self.work / f"{name}.toml"
        part.write_text(text)
        x, about = self.guide(part, bpm, play, name)
        other = bool(rng.random() < .5) if other is None else other
        ppm, wander = (rng.uniform(-300, 300), 5.0) if other else (0.0, 0.0)
        start, beat = rng.uniform(.2, 2.5), 60 / bpm
        n = int((start + len(x) / RATE + 1) * RATE)
        x = fftconvolve(self.speaker(x, rng), takes.draw_room(self.bank, rng))
        x, clock = self.skewed(x, ppm, wander, rng, start, n)
        bias, sd = rng.uniform(-.03, .03), rng.uniform(.006, .02) if jitter is None else jitter
        due = [(float(clock(about["start_s"] + b * beat)), c) for b, c in strokes]
        events = [{"t_s": t + bias + rng.normal(0, sd), "class": c, "gain_db": float(rng.uniform(-9, 0)),
                   "role": "plain"} for t, c in due]
        extra = []
        if soft is not None:
            near = np.array([e["t_s"] for e in events])
            for k in range(4, bars * 4):
                t = float(clock(about["start_s"] + k * beat)) + rng.uniform(-.02, .04)
                if np.abs(near - t).min() > .09 and rng.random() < .5:
                    extra.append({"t_s": t, "class": "centre", "gain_db": soft, "role": "soft"})
        if snr == "draw":
            snr = rng.uniform(20, 40)
        y, _, heard, _ = takes.render(self.bank, events + extra, snr=snr, phone=None, seed=seed, tail_s=30)
        y = np.pad(y, (0, max(0, n - len(y))))[:n]
        power = takes.strike_power(y, heard)
        if not player:
            y, heard = np.zeros(n), []
            noise = rng.normal(0, 1, n) if quiet is None else quiet
            y += noise[:n] * (1e-4 if quiet is None else np.sqrt(power * 10 ** (-snr / 10)))
        # Power of the guide at its clicks (or strokes).
        firsts = [int(float(clock(about["start_s"] + b * beat)) * RATE) for b in range(4 * bars)]
        lows = [np.mean(x[k:k + 2205] ** 2) for k in firsts if k + 2205 < n]
        x *= np.sqrt(power / np.median(lows)) * 10 ** (leak_db / 20)
        if not leak:
            x *= 0
        # A part of the recording only.
        first, last = 0, n
        if cut and rng.random() < .3:
            if rng.random() < .5:
                first = int(rng.uniform(.05, .4) * n)
            else:
                last = int(rng.uniform(.6, .95) * n)
        scale = .8 / max(np.abs(x + y).max(), .8)
        cut_to = lambda v: (v * scale)[first:last]
        here = [e for e in heard if first < e["t_s"] * RATE < last - RATE // 10]
        for e in here:
            e["t_s"] -= first / RATE
        at = lambda g: float(clock(g)) - first / RATE
        return {"name": name, "part": str(part), "bpm": bpm, "play": play, "other": other, "ppm": ppm,
                "dry": cut_to(y), "leak": cut_to(x), "start_s": at(0.0), "at": at, "heard": here,
                "beat1_s": about["start_s"], "length_s": about["start_s"] + bars * 4 * beat, "due": due}

    def write(self, take, samples, tag):
        path = self.work / f"{take['name']}-{tag}.wav"
        sf.write(path, samples, RATE, subtype="FLOAT")
        return path

    def run(self, rows):
        """Rows of (part, bpm, heard, take, left)."""
        lines = "\n".join("\t".join(map(str, (p, b, "-", h, t, left))) for p, b, h, t, left in rows) + "\n"
        out = subprocess.run([self.tool], input=lines, capture_output=True, text=True, check=True).stdout
        return [json.loads(line) for line in out.splitlines()]


def score(true, said, tolerance=.010):
    """One-to-one, nearest first: hits, number true, number said."""
    true, said = np.sort(true), np.sort(said)
    pairs = sorted((abs(a - b), i, j) for i, a in enumerate(true) for j, b in enumerate(said) if abs(a - b) <= tolerance)
    used_i, used_j = set(), set()
    for _, i, j in pairs:
        if i not in used_i and j not in used_j:
            used_i.add(i)
            used_j.add(j)
    return len(used_i), len(true), len(said)


def f_of(rows):
    hit, true, said = np.sum(rows, axis=0)
    return 2 * hit / max(true + said, 1)


def depth(take, left_path):
    left = sf.read(left_path)[0]
    n = min(len(left), len(take["leak"]))
    err = left[:n] - take["dry"][:n]
    return 10 * np.log10(np.sum(take["leak"][:n] ** 2) / max(np.sum(err ** 2), 1e-20))


def room_for(take):
    """The depth that averaging could reach in this take, in dB: see above."""
    size, hop = 512, 256
    window = np.hanning(size)

    def powers(x):
        return np.abs(np.fft.rfft(np.lib.stride_tricks.sliding_window_view(x, size)[::hop] * window, axis=1)) ** 2
    beat = 60 / take["bpm"]
    length, n = int(min(1.15, .98 * beat) * RATE), len(take["leak"])
    places = [(k % 4, int(take["at"](take["beat1_s"] + k * beat) * RATE) - 100) for k in range(-8, int(take["length_s"] / beat))]
    places = [(k, at, np.sum(take["leak"][at:at + 6615] ** 2)) for k, at in places if 0 <= at < n - length]
    middle = np.median([e for _, _, e in places]) if places else 0
    before = after = 0.0
    for kind in (lambda k: k == 0, lambda k: k != 0):
        mine = [at for k, at, e in places if kind(k) and e > .01 * middle]
        if not mine:
            continue
        leak = np.mean([powers(take["leak"][at:at + length]) for at in mine], axis=0)
        noise = np.exp(np.mean([np.log(powers(take["dry"][at:at + length]) + 1e-20) for at in mine], axis=0)).mean(axis=0)
        noise = noise * 1.78 / len(mine)  # exp(.577): a logarithmic mean of noise lies so far below its mean
        before += len(mine) * leak.sum()
        after += len(mine) * (leak * noise / (leak + noise)).sum()
    return 10 * np.log10(before / after) if after else float("nan")


def deepness(rows, what):
    """Prints depth, (device, reached, room for), of some takes."""
    for other, word in ((False, "same"), (True, "other")):
        v = np.array([r[1:] for r in rows if r[0] == other])
        if not len(v):
            continue
        far = v[v[:, 1] >= 28, 0]
        line = lambda x: (f"median {np.median(x):.1f}, nine of ten {np.percentile(x, 10):.1f}, worst {x.min():.1f} "
                          f"({len(x)} takes)" if len(x) else "none")
        print(f"| {what}, {word} device, dB | {line(v[:, 0])} |")
        print(f"|   room for, by averaging | {line(v[:, 1])}; reached where there is room for 28 dB: {line(far)}; nine of ten "
              f"come within {np.percentile(v[:, 1] - v[:, 0], 90):.1f} dB of it |")


def start(b, n):
    """Where the guide begins; how deep it is taken out."""
    errors, found, deep, ppm, zs = [], [], [], [], []
    for seed in range(1000, 1000 + n):
        rng = np.random.default_rng(seed)
        take = b.take(seed, -rng.uniform(0, 30), bars=int(rng.choice([8, 8, 12])))
        wav, left = b.write(take, take["dry"] + take["leak"], "mix"), b.work / "left.wav"
        out, = b.run([(take["part"], take["bpm"], "click", wav, left)])
        zs.append(out["z"])
        if not out["heard"]:
            print(f"  {take['name']}: not found, z {out['z']:.1f}")
            continue
        middle = take["length_s"] / 2
        errors.append(abs(out["start_s"] - take["start_s"]) * 1e3)
        found.append(abs(out["found_start_s"] - take["start_s"]) * 1e3)
        ppm.append(abs(out["skew_ppm"] - take["ppm"]))
        ends = [abs(a - take["at"](g)) * 1e3 for a, g in zip(out["ends_s"], (take["beat1_s"], take["length_s"]))]
        errors[-1] = max(errors[-1], *ends)
        deep.append((take["other"], depth(take, left), room_for(take)))
        print(f"  {take['name']}: z {out['z']:.0f} start {errors[-1]:.3f} (found {found[-1]:.3f}) ms "
              f"{deep[-1][1]:.1f} dB of {deep[-1][2]:.1f} {'other' if take['other'] else 'same'}", file=sys.stderr)
    q = lambda v, p: float(np.percentile(v, p)) if len(v) else float("nan")
    print(f"| guide found, leak 0 to -30 dB | {len(errors)} of {n}, z {min(zs):.0f} to {max(zs):.0f} |")
    print(f"| worst of start, beat 1 and end against truth, ms | p50 {q(errors, 50):.3f}, p95 {q(errors, 95):.3f}, "
          f"p99 {q(errors, 99):.3f}, max {q(errors, 100):.3f}; by matching alone p99 {q(found, 99):.3f} |")
    print(f"| skew, ppm | p50 {q(ppm, 50):.1f}, p99 {q(ppm, 99):.1f} |")
    deepness(deep, "leak taken out, 0 to -30 dB")


def none(b, n):
    """Takes at the guide's tempo without a guide."""
    zs = []
    for seed in range(3000, 3000 + n):
        take = b.take(seed, -60, leak=False, jitter=.003 if seed % 2 else None, cut=False)
        wav = b.write(take, take["dry"], "mix")
        out = b.run([(take["part"], take["bpm"], play, wav, "-") for play in ("click", "part")])
        zs.append([o["z"] for o in out])
        os.remove(wav)
    zs = np.array(zs)
    print(f"| takes at the guide's tempo without a guide: taken for one | click {int((zs[:, 0] > 11).sum())}, part "
          f"{int((zs[:, 1] > 11).sum())} of {n}; z p50 {np.percentile(zs, 50):.1f}, p99 {np.percentile(zs, 99):.1f}, max "
          f"{zs.max(axis=0)[0]:.1f}, {zs.max(axis=0)[1]:.1f} |")


def strikes(b, n, first=5000, leak_db=-6, play="click", change=None, tag="", goal=""):
    """F at 10 ms with the leak taken out, beside the same take without."""
    rows = {"dry": [], "leak": [], "out": []}
    deep = []
    for seed in range(first, first + n):
        take = b.take(seed, leak_db, play=play)
        mix, dry = take["dry"] + take["leak"], take["dry"]
        left = b.work / "left.wav"
        if change is not None:
            mix, dry = change(mix, seed), change(dry, seed)
        wavs = b.write(take, mix, "mix"), b.write(take, dry, "dry")
        out = b.run([(take["part"], take["bpm"], play, wavs[0], left), (take["part"], take["bpm"], "none", wavs[1], "-"),
                     (take["part"], take["bpm"], "none", wavs[0], "-")])
        true = [e["t_s"] for e in take["heard"]]
        if not out[0]["heard"]:
            print(f"  {take['name']}: not found")
            out[0]["strikes"] = out[2]["strikes"]
        elif change is None:
            deep.append((take["other"], depth(take, left), room_for(take)))
        for key, o in zip(("out", "dry", "leak"), out):
            rows[key].append(score(true, o["strikes"]))
        print(f"  {take['name']} bpm {take['bpm']}: dry {rows['dry'][-1]} leak {rows['leak'][-1]} out {rows['out'][-1]} "
              f"hides {len(out[0].get('hides', []))}", file=sys.stderr)
    f = {k: f_of(v) for k, v in rows.items()}
    print(f"| F at 10 ms, {play} guide at {leak_db} dB{tag}, {n} takes, {np.sum(rows['dry'], axis=0)[1]} strikes | without leak "
          f"{f['dry']:.4f}, with {f['leak']:.4f}, taken out {f['out']:.4f} (loss {f['dry'] - f['out']:.4f}); found "
          f"{np.sum(rows['out'], axis=0)[0]}, extra {np.subtract(*np.sum(rows['out'], axis=0)[[2, 0]])} for "
          f"{np.sum(rows['dry'], axis=0)[0]} and {np.subtract(*np.sum(rows['dry'], axis=0)[[2, 0]])}"
          + " |")
    deepness(deep, f"leak taken out, {play} guide at {leak_db} dB")


def codecs(b, n):
    for codec, kbps, seed in (("opus", 32, 6000), ("aac", 64, 6500)):
        strikes(b, n, first=seed, tag=f", {codec} {kbps} kbit/s",
                change=lambda x, s, c=codec, k=kbps: phones.through_codec(x, RATE, c, k))

    def gain(x, seed):
        rng = np.random.default_rng([seed, 5])
        y = phones.gain_control(x, .010, rng.uniform(.3, 1.5), rng.uniform(.3, .85), rng.uniform(6, 24))
        return .8 * y / max(np.abs(y).max(), .8)
    strikes(b, n, first=7000, tag=", gain control", change=gain)


def soft(b, n):
    """Soft strokes at clicks: found with the leak taken out, of those found without leak."""
    for level in (-15, -21, -27):
        dry = out_of = both = 0
        for seed in range(8000, 8000 + n):
            take = b.take(seed, -6, soft=level, snr=40, cut=False)
            wavs = b.write(take, take["dry"] + take["leak"], "mix"), b.write(take, take["dry"], "dry")
            out = b.run([(take["part"], take["bpm"], "click", wavs[0], "-"),
                         (take["part"], take["bpm"], "none", wavs[1], "-")])
            for e in take["heard"]:
                if e["role"] == "soft":
                    a, c = [any(abs(t - e["t_s"]) <= .010 for t in o["strikes"]) for o in out]
                    dry, out_of, both = dry + c, out_of + a, both + (a and c)
        print(f"| soft strokes at clicks, {level} dB, leak -6 dB | {both} of {dry} found without leak ({both / max(dry, 1):.3f}) |")


def alone(b, n):
    """Guide and no player."""
    for word in ("quiet", "noisy"):
        said = plain = base = 0
        seconds = 0.0
        for seed in range(9000, 9000 + n):
            rng = np.random.default_rng(seed)
            noise = None
            if word == "noisy":
                noise = takes.draw_noise(b.bank, RATE * 120, rng, .4)[0]
            take = b.take(seed, -rng.uniform(0, 30), player=False, quiet=noise, snr=30, cut=False, bars=16)
            wavs = b.write(take, take["dry"] + take["leak"], "mix"), b.write(take, take["dry"], "dry")
            out = b.run([(take["part"], take["bpm"], "click", wavs[0], "-"),
                         (take["part"], take["bpm"], "none", wavs[1], "-"),
                         (take["part"], take["bpm"], "none", wavs[0], "-")])
            seconds += len(take["dry"]) / RATE
            said += len(out[0].get("strikes", out[2]["strikes"]))
            base += len(out[1]["strikes"])
            plain += len(out[2]["strikes"])
            print(f"  {take['name']} {word}: {len(out[0].get('strikes', []))} base {len(out[1]['strikes'])} "
                  f"plain {len(out[2]['strikes'])} z {out[0]['z']:.0f}", file=sys.stderr)
        print(f"| guide and no player, {n} {word} rooms, {seconds / 60:.1f} min: strikes | {said}; with the guide left in "
              f"{plain}, without guide {base} |")


def late(b, n):
    """Lateness against the guide as `assess` says it, beside the truth."""
    for other, word in ((False, "same"), (True, "other")):
        errors, means = [], []
        for seed in range(9500, 9500 + n):
            take = b.take(seed, -np.random.default_rng(seed).uniform(3, 20), other=other, cut=False)
            wav = b.write(take, take["dry"] + take["leak"], "mix")
            run = subprocess.run([b.pailbeat, "assess", take["part"], wav, "--bpm", str(take["bpm"]), "--json"],
                                 capture_output=True, text=True)
            said = json.loads(run.stdout or "{}")
            if (said.get("clock") or {}).get("source") != "guide":
                print(f"  {take['name']}: no guide")
                continue
            true = np.array([e["t_s"] for e in take["heard"]])
            mine = []
            for strike in said["strikes"]:
                if strike["stroke"] is None or strike["late_guide_ms"] is None:
                    continue
                event = true[np.abs(true - strike["t_s"]).argmin()]
                due = take["due"][strike["stroke"]][0]
                # Beyond 10 ms it is another strike; a strike given to another stroke is no matter of lateness.
                if abs(event - strike["t_s"]) < .010 and abs(event - due) < .15:
                    mine.append(strike["late_guide_ms"] - (event - due) * 1e3)
            errors += mine
            means.append(np.median(mine))
        e = np.abs(errors)
        print(f"| lateness against the guide, {word} device, {len(means)} of {n} takes, {len(e)} strikes: error, ms | median "
              f"{np.median(e):.3f}, 95 % {np.percentile(e, 95):.3f}, within 1 ms {np.mean(e <= 1):.4f}; a take's middle error at "
              f"most {np.abs(means).max():.3f} |")


def times(b, _):
    """A three-minute take."""
    take = b.take(4242, -10, bars=72, bpm=100, other=True, cut=False)
    wav = b.write(take, take["dry"] + take["leak"], "mix")
    dry = b.write(take, take["dry"], "dry")
    rows = [b.run([(take["part"], 100, "click", w, "-")])[0] for w in (wav, wav, wav, dry)]
    best = min(rows[:3], key=lambda r: r["find_s"] + r["remove_s"])
    print(f"| {len(take['dry']) / RATE:.0f} s take, {best['sounds']} clicks, one thread | found in {best['find_s']:.2f} s, taken "
          f"out in {best['remove_s']:.2f} s; looked for in vain in {rows[3]['find_s']:.2f} s |")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--bank", default=os.environ.get("PAILBEAT_BANK", takes.CACHE / "bank"))
    ap.add_argument("--work", default="target/measure/leak")
    ap.add_argument("--binary", default="target/release/pailbeat")
    ap.add_argument("--tool", default="target/release/examples/take_out_guide")
    ap.add_argument("--split", default="test")
    ap.add_argument("--takes", type=int, default=40)
    ap.add_argument("--none", type=int, default=200)
    ap.add_argument("--only", default="")
    a = ap.parse_args()
    b = Bench(a)
    n = a.takes
    todo = {"start": lambda: start(b, n), "none": lambda: none(b, a.none), "strikes": lambda: strikes(b, n // 2),
            "codecs": lambda: codecs(b, n // 4), "soft": lambda: soft(b, max(n // 5, 3)), "alone": lambda: alone(b, max(n // 4, 3)),
            "part": lambda: strikes(b, n // 4, first=8800, play="part"), "late": lambda: late(b, n // 4), "times": lambda: times(b, n)}
    for name, step in todo.items():
        if not a.only or name in a.only.split(","):
            step()
            sys.stdout.flush()


if __name__ == "__main__":
    main()
