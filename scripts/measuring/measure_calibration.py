#!/usr/bin/env python3
"""Holds what pailbeat states of its own doubt against the truth: time sigmas, certainties, surface probabilities.

    measure_calibration.py --takes DIR --class DIR[,DIR] [--binary target/release/pailbeat] [--every 1]

--takes holds takes written by scripts/simulating/sounds/takes.py (heard by `strikes`), --class those of
scripts/simulating/classroom/classroom.py (judged by `assess`). Prints tables in Markdown. Calibration errors are means over
bins of equal number, weighted by what is in them: of |stated - true| for probabilities; for sigmas of the difference
between the share of errors within k sigma and that of a normal distribution, over nine k from 10 to 90 %.
"""
import argparse
import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np

import ear_figures

sys.path.insert(0, str(Path(__file__).parent.parent / "simulating" / "classroom"))
import score  # noqa: E402

# As F at 25 ms in scripts/measuring/measure_ear.py: a strike further away is another one.
NEAR_S = .025


def sigmas(title, sigma, error):
    sigma, error = np.asarray(sigma), np.asarray(error)
    if not len(sigma):
        return sigma, error
    print(f"\n{title}: stated sigma against the error ({len(sigma)} strikes)\n")
    print("| stated sigma, ms | strikes | mean stated | error, rms of the nearest 99 % | median error | within 1 sigma (.683) | within 2 sigma (.954) |")
    print("|---|---|---|---|---|---|---|")
    for rows in ear_figures.bins(sigma):
        s, e = sigma[rows], np.abs(error[rows])
        z = e / s
        trimmed = np.sort(e)[:math.ceil(.99 * len(e))]
        print(f"| {s.min():.2f} to {s.max():.2f} | {len(rows)} | {s.mean():.2f} | {np.sqrt(np.mean(trimmed ** 2)):.2f} | {np.median(e):.2f} | "
              f"{np.mean(z <= 1):.3f} | {np.mean(z <= 2):.3f} |")
    z = np.abs(error) / sigma
    print(f"| all | {len(sigma)} | {sigma.mean():.2f} | {np.sqrt(np.mean(np.sort(np.abs(error))[:math.ceil(.99 * len(z))] ** 2)):.2f} | "
          f"{np.median(np.abs(error)):.2f} | {np.mean(z <= 1):.3f} | {np.mean(z <= 2):.3f} |")
    print(f"\nexpected calibration error {ear_figures.sigma_gap(sigma, error):.3f}")
    return sigma, error


def stated(title, what, p, true):
    p, true = np.asarray(p, float), np.asarray(true, float)
    if not len(p):
        return
    print(f"\n{title}: {what} ({len(p)})\n")
    print("| stated | number | mean stated | share true |")
    print("|---|---|---|---|")
    gap = 0.
    for k in range(10):
        rows = np.flatnonzero(np.minimum(9, (10 * p).astype(int)) == k)
        if len(rows):
            gap += len(rows) * abs(p[rows].mean() - true[rows].mean())
            print(f"| {k / 10:.1f} to {(k + 1) / 10:.1f} | {len(rows)} | {p[rows].mean():.3f} | {true[rows].mean():.3f} |")
    print(f"\nexpected calibration error {gap / len(p):.3f}")


def ear(folder, binary, every):
    sigma, error, p, true = [], [], [], []
    for path in sorted(Path(folder).glob("*.json"))[::every]:
        truth = json.loads(path.read_text())
        out = subprocess.run([binary, "strikes", path.with_suffix(".wav"), "--json"], capture_output=True, text=True, check=True)
        heard = json.loads(out.stdout)["strikes"]
        events = sorted(truth["events"], key=lambda e: e["t_s"])
        pairs = ear_figures.match([e["t_s"] for e in events], [s["t_s"] for s in heard], NEAR_S)
        found = {j for _, j in pairs}
        p += [s["certainty"] for s in heard]
        true += [j in found for j in range(len(heard))]
        for i, j in pairs:
            if events[i]["role"] not in ("grace", "main"):
                sigma.append(heard[j]["sigma_ms"])
                error.append(1e3 * (heard[j]["t_s"] - events[i]["t_s"]))
    stated("`strikes`, all given out", "stated certainty against there being a strike within 25 ms", p, true)
    return sigmas("`strikes`, single strikes", sigma, error)


def judged(folder, binary, every):
    folder = Path(folder)
    sigma, error, p, true, told, right = [], [], [], [], [], []
    for path in sorted(folder.glob("*-[0-9][0-9][0-9].json"))[::every]:
        truth = json.loads(path.read_text())
        out = score.answer(folder, truth, binary)
        heard, events = out.get("strikes", []), truth["strikes"]
        pairs = ear_figures.match([e["t_s"] for e in events], [s["t_s"] for s in heard], NEAR_S)
        found = {j for _, j in pairs}
        p += [s["certainty"] for s in heard]
        true += [j in found for j in range(len(heard))]
        size = {}
        for e in events:
            size[e["group"]] = size.get(e["group"], 0) + 1
        for i, j in pairs:
            told.append(heard[j]["surface_p"])
            right.append(heard[j]["surface"] == events[i]["class"])
            if size[events[i]["group"]] == 1:
                sigma.append(heard[j]["sigma_ms"])
                error.append(1e3 * (heard[j]["t_s"] - events[i]["t_s"]))
    name = f"`assess`, {folder.name}"
    stated(name, "stated certainty against there being a strike within 25 ms", p, true)
    stated(name, "stated surface probability against the surface", told, right)
    return sigmas(f"{name}, strikes of one hand", sigma, error)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--takes")
    ap.add_argument("--class", dest="classes", default="")
    ap.add_argument("--binary", default="target/release/pailbeat")
    ap.add_argument("--every", type=int, default=1, help="only every n-th take")
    ap.add_argument("--fit", metavar="WEIGHTS", help="fit the sigmas' factor and power to these takes and write them into assets/ear.safetensors")
    a = ap.parse_args()
    sets = [ear(a.takes, a.binary, a.every)] if a.takes else []
    sets += [judged(folder, a.binary, a.every) for folder in filter(None, a.classes.split(","))]
    if a.fit:
        from safetensors import safe_open
        from safetensors.numpy import save_file
        factor, power = ear_figures.fit_sigma([one for one in sets if len(one[0])])
        with safe_open(a.fit, "np") as f:
            told, kept = f.metadata(), {k: f.get_tensor(k) for k in f.keys()}
        told["sigma_scale"] = f"{factor * float(told['sigma_scale']) ** power:.4f}"
        told["sigma_power"] = f"{power * float(told['sigma_power']):.4f}"
        save_file(kept, a.fit, told)
        print(f"\nfactor {told['sigma_scale']}, power {told['sigma_power']} written to {a.fit}")


main()
