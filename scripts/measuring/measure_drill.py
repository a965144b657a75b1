#!/usr/bin/env python3
"""Simulated pupils answer an echo drill; `pailbeat drill score` is held against what they did.

    measure_drill.py --bank DIR [--binary target/release/pailbeat] [--pupils 40] [--snr 20] [--out DIR] [--leader]

Each pupil gets a drill of their own seed. The calls leak into the recording through a room and at a random level; the
pupil's strokes are one-shots of the test split in another room, with a phone and noise (scripts/simulating/sounds/takes.py). What
the pupil did in each round is the truth: right, nearly (one stroke too many, a stroke missing, one a quarter beat late),
silent, hush kept, hush answered, early. With `--leader` the calls are not this program's guide but played by somebody
on one-shots of another kit, in a room of their own, 10 ms around their places, at a tempo up to 8 % off what is written and
in an order that `drill score --leader` must hear.

What was made stays in `--out` and is scored again by the next run. A third of the pupils never play in hush rounds and
`--innocent` makes all so.
"""
import argparse
import collections
import difflib
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.signal import fftconvolve, resample_poly

sys.path.insert(0, str(Path(__file__).parent.parent / "simulating" / "sounds"))
import takes  # noqa: E402

DRILL = """title = "Morning echoes"
meter = "4/4"
bpm   = %d
rounds = 16
hush  = "owl"
lures = { nearly = 3, elsewhere = 1, first = true }
[calls.owl]
strokes = "oo.x o.--"
[calls.wren]
strokes = "oo.x .o--"
lure = true
difficulty = 2
[calls.hens]
strokes = "o.x. o.x."
[calls.pond]
strokes = "o.oo x.--"
[calls.gate]
strokes = "ooxx o.x."
difficulty = 2
[calls.barn]
strokes = "x.oo xxo-"
difficulty = 2
"""


# Noises that hold nothing struck: where nobody plays, what is heard is the loudspeaker's.
STEADY = ["hiss", "rain", "water", "machine", "traffic", "engine", "helicopter", "sea-waves"]


def act(rng, row, beat, spread, innocent):
    """What the pupil does: the truth and strokes as (time from the answer's start, surface)."""
    strokes = [list(s) for s in row["strokes"]]
    if row["hush"]:
        if innocent or rng.random() < .6:
            return "hush-kept", []
        kind = "hush-answered"
    else:
        kind = rng.choice(["right"] * 6 + ["too-many", "missing", "late", "silent", "early"])
    shift = rng.normal(0, .06) * beat
    ratio = np.exp(rng.normal(0, .02))
    times = [shift + ratio * t + rng.normal(0, spread) for t, _ in strokes]
    out = [(t, s) for t, (_, s) in zip(times, strokes)]
    inner = list(range(1, len(out) - 1))
    if kind == "silent":
        return "silent", []
    if kind == "early":
        early = row["answer_s"] - row["call_s"] - 2.5 * beat
        return "early", [(t - early * .0 - (row["answer_s"] - row["call_end_s"]) - 1.5 * beat, s) for t, s in out]
    if kind == "missing":
        out.pop(rng.choice(inner))
        return "nearly", out
    if kind == "too-many":
        gaps = [k for k in range(len(out) - 1) if out[k + 1][0] - out[k][0] > .9 * beat]
        at = (out[gaps[0]][0] + out[gaps[0] + 1][0]) / 2 if gaps else out[-1][0] + .5 * beat
        return "nearly", sorted(out + [(at, "centre")])
    if kind == "late":
        late = [k for k in inner if out[k + 1][0] - out[k][0] > .9 * beat]
        if not late:
            return "right", out
        k = late[0]
        out[k] = (out[k][0] + .45 * beat, out[k][1])
        return "nearly", out
    return kind, out


def lead(bank, rng, plan, beat, pupil, wav):
    """Somebody plays the calls of a plan: counts in, 10 ms around each stroke, a little slower or faster. Scales the plan."""
    pace = float(np.exp(np.clip(rng.normal(0, .03), -.08, .08)))
    for row in plan["rounds"]:
        for key in ("call_s", "answer_s", "answer_end_s"):
            row[key] *= pace
        row["strokes"] = [(t * pace, s) for t, s in row["strokes"]]
    first = plan["rounds"][0]["call_s"]
    taps = [{"t_s": first - k * beat * pace, "class": "click", "gain_db": -3.} for k in (4, 3, 2, 1)]
    calls = [{"t_s": row["call_s"] + t + float(rng.normal(0, .01)), "class": s, "gain_db": float(rng.normal(0, 1.5))}
             for row in plan["rounds"] for t, s in row["strokes"]]
    if not wav.exists():
        y, rate, _, _ = takes.render(bank, taps + calls, snr=30, seed=pupil + 5_000_000)
        sf.write(wav, .8 * y / np.abs(y).max(), rate, subtype="PCM_16")
    return pace


def record(bank, rng, guide, events, args, pupil, wav):
    """The recording of a drill: what the pupil plays, and the calls through a room of their own. Gives the noise's name."""
    leak, rate = sf.read(guide)
    if rate != takes.RATE:
        leak = resample_poly(leak, takes.RATE, rate)
    # A strike far away in silence carries the level when nobody plays.
    shown = sorted(events, key=lambda e: e["t_s"]) or [{"t_s": .05, "class": "centre", "gain_db": 0}]
    given = {}
    if args.absent:
        n = int((max(e["t_s"] for e in shown) + len(leak) / takes.RATE + 6) * takes.RATE)
        given["noise"], kind = takes.draw_noise(bank, n, rng, 0, [STEADY[pupil % len(STEADY)]])
    y, r, played, noise = takes.render(bank, shown, snr=args.snr, seed=pupil, tail_s=len(leak) / takes.RATE if args.absent else 6, **given)
    noise = kind if args.absent else noise
    if r != takes.RATE:
        y = resample_poly(y, takes.RATE, r)
    n = max(len(leak), len(y))
    y = np.pad(y, (0, n - len(y)))
    room = takes.draw_room(bank, rng)
    leak = np.pad(leak, (0, n - len(leak)))
    leak = fftconvolve(leak, room)[:n] if room is not None else leak
    gain = np.abs(y).max() * 10 ** (rng.uniform(-20, -6) / 20) / np.abs(leak).max()
    y = y + gain * leak
    delay = int(rng.uniform(0, 2) * takes.RATE)
    y = np.concatenate([rng.normal(0, 1e-4, delay), y])
    sf.write(wav, .8 * y / np.abs(y).max(), takes.RATE, subtype="PCM_16")
    strokes = [] if args.absent else [[round(e["t_s"] + delay / takes.RATE, 4), e["class"], round(e["gain_db"], 1)] for e in played]
    return noise, strokes


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    ap.add_argument("--bank", type=Path, required=True)
    ap.add_argument("--binary", default="target/release/pailbeat")
    ap.add_argument("--pupils", type=int, default=40)
    ap.add_argument("--first", type=int, default=0)
    ap.add_argument("--snr", type=float, default=20)
    ap.add_argument("--innocent", action="store_true")
    ap.add_argument("--absent", action="store_true", help="nobody plays: whatever is heard is the loudspeaker's or the room's")
    ap.add_argument("--leader", action="store_true", help="the calls are somebody's own playing")
    ap.add_argument("--out", type=Path)
    args = ap.parse_args()
    bank = takes.Bank(args.bank, "test")
    folder = args.out or Path(tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    table, wrong, failed, passed_over, taken_for_another = collections.Counter(), [], 0, 0, 0
    by_noise, sure = collections.Counter(), collections.Counter()
    for pupil in range(args.first, args.first + args.pupils):
        rng = np.random.default_rng([pupil, 77])
        bpm = int(rng.integers(66, 96))
        file = folder / f"d{pupil}.toml"
        file.write_text(DRILL % bpm)
        guide = folder / f"d{pupil}.wav"
        subprocess.run([args.binary, "drill", "make", file, "--out", guide, "--seed", str(pupil)], check=True, capture_output=True)
        plan = json.loads(guide.with_suffix(".json").read_text())
        beat, spread = 60 / bpm, rng.uniform(.012, .035)
        if args.leader:
            guide = folder / f"leader{pupil}.wav"
            beat *= lead(bank, rng, plan, beat, pupil, guide)
        truths, events = [], []
        for row in plan["rounds"]:
            row["call_end_s"] = row["answer_s"] - 2 * beat
            truth, strokes = ("hush-kept" if row["hush"] else "silent", []) if args.absent else \
                act(rng, row, beat, spread, args.innocent or pupil % 3 == 0)
            truths.append(truth)
            events += [{"t_s": row["answer_s"] + t, "class": s, "gain_db": float(rng.normal(0, 2))} for t, s in strokes]
        wav, told = folder / f"t{pupil}.wav", folder / f"t{pupil}.truth.json"
        if told.exists():
            truths, noise = json.loads(told.read_text())[:2]
        else:
            noise, strokes = record(bank, rng, guide, events, args, pupil, wav)
            told.write_text(json.dumps([[str(t) for t in truths], noise, strokes]))
        by = [file, wav, "--leader", guide] if args.leader else [guide, wav]
        run = subprocess.run([args.binary, "drill", "score", *by, "--json"], capture_output=True, text=True)
        if run.returncode:
            failed += 1
            print(f"pupil {pupil}: {run.stderr.strip()}")
            continue
        answers = json.loads(run.stdout)["answers"]
        asked, heard = [row["call"] for row in plan["rounds"]], [a["call"] for a in answers]
        alike = difflib.SequenceMatcher(None, asked, heard, autojunk=False).get_matching_blocks()
        pairs = [(m.a + k, m.b + k) for m in alike for k in range(m.size)]
        passed_over += len(asked) - len(pairs)
        taken_for_another += len(heard) - len(pairs)
        for k, truth, answer in ((a, truths[a], answers[b]) for a, b in pairs):
            table[truth, answer["verdict"]] += 1
            sure[truth == answer["verdict"]] += not (answer["benefit"] or answer["unsure_sounds"])
            by_noise[str(noise), truth == answer["verdict"]] += 1
            if truth != answer["verdict"]:
                wrong.append(f"pupil {pupil} round {k + 1} ({noise}): {truth} called {answer['verdict']}: {answer['text']}")
                print(wrong[-1], flush=True)
        print(f"pupil {pupil}: {sum(table.values())} verdicts, {len(wrong)} wrong so far", flush=True)
    total = sum(table.values())
    right = sum(n for (a, b), n in table.items() if a == b)
    kept = sum(n for (a, _), n in table.items() if a == "hush-kept")
    accused = table["hush-kept", "hush-answered"]
    for (a, b), n in sorted(table.items()):
        print(f"{a:14} called {b:14} {n}")
    for noise in sorted({n for n, _ in by_noise}):
        print(f"{noise:34} {by_noise[noise, False]} wrong of {by_noise[noise, False] + by_noise[noise, True]}")
    print(f"\n{args.pupils} pupils, noise at {args.snr} dB: {total} verdicts, {right / max(total, 1):.4f} right; "
          f"{accused} of {kept} innocent hush rounds accused; {failed} recordings not usable; "
          f"{passed_over} rounds not recognised, {taken_for_another} taken for another; "
          f"{sum(sure.values())} without a doubt, {sure[True] / max(sum(sure.values()), 1):.4f} of these right")


if __name__ == "__main__":
    main()
