#!/usr/bin/env python3
"""Strokes hidden on purpose, and strokes left out: which of them `assess` calls `not-heard`, which `missed`.

    hidden.py make --out DIR --bank DIR --seed 1 --takes 40 [--parts tuning|final] [--split test]
    hidden.py score --dir DIR --binary pailbeat [--rows FILE.jsonl]

A simulated pupil (`play`) plays a part as written. One stroke in seven, never two in a row, is then treated:

  left out      not played
  under a burst a door or a cough, 6 to 20 dB above the stroke, begins 40 to 160 ms before it and lasts beyond
  burst alone   the same, and the stroke was not played: nobody can know, so `not-heard` is right here too
  in a gap      the recorder loses 150 to 500 ms around the stroke and writes digital silence
  gap alone     the same, and the stroke was not played
  under a swell for 1.5 to 4 s a steady noise (a tap, a vacuum cleaner) stands 3 to 12 dB above the stroke

A stroke counts as hidden only if it lies under the noise in each of three bands (`make.hide`), or in a gap. The
levels and lengths are our own choice. A burst may be taken for the stroke: that is `played`, told apart below.
"""
import argparse
import json
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.signal import fftconvolve

sys.path.insert(0, str(Path(__file__).parent))
import make  # noqa: E402
import play  # noqa: E402
import pupil  # noqa: E402
import score  # noqa: E402
import ties  # noqa: E402
import written  # noqa: E402
from make import RATE, noises, phones, takes  # noqa: E402

TREATED = ("left out", "under a burst", "burst alone", "in a gap", "gap alone", "under a swell")
NOT_PLAYED = ("left out", "burst alone", "gap alone")
GAPS = ("in a gap", "gap alone")
STATUSES = ("not-heard", "missed", "played", "wrong-surface", "not-reached")


def choose(w, rng):
    """Stroke -> treatment, away from the first and the last bar and from each other."""
    n = sum(len(b.strokes) for b in w.bars)
    first, last = w.bars[1].first, w.bars[-1].first
    out = {}
    for j in rng.permutation(np.arange(first, last)):
        if len(out) < n / 7 and not {j - 2, j - 1, j + 1, j + 2} & set(out):
            out[int(j)] = str(rng.choice(TREATED))
    return out


def burst(rng, seconds):
    """A door (low, falling) or a cough (broad, in two humps); mean power 1 over its first 200 ms."""
    n = int(seconds * RATE)
    t = np.arange(n) / RATE
    if rng.random() < .5:
        x = noises.band(rng.normal(0, 1, n), 40, rng.uniform(1500, 6000)) * np.exp(-t / rng.uniform(.25, .5))
    else:
        hump = np.exp(-.5 * ((t - .35 * seconds) / (.25 * seconds)) ** 2) + .6 * np.exp(-.5 * ((t - .8 * seconds) / (.12 * seconds)) ** 2)
        x = noises.band(rng.normal(0, 1, n), 250, rng.uniform(4000, 9000)) * hump
    # No burst begins within a sample.
    x[:220] *= np.linspace(0, 1, 220)
    return x / np.sqrt(np.mean(x[:int(.2 * RATE)] ** 2))


def covered(wet, events, treated, rng):
    """What the world adds: bursts and swells, at the level of each treated stroke."""
    added = np.zeros(len(wet))
    usual = takes.strike_power(wet, events)
    for j, what in treated.items():
        at = next(e["t_s"] for e in events if e["stroke"] == j)
        if "burst" in what:
            y = burst(rng, rng.uniform(.35, .7)) * np.sqrt(usual) * 10 ** (rng.uniform(6, 20) / 20)
            k = int((at - rng.uniform(.04, .16)) * RATE)
        elif "swell" in what:
            n = int(rng.uniform(1.5, 4) * RATE)
            fade = np.minimum(1, np.minimum(np.arange(n), np.arange(n)[::-1]) / (.2 * RATE))
            y = noises.coloured(n, rng, rng.uniform(0, 1)) * fade * np.sqrt(usual) * 10 ** (rng.uniform(3, 12) / 20)
            k = int(at * RATE) - int(rng.uniform(.3, .7) * n)
        else:
            continue
        lo, hi = max(0, k), min(len(added), k + len(y))
        added[lo:hi] += y[lo - k:hi - k]
    return added


def one(bank, k, path, seed):
    rng = np.random.default_rng([seed, 17, k])
    w = written.read(path)
    treated = choose(w, rng)
    asked = float(np.round(rng.uniform(*w.bpm)))
    played = asked * float(np.exp(rng.uniform(np.log(.8), np.log(1.2))))
    plan = pupil.straight(w)
    ties.settle(plan)
    events = play.perform(plan, rng, played, rng.uniform(.012, .03), wander=rng.uniform(.01, .03))
    body = any(s.cls in pupil.BODY for bar in w.bars for s in bar.strokes)
    kit, _, _ = make.draw_kit(bank, rng, make.kit_classes(events, body), False)
    n = int((max(e["t_s"] for e in events) + 2.0) * RATE)
    sounded = [e for e in events if treated.get(e["stroke"]) not in NOT_PLAYED]
    wet = fftconvolve(make.lay(sounded, kit, n, rng), takes.draw_room(bank, rng))[:n]
    cond = str(rng.choice(["room", "room30", "room25"]))
    level = 1e-4 * np.abs(wet).max() if cond == "room" else None
    noise = rng.normal(0, level, n) if level else takes.draw_noise(bank, n, rng, .3)[0][:n] * np.sqrt(
        takes.strike_power(wet, [dict(e, role="plain") for e in sounded]) * 10 ** (-float(cond[4:]) / 10))
    added = covered(wet, [dict(e, role="plain" if e in sounded else "none") for e in events], treated, rng)
    own = {id(e): e["_own"].copy() for e in sounded}
    # Against the noise alone and against what sounds during the stroke: an ear needs a rise out of both.
    make.hide(sounded, wet, noise + added)
    m = int(.02 * RATE)
    for e in sounded:
        at = int(e["t_s"] * RATE)
        during = [make.sosfilt(band, added[max(0, at - 2 * m):at + m])[-m:] for band in make.BANDS]
        e["hidden"] = bool(e["hidden"] or make.over_db(own[id(e)], during) < 0)
    phone = phones.draw(rng) if rng.random() < .6 else None
    if phone:
        phone["clip"] = phone["drift"] = None
    x = wet + noise + added
    y, rate = (x * .7 / np.abs(x).max(), RATE) if phone is None else phones.apply(x, phone)
    y = np.array(y)
    for j, what in treated.items():
        if what in GAPS:
            at = next(e["t_s"] for e in events if e["stroke"] == j)
            length = rng.uniform(.15, .5)
            lo = at - rng.uniform(.04, .4) * length
            y[int(lo * rate):int((lo + length) * rate)] = 0
            for e in sounded:
                e["hidden"] = bool(e["hidden"] or lo - .005 < e["t_s"] < lo + length)
    strokes = []
    for j in range(sum(len(b.strokes) for b in w.bars)):
        here = [e for e in sounded if e["stroke"] == j]
        strokes.append({"treated": treated.get(j), "hidden": all(e["hidden"] for e in here) if here else None})
    truth = {"name": f"hidden-{k:03d}", "part": path.name, "form": None, "bpm": asked, "cond": cond, "phone": phone, "seed": seed,
             "strokes": strokes, "times": [round(next(e["t_s"] for e in events if e["stroke"] == j), 4) for j in range(len(strokes))]}
    return y, rate, truth


def make_all(out, bank_dir, seed, count, which, split):
    out, bank, parts = make.prepare(out, bank_dir, which, split)
    for k in range(count):
        y, rate, truth = one(bank, k, parts[k % len(parts)], seed)
        sf.write(out / f"{truth['name']}.wav", y, rate, subtype="PCM_16")
        (out / f"{truth['name']}.json").write_text(json.dumps(truth, indent=0))


def judge(folder, binary, rows_file):
    folder = Path(folder)
    said, others, failed, rows = {t: Counter() for t in TREATED}, Counter(), 0, []
    for path in sorted(folder.glob("hidden-[0-9][0-9][0-9].json")):
        truth = json.loads(path.read_text())
        out = score.answer(folder, truth, binary)
        if out.get("error"):
            failed += 1
            continue
        for j, (t, s) in enumerate(zip(truth["strokes"], out["strokes"], strict=True)):
            what = t["treated"]
            if what is None:
                others["hidden" if t["hidden"] else "audible", s["status"]] += 1
            elif what in NOT_PLAYED or t["hidden"]:
                said[what][s["status"]] += 1
            rows.append({"take": truth["name"], "stroke": j, "t_s": truth["times"][j], **t, "status": s["status"], "cond": truth["cond"]})
    print("| stroke | number | not-heard | missed | played | on another surface | not reached |")
    print("|---|---|---|---|---|---|---|")

    def line(name, c):
        n = sum(c.values())
        print(f"| {name} | {n} | " + " | ".join(f"{c[s]} ({c[s] / n:.2f})" if n else "-" for s in STATUSES) + " |")
    for what in TREATED:
        line(what + ("" if what in NOT_PLAYED else ", hidden"), said[what])
    for kind in ("hidden", "audible"):
        line(f"not treated, {kind}", Counter({s: n for (h, s), n in others.items() if h == kind}))
    if failed:
        print(f"\n{failed} takes failed")
    if rows_file:
        Path(rows_file).write_text("".join(json.dumps(r) + "\n" for r in rows))


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    sub = ap.add_subparsers(dest="do", required=True)
    mk = sub.add_parser("make", help="make takes and what became of each stroke")
    mk.add_argument("--out", required=True)
    mk.add_argument("--bank", required=True)
    mk.add_argument("--seed", type=int, default=1)
    mk.add_argument("--takes", type=int, default=40)
    mk.add_argument("--parts", choices=("tuning", "final"), default="tuning")
    mk.add_argument("--split", default="test")
    sc = sub.add_parser("score", help="run the program and print what it says of them")
    sc.add_argument("--dir", required=True)
    sc.add_argument("--binary", default="pailbeat")
    sc.add_argument("--rows", help="JSON lines, one for each stroke")
    a = ap.parse_args()
    if a.do == "make":
        make_all(a.out, a.bank, a.seed, a.takes, a.parts, a.split)
    else:
        judge(a.dir, a.binary, a.rows)


main()
