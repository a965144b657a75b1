#!/usr/bin/env python3
"""Fits the constants of the surface model and writes assets/surface.json.

    surface_takes.py --bank DIR --out TAKES          # the simulated takes, once
    fit_surface.py --takes TAKES --sets A B C        # and out comes assets/surface.json

Features come from the program itself (`cargo run --example dump_surface_features`), so what is fitted and what listens
cannot differ. Method: level slope within take and surface; discriminant axes with saturated between-scatter (Loog, Duin,
Haeb-Umbach 2001, weighted pairwise Fisher criteria); normal distribution of the surfaces' places over instruments;
names by shrunken linear discriminants whose slopes are fitted by leave-one-family-out log loss (Platt 1999).
"""
import argparse
import json
import subprocess
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parent.parent
BANDS, DIMS, ALL = 40, 10, 5
BEFORE, AFTER = 1500, 3528
PAIRS = [(a, b) for a in range(ALL) for b in range(a + 1, ALL)]
LEVEL_REACH = 20.0
FEW = 3  # strikes of a surface from which its mean is used

# The settings of the model that this script does not fit but that were chosen with `measure_surface.py` on sets of
# instruments left out of the fit (see `tune_surface.py`).
TUNING = {
    "widen": 2.0, "common": 0.3, "odd_instrument": 6.0, "odd_strike": 8.0, "scatter_take": 30.0, "scatter_surface": 30.0,
    "temper": 0.7, "other": [0.01, 0.15], "other_scale": 4.0, "map_change": 0.001, "map_exchange": 0.006,
    "map_all_on_first": 0.004, "map_turn": [0.0033, 0.1, 0.01], "slips": [5.0, 95.0], "slip_outside": 1.0, "apart": 4.0,
    "rounds": 12, "judge": {"sound": 0.15, "name": 1.0, "name_pair": 1.0, "maps": 0.85},
}


def tool(name):
    subprocess.run(["cargo", "build", "--release", "--quiet", "--example", name], cwd=ROOT, check=True)
    target = json.loads(subprocess.run(["cargo", "metadata", "--format-version", "1", "--no-deps"], cwd=ROOT, check=True,
                                       capture_output=True).stdout)["target_directory"]
    return str(Path(target) / "release" / "examples" / name)


def load(path):
    """A file of takes with the features of its strikes: dict of arrays, strikes end to end."""
    cache = path.with_suffix(".features.npz")
    if not cache.exists() or cache.stat().st_mtime < path.stat().st_mtime:
        with np.load(path) as z:
            cut = z["cut"]
            rest = {k: z[k] for k in z.files if k != "cut"}
        raw = b"".join((part.astype("<f4") / 32_000).tobytes() for part in np.array_split(cut, 1 + len(cut) // 4000))
        out = subprocess.run([tool("dump_surface_features"), str(cut.shape[1]), str(BEFORE)], input=raw,
                             capture_output=True, check=True).stdout
        f = np.frombuffer(out, "<f4").reshape(len(cut), BANDS + 2)
        np.savez(cache, bands=f[:, :BANDS], level=f[:, BANDS], above=f[:, BANDS + 1], **rest)
    with np.load(cache) as z:
        return {k: z[k] for k in z.files}


def takes(data):
    """One dict a take."""
    end = np.cumsum(data["count"])
    out = []
    for i, (a, b) in enumerate(zip(end - data["count"], end)):
        t = {k: data[k][a:b] for k in ("bands", "level", "above", "truth", "written", "pass")}
        t["bands"] = t["bands"].astype(float)
        out.append({**t, "condition": str(data["condition"][i]), "family": [str(f) for f in data["family"][i]],
                    "source": [str(s) for s in data["source"][i]]})
    return out


def shrunk(s, share):
    return (1 - share) * s + share * np.diag(np.diag(s))


def covariance(e):
    return e.T @ e / max(1, len(e))


def names_fit(means, share):
    """Discriminants of the names from each take's mean bands by surface (nan where it has none)."""
    mu = np.nanmean(means, 0)
    e = (means - mu).reshape(-1, BANDS)
    e = e[~np.isnan(e[:, 0])]
    precision = np.linalg.inv(shrunk(covariance(e), share))
    pairs = []
    for a, b in PAIRS:
        d = means[:, a] - means[:, b]
        d = d[~np.isnan(d[:, 0])]
        m = d.mean(0)
        pairs.append(2 * np.linalg.solve(shrunk(np.cov(d.T), share), m))
    return {"means": mu, "precision": precision, "pairs": np.array(pairs)}


def names_slopes(means, families, share):
    """How far the scores may be trusted: slopes by log loss on families left out."""
    alone, between = [], [[] for _ in PAIRS]
    for f in sorted({x for row in families for x in row}):
        out = np.array([f in row for row in families])
        if out.all() or f == "made":
            continue
        n = names_fit(means[~out], share)
        for m, row in zip(means[out], np.array(families)[out]):
            e = m[:, None] - n["means"][None]
            score = -.5 * np.einsum("rci,ij,rcj->rc", e, n["precision"], e)
            alone += [(score[r], r) for r in range(ALL) if row[r] == f and not np.isnan(m[r, 0])]
            for k, (a, b) in enumerate(PAIRS):
                if f in (row[a], row[b]) and not np.isnan(m[a, 0] + m[b, 0]):
                    between[k].append((m[a] - m[b]) @ n["pairs"][k])
    grid = np.exp(np.linspace(np.log(.005), np.log(2), 60))

    def best(loss):
        v = [loss(g) for g in grid]
        return float(grid[int(np.argmin(v))]), float(min(v))
    s1 = best(lambda g: np.mean([np.logaddexp.reduce(g * s) - g * s[r] for s, r in alone]))
    s2 = [best(lambda g, v=np.array(v): np.mean(np.logaddexp(0, -g * v))) for v in between]
    right = [float(np.mean([s.argmax() == r for s, r in alone]))] + [float(np.mean(np.array(v) > 0)) for v in between]
    return s1[0], [s[0] for s in s2], [s1[1]] + [s[1] for s in s2], right


def fit(data, names_share=.8, shrink=.1, saturate=9.0):
    """Constants from takes that hold every surface."""
    mu = np.mean([t["bands"].mean(0) for t in data], 0)
    sxy, sxx = np.zeros(BANDS), 0.0
    for t in data:
        l = np.clip(t["level"] - np.median(t["level"]), -LEVEL_REACH, LEVEL_REACH)
        for s in range(ALL):
            k = t["truth"] == s
            if k.sum() > FEW:
                lc = l[k] - l[k].mean()
                sxy += lc @ (t["bands"][k] - t["bands"][k].mean(0))
                sxx += lc @ lc
    slope = sxy / sxx
    within, n = np.zeros((BANDS, BANDS)), 0
    means = np.full((len(data), ALL, BANDS), np.nan)
    grown = []
    for i, t in enumerate(data):
        l = np.clip(t["level"] - np.median(t["level"]), -LEVEL_REACH, LEVEL_REACH)
        g = t["bands"] - mu - l[:, None] * slope
        grown.append(g)
        for s in range(ALL):
            k = t["truth"] == s
            if k.sum() >= FEW:
                means[i, s] = g[k].mean(0)
                e = g[k] - means[i, s]
                within += e.T @ e
                n += len(e) - 1
    within = shrunk(within / n, shrink)
    d = np.concatenate([means[:, a] - means[:, b] for a, b in PAIRS])
    d = d[~np.isnan(d[:, 0])]
    far = np.einsum("ij,jk,ik->i", d, np.linalg.inv(within), d)
    between = (d / (1 + far / saturate)[:, None]).T @ d / len(d)
    c = np.linalg.inv(np.linalg.cholesky(within))
    value, u = np.linalg.eigh(c @ between @ c.T)
    axes = (c.T @ u[:, ::-1])[:, :DIMS]
    places = means @ axes
    full = ~np.isnan(places).any((1, 2))
    x = places[full].reshape(full.sum(), -1)
    spread = shrunk(np.cov(x.T), .05)
    common = np.cov(places[full].mean(1).T).diagonal()
    scatter = np.mean([covariance(np.concatenate([(g[t["truth"] == s] - m[s]) @ axes for g, t, m in zip(grown, data, means)
                                                  if not np.isnan(m[s, 0])])) for s in range(ALL)], 0)
    names = names_fit(means, names_share)
    families = [t["family"] for t in data]
    one, pairs, loss, right = names_slopes(means, families, names_share)
    print("takes", len(data), "with all", full.sum(), "eigenvalues", np.round(value[::-1][:DIMS], 1))
    print("names alone right", round(right[0], 3), "loss", round(loss[0], 3))
    for (a, b), r, l, s in zip(PAIRS, right[1:], loss[1:], pairs):
        print("names", a, b, "right", round(r, 3), "loss", round(l, 3), "slope", round(s, 3))
    return {"mean": mu, "slope": slope, "axes": axes.T, "places": x.mean(0), "spread": spread, "common": common,
            "scatter": scatter, "names": {**names, "slope": one, "pair_slopes": pairs}}


def figures(v, digits=5):
    """Numbers with so many figures, as nested lists."""
    if isinstance(v, dict):
        return {k: figures(x, digits) for k, x in v.items()}
    if isinstance(v, (list, tuple, np.ndarray)):
        return [figures(x, digits) for x in v]
    return float(f"{float(v):.{digits}g}")


def triangle(a):
    return a[np.tril_indices(len(a))]


def write(path, constants, tuning=TUNING, about=""):
    c = dict(constants)
    c["spread"], c["scatter"] = triangle(c["spread"]), triangle(c["scatter"])
    c["names"] = {**c["names"], "precision": triangle(c["names"]["precision"])}
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps({"about": about, **figures(c), "tuning": tuning}, separators=(",", ":")) + "\n")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--takes", type=Path, required=True)
    ap.add_argument("--sets", nargs="*", default=["A", "B", "C"])
    ap.add_argument("--out", type=Path, default=ROOT / "assets" / "surface.json")
    args = ap.parse_args()
    data = [t for s in args.sets for t in takes(load(args.takes / f"{s}-fit.npz"))]
    write(args.out, fit(data), about=f"scripts/fit_surface.py --sets {' '.join(args.sets)}, {len(data)} takes")
    print(args.out, args.out.stat().st_size, "bytes")


if __name__ == "__main__":
    main()
