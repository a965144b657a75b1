#!/usr/bin/env python3
"""Draws players of each age (`people`), measures them as the table of real people was measured, prints both side by side.

    hold.py [--players 600] [--seed 1]
    hold.py --rows     prints what `scripts/simulating/class/people.rs` draws its players from

Needs no sound. Definitions: a series is 33 taps at 500 ms; a gap beyond 1.5 times the median counts as a left-out stroke, one
under .5 as a double, the others are regular. Interval CV: standard deviation over mean of regular gaps. Drift: Theil-Sen slope
of ln(gap) after the first four gaps, over that stretch (with them, takes that settle late would all drift). Far: regular gaps beyond 3 times 1.4826 MAD from the median. Asynchrony: against a model that is
kept to (no drift). Rhythms: a pattern is right when every gap is nearer to what is written than to its half or double (a factor
of 1.41 at most), at free tempo (the median of gap over written). The source's own definitions of drift, CV and of a right pattern are not known to us: these
are the usual ones.
"""
import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.stats import theilslopes

sys.path.insert(0, str(Path(__file__).parent))
import people  # noqa: E402

# Gaps in quarters; our own, 4 to 8 strokes, uneven as learners' rhythms are.
RHYTHMS = [[1, 1, .5, .5], [1.5, .5, 1, 1], [.5, .5, 1, .5, .5, 1], [1, .5, .5, 1.5, .5], [1 / 3, 1 / 3, 1 / 3, 1, 1],
           [1.5, .5, 1.5, .5, 1], [.5, 1, .5, 1, 1], [1, 1 / 3, 1 / 3, 1 / 3, .5, .5, 1]]


def series(nature, rng):
    """Onsets of 33 taps without a model, and deviations with one."""
    n = people.SERIES - 1
    tempo = np.exp(-nature.drift * (np.arange(n) / n - .5))
    tempo[:people.SETTLE_GAPS] *= np.exp(nature.settle)
    gaps = people.INTERVAL_S * tempo
    t = np.r_[0, np.cumsum(gaps)] + people.deviations(nature, gaps, rng)
    paced = people.deviations(nature, np.full(n, people.INTERVAL_S), rng)
    keep, more = np.ones(len(t), bool), []
    for length in people.runs(rng, people.SERIES, nature.missing):
        at = int(rng.integers(1, n - length))
        keep[at:at + length] = False
    for _ in range(people.doubles(rng, people.SERIES, nature.extra)):
        k = int(rng.integers(0, n))
        more.append(t[k] + rng.uniform(.35, .6) * (t[k + 1] - t[k]))
    return t, np.sort(np.r_[t[keep], more]), int((~keep).sum()), len(more), paced


def of_series(age, company, players, rng):
    rows = {k: [] for k in ("cv", "asynchrony", "drift", "lag1", "far", "whole", "missing", "doubles", "settle")}
    for _ in range(players):
        nature = people.draw(rng, age, company)
        clean, t, left, more, paced = series(nature, rng)
        g = np.diff(t)
        m = np.median(g)
        ok = (g > .5 * m) & (g < 1.5 * m)
        r, at = g[ok], np.flatnonzero(ok)
        rows["whole"].append(left + more == 0)
        rows["missing"].append(left)
        rows["doubles"].append(more)
        rows["asynchrony"].append(1e3 * paced.std())
        if len(r) < 8:
            continue
        rows["cv"].append(100 * r.std() / r.mean())
        rows["drift"].append(abs(100 * theilslopes(np.log(r[at >= people.SETTLE_GAPS]), at[at >= people.SETTLE_GAPS])[0]
                             * (people.SERIES - 1 - people.SETTLE_GAPS)))
        side = ok[1:] & ok[:-1]
        rows["lag1"].append(np.corrcoef(g[1:][side], g[:-1][side])[0, 1])
        rows["far"].append(100 * np.mean(np.abs(r - np.median(r)) > 3 * 1.4826 * np.median(np.abs(r - np.median(r)))))
        c = np.diff(clean)
        rows["settle"].append(c[:4].mean() / c[4:].mean() - 1)
    x = {k: np.array(v, float) for k, v in rows.items()}
    return {"cv": np.median(x["cv"]), "asynchrony_ms": np.median(x["asynchrony"]), "drift5": 100 * np.mean(x["drift"] > 5),
            "drift10": 100 * np.mean(x["drift"] > 10), "lag1": np.median(x["lag1"]), "far": np.mean(x["far"]),
            "whole": 100 * np.mean(x["whole"]), "cluster_missing": x["missing"].var() / max(1e-9, x["missing"].mean()),
            "cluster_doubles": x["doubles"].var() / max(1e-9, x["doubles"].mean()),
            "settle_short": 100 * np.mean(x["settle"] <= -.1), "settle_long": 100 * np.mean(x["settle"] >= .1)}


def of_rhythms(age, players, rng):
    """Bent ratios, timing SD and the share of right patterns among rhythms with the right number of strokes."""
    long, short, triple, right, sd, count = [], [], [], [], [], []
    for _ in range(players):
        nature = people.draw(rng, age, .5)
        w = RHYTHMS[rng.integers(len(RHYTHMS))]
        count.append(bool(people.runs(rng, len(w) + 1, nature.missing)) or people.doubles(rng, len(w) + 1, nature.extra) > 0)
        played = [sum(w) / len(w)] * len(w) if nature.evened else w
        gaps = np.array(played) * people.INTERVAL_S
        d = people.deviations(nature, gaps, rng, people.bends(played, nature))
        g = gaps + np.diff(d)
        beat = np.median(g / w)
        ok = bool(np.all(np.abs(np.log(g / beat / w)) <= np.log(2) / 2))
        right.append(ok)
        if ok:
            at = np.r_[0, np.cumsum(w)]
            t = np.r_[0, np.cumsum(g)]
            sd.append(1e3 * np.std(t - np.polyval(np.polyfit(at, t, 1), at)) * np.sqrt(len(t) / (len(t) - 2)))
        if nature.evened:
            continue
        plain = [x for x, (f, bent) in zip(g / w, people.bends(w, nature)) if not bent]
        beat = np.median(plain) if plain else people.INTERVAL_S
        for k, (a, b) in enumerate(zip(w, w[1:])):
            if a == 3 * b:
                long.append(g[k] / a / beat)
                short.append(g[k + 1] / b / beat)
        triple += [x / beat for x, y in zip(g / w, w) if abs(y - 1 / 3) < 1e-6]
    return {"long": np.median(long), "short": np.median(short), "short90": np.quantile(short, .9), "triplet": np.median(triple),
            "sd": np.median(sd) if sd else np.nan, "right_of_counted": 100 * np.mean(right), "wrong": 100 * np.mean(count)}


def cell(ours, theirs, digits=1):
    return f"{ours:.{digits}f} / {theirs:.{digits}f} ({ours - theirs:+.{digits}f})"


def rows():
    for age in (5, 6, 7, 8, 9, 10, 11, 12, people.ADULT):
        alone, step, phi = people.timing(age, .5)
        missing, extra = people.slip_rates(age, .5)
        mean, sd = people.settling(age, people.figure("cv", age, .5) / 100)
        tempo, over = people.figure("tempo", age), people.figure("tempo95", age)
        print(f"({age}, {1e3 * alone:.1f}, {1e3 * step:.1f}, {phi:.2f}, {people.by_age(people.DRIFT, age):.4f}, ({mean:.3f}, {sd:.3f}), "
              f"({np.log(tempo):.3f}, {np.log(over / tempo) / 1.645:.3f}), {people.by_age(people.EVENED, age):.2f}, "
              f"{missing / people.SERIES:.4f}, {extra / people.SERIES:.4f}),")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--players", type=int, default=600, help="of each age and condition")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--rows", action="store_true", help="print the figures that follow from the table, midway between model and partner")
    a = ap.parse_args()
    if a.rows:
        return rows()
    rng = np.random.default_rng(a.seed)
    columns = [(age, c) for age in (5, 6, 7, 8) for c in (0, 1)] + [(people.ADULT, 0)]
    name = [("adult" if age == people.ADULT else f"{age} " + ("model", "partner")[c]) for age, c in columns]
    got = [of_series(age, c, a.players, rng) for age, c in columns]
    print("ours / real (difference); without a real figure: ours alone\n")
    print("| even tapping, 33 taps | " + " | ".join(name) + " |\n" + "|---" * (len(name) + 1) + "|")
    for key, title, digits in (("cv", "interval CV, %", 1), ("asynchrony_ms", "asynchrony SD, ms", 0), ("drift5", "drift over 5 %, % of takes", 0),
                               ("drift10", "over 10 %", 0), ("lag1", "lag-1 correlation of gaps", 2), ("far", "gaps beyond 3 robust SD, %", 1),
                               ("whole", "without a gap or a double, % of takes", 0)):
        print(f"| {title} | " + " | ".join(cell(g[key], people.figure(key, *col), digits) for g, col in zip(got, columns)) + " |")
    for key, title, real in (("cluster_missing", "left-out strokes, variance over mean", "1.2-1.7"), ("cluster_doubles", "doubles, the same", "1.9-3.7"),
                             ("settle_short", "first four gaps 10 % shorter, % of takes", "17-26"), ("settle_long", "longer", "8-15")):
        print(f"| {title} (children: {real}) | " + " | ".join(f"{g[key]:.1f}" for g in got) + " |")
    ages = (5, 6, 7, 8, 10, 12, people.ADULT)
    got = [of_rhythms(age, 3 * a.players, rng) for age in ages]
    print("\n| rhythms | " + " | ".join("adult" if x == people.ADULT else str(x) for x in ages) + " |\n" + "|---" * (len(ages) + 1) + "|")
    for key, title, digits in (("long", "long of a dotted pair, against written (.80-.83)", 2), ("short", "the short after it (1.19-1.24)", 2),
                               ("short90", "one in ten above (1.8)", 2), ("triplet", "triplets (1.14)", 2), ("sd", "timing SD of right takes, ms (29-36, adults 21)", 0)):
        print(f"| {title} | " + " | ".join(f"{g[key]:.{digits}f}" for g in got) + " |")
    print("| wrong number of strokes, % (by heart: for comparison; ours play a learnt part) | " + " | ".join(
        cell(g["wrong"], people.figure("wrong", x), 0) for g, x in zip(got, ages)) + " |")
    print("| right pattern, % of those with the right number | " + " | ".join(
        cell(g["right_of_counted"], 100 * people.figure("right", x) / (100 - people.figure("wrong", x)), 0) for g, x in zip(got, ages)) + " |")


main()
