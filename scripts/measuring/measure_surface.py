#!/usr/bin/env python3
"""How well surfaces are told, by condition, on simulated takes of instruments that the constants never met.

    measure_surface.py --takes TAKES [--sets T] [--constants assets/surface.json] [--no-part] [--known 3]
"""
import argparse
import json
import subprocess
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "fitting"))
import fit_surface  # noqa: E402
from fit_surface import ALL, ROOT  # noqa: E402

WORDS = ("centre", "rim", "click", "pat", "clap")
SURE = .8


def ask(data, constants, part=True, known=0, seed=1):
    """What the program says of each take: list of dicts. `known`: strikes of each surface taken out and told."""
    rng = np.random.default_rng(seed)
    lines = []
    for t in data:
        row = {"bands": np.round(t["bands"], 2).tolist(), "level": np.round(t["level"].astype(float), 2).tolist()}
        if part:
            row |= {"written": t["written"].tolist(), "pass": t["pass"].tolist()}
        if known:
            row["known"] = [[int(s), row["bands"][k], row["level"][k]] for s in range(ALL)
                            for k in rng.permutation(np.flatnonzero(t["truth"] == s))[:known]]
        lines.append(json.dumps(row, separators=(",", ":")))
    out = subprocess.run([fit_surface.tool("tell_surface"), str(constants)], input="\n".join(lines), text=True,
                         capture_output=True, check=True).stdout
    return [json.loads(line) for line in out.splitlines()]


def calibration_error(p, right, bins=10):
    """Expected calibration error over bins of equal width (Guo and others 2017)."""
    which = np.minimum((p * bins).astype(int), bins - 1)
    return sum(abs(p[which == b].mean() - right[which == b].mean()) * (which == b).mean()
               for b in range(bins) if (which == b).any())


def row_of(data, said):
    """Figures of a group of takes."""
    right, top, worst = [], [], 1.0
    for t, s in zip(data, said):
        real = t["truth"] >= 0
        p = np.array(s["p"])[real]
        ok = p.argmax(1) == t["truth"][real]
        right.append(ok)
        top.append(p.max(1))
        worst = min(worst, ok.mean())
    r, p = np.concatenate(right), np.concatenate(top)
    sure = p >= SURE
    doubts = [d[0] for s in said for d in s["doubts"]]
    return {"takes": len(data), "right": r.mean(), "worst": worst, "sure": sure.mean(),
            "if sure": r[sure].mean() if sure.any() else np.nan, "ece": calibration_error(p, r),
            "in doubt": np.mean([bool(s["doubts"]) for s in said]), "exchanged": doubts.count("exchanged") / len(data),
            "alike": doubts.count("not-told-apart") / len(data), "ms": np.median([s["ms"] for s in said]) if said else 0}


def show(name, r):
    print(f"| {name} | {r['takes']} | {r['right']:.4f} | {r['worst']:.3f} | {r['sure']:.3f} | {r['if sure']:.4f} | {r['ece']:.3f} "
          f"| {r['in doubt']:.2f} | {r['exchanged']:.2f} | {r['alike']:.2f} | {r['ms']:.1f} |", flush=True)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--takes", type=Path, required=True)
    ap.add_argument("--sets", nargs="*", default=["T"])
    ap.add_argument("--constants", type=Path, default=ROOT / "assets" / "surface.json")
    ap.add_argument("--no-part", action="store_true")
    ap.add_argument("--known", type=int, default=0)
    args = ap.parse_args()
    data = [t for s in args.sets for t in fit_surface.takes(fit_surface.load(args.takes / f"{s}-dev.npz"))]
    said = ask(data, args.constants, not args.no_part, args.known)
    print("| condition | takes | right | worst take | sure | right if sure | ECE | in doubt | exchanged | not told apart | ms |")
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    conditions = list(dict.fromkeys(t["condition"] for t in data))
    for c in conditions:
        mine = [(t, s) for t, s in zip(data, said) if t["condition"] == c]
        show(c, row_of(*zip(*mine)))
    groups = {"clean": lambda c: c.startswith("clean"),
              "faulty (all but clean and exchanged throughout)": lambda c: not c.startswith("clean") and "exchanged" not in c,
              "everything": lambda c: True}
    for name, keep in groups.items():
        mine = [(t, s) for t, s in zip(data, said) if keep(t["condition"])]
        show(f"**{name}**", row_of(*zip(*mine)))
    strays = [o for t, s in zip(data, said) for o, y in zip(s["other"], t["truth"]) if y < 0]
    real = [o for t, s in zip(data, said) for o, y in zip(s["other"], t["truth"]) if y >= 0]
    print(f"strays called other: {np.mean(np.array(strays) > .5):.2f} of {len(strays)}; strikes called other: "
          f"{np.mean(np.array(real) > .5):.4f} of {len(real)}")


if __name__ == "__main__":
    main()
