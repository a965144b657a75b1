#!/usr/bin/env python3
"""Fetches recorded one-shots and background sounds and writes the sound bank.

    bank.py [--out DIR] [--extra DIR]

Writes `bank.json`, `noise.json` and 44.1 kHz mono wav files into DIR. Everything
comes from Debian and PyPI through their ordinary clients; nothing is redistributed.
"""
import argparse
import json
import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import soundfile as sf

import readers
import sources
from readers import RATE

# A strike that needs longer than this from 5 % to half its peak has no clear moment.
# Common practice puts the attack of struck sounds below 10 ms.
SLOWEST_MS = 8.0
CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "pailbeat"


def fetch(package, store):
    """The folder in which `package` lies unpacked."""
    registry, _ = sources.LICENCE[package]
    out = store / "x" / package
    if out.is_dir():
        return out
    down = store / registry
    down.mkdir(parents=True, exist_ok=True)
    part = out.with_name(out.name + ".part")
    part.mkdir(parents=True, exist_ok=True)
    if registry == "debian":
        if not list(down.glob(f"{package}_*.deb")):
            subprocess.run(["apt-get", "-qq", "-o", "DPkg::Lock::Timeout=400", "download", package],
                           cwd=down, check=True, stderr=subprocess.DEVNULL)
        deb = sorted(down.glob(f"{package}_*.deb"))[-1]
        subprocess.run(["dpkg-deb", "-x", str(deb), str(part)], check=True)
    else:
        subprocess.run([sys.executable, "-m", "pip", "-q", "download", "--no-deps", "-d", str(down),
                        package], check=True)
        with zipfile.ZipFile(sorted(down.glob(f"{package}-*.whl"))[-1]) as z:
            z.extractall(part)
    part.rename(out)
    return out


def attack_of(x):
    """First sample of the strike in `x`, and its rise time in ms (5 % to 50 %).

    The first sample over 5 % of the peak that the sound reaches within 60 ms of
    its first audible sample (2 % of the whole peak). A crossing that is followed
    by less than a tenth of the peak in 3 ms is a crackle before the strike, and
    the next one counts.
    """
    a = np.abs(x)
    first = int(np.argmax(a > .02 * a.max()))
    w = a[first:first + int(.06 * RATE)]
    peak = w.max()
    over = np.flatnonzero(w >= .05 * peak)
    hold = int(.003 * RATE)
    k = next((k for k in over if w[k:k + hold].max() >= .1 * peak), over[0])
    half = int(np.argmax(w[k:] >= .5 * peak))
    return first + int(k), 1e3 * half / RATE


def tidy(x):
    """Cuts `x` to 5 ms before and 1.5 s after the attack, peak .9."""
    x = x - np.median(x)
    at, rise = attack_of(x)
    lead = min(at, int(.005 * RATE))
    x = x[at - lead:at + int(1.5 * RATE)].copy()
    fade = min(lead, 88)
    x[:fade] *= np.linspace(0, 1, fade)
    tail = min(len(x) // 8, int(.05 * RATE))
    x[len(x) - tail:] *= np.linspace(1, 0, tail)
    x *= .9 / np.abs(x).max()
    return x, lead, rise


def sounds(package, table, store):
    """Yields (name, samples, row of the table) of every wanted sound of a package."""
    root = fetch(package, store)
    for pattern, reader, rows in table[package]:
        def row_of(name):
            return next((r for r in rows if re.match(r[0], name)), None)
        for path in sorted(root.glob(pattern)):
            if reader == "sf":
                found = readers.read_sf(path, row_of)
            elif reader == "zip":
                found = readers.read_zip(path, row_of)
            elif reader == "carve":
                found = readers.read_carve(path)
            elif reader == "gus":
                found = readers.read_gus(path) if row_of(path.stem) else ()
            else:
                found = readers.read_file(path) if row_of(path.stem) else ()
            for name, x in found:
                if len(x):
                    yield name, x, row_of(name)


def layer_key(layer):
    layer = layer.lower()
    return sources.LAYERS.index(layer) if layer in sources.LAYERS else layer


def slug(text):
    return re.sub(r"[^a-z0-9.]+", "-", text.lower()).strip("-")


def write_shots(out, store):
    entries = []
    for package in sources.SHOTS:
        for name, x, row in sounds(package, sources.SHOTS, store):
            _, kit, cls, source, layer = row
            match = re.match(row[0], name)
            x, at, rise = tidy(x)
            if rise > SLOWEST_MS:
                continue
            file = f"{kit}-{slug(name)}.wav"
            sf.write(out / file, x, RATE, subtype="PCM_24")
            entries.append({
                "file": file, "source": f"{kit}:{slug(match.expand(source))}", "kit": kit,
                "class": cls, "attack": at, "rise_ms": round(rise, 3),
                "layer": match.expand(layer), "split": sources.KIT_SPLIT[kit],
                "licence": sources.LICENCE[package][1], "package": package,
            })
    rank(entries)
    return entries


def rank(entries):
    """Turns the layer names of each source into 0 (softest) .. 1 (hardest)."""
    for source in {e["source"] for e in entries}:
        mine = [e for e in entries if e["source"] == source]
        keys = sorted({e["layer"] for e in mine}, key=lambda v: (str(type(layer_key(v))), layer_key(v)))
        for e in mine:
            e["layer"] = keys.index(e["layer"]) / (len(keys) - 1) if len(keys) > 1 else 1.0


def twins(entries, out):
    """Pairs of one-shots of different kits that are the same recording.

    Normalised cross-correlation of the 40 ms after the attack, lag up to 1 ms.
    """
    n, lag = int(.04 * RATE), int(.001 * RATE)
    rows = []
    for e in entries:
        x, _ = sf.read(out / e["file"])
        s = np.zeros(n)
        w = x[e["attack"]:e["attack"] + n]
        s[:len(w)] = w
        rows.append(s / np.sqrt(s @ s + 1e-12))
    m = 1 << (2 * n).bit_length()
    spec = np.fft.rfft(np.array(rows), m)
    found = []
    for i in range(len(entries)):
        c = np.fft.irfft(spec[i] * spec.conj(), m)
        top = np.abs(np.concatenate([c[:, :lag], c[:, -lag:]], 1)).max(1)
        for j in np.flatnonzero(top > .97):
            if j > i and entries[i]["kit"] != entries[j]["kit"]:
                found.append((entries[i]["file"], entries[j]["file"], round(float(top[j]), 4)))
    return found


def write_noise(out, store):
    entries = []
    for package in sources.NOISES:
        for name, x, row in sounds(package, sources.NOISES, store):
            _, kind, split = row
            live = np.flatnonzero(np.abs(x) > 1e-3 * np.abs(x).max())
            x = x[live[0]:live[-1] + 1][:60 * RATE]
            x = x - x.mean()
            if len(x) < .1 * RATE or not np.abs(x).max() > 0:
                continue
            x = .9 * x / np.abs(x).max()
            base = name.rpartition("/")[2]
            file = f"noise-{slug(package)}-{slug(base)}.wav"
            sf.write(out / file, x, RATE, subtype="PCM_16")
            family = slug(package) + ":" + slug(re.sub(r"[\d.]+$", "", base))
            entries.append({"file": file, "kind": kind, "family": family, "split": split,
                            "seconds": round(len(x) / RATE, 2),
                            "licence": sources.LICENCE[package][1], "package": package})
    return entries


def write_extra(out, extra):
    """Adds a local folder with `noise/`, `rooms/` and `strokes/` as test-only material."""
    shots, noises, rooms = [], [], []
    for path in sorted((extra / "strokes").glob("*")):
        name, x = next(readers.read_file(path))
        cls = "clap" if "clap" in name else "click"
        x, at, rise = tidy(x)
        file = f"extra-{slug(name)}.wav"
        sf.write(out / file, x, RATE, subtype="PCM_24")
        shots.append({"file": file, "source": "extra:" + slug(re.sub(r"[-_][\d_]+$", "", name)),
                      "kit": "extra", "class": cls, "attack": at, "rise_ms": round(rise, 3),
                      "layer": 1.0, "split": "test", "licence": "CC0-1.0", "package": "extra"})
    for path in sorted((extra / "noise").glob("*")):
        name, x = next(readers.read_file(path))
        file = f"extra-noise-{slug(name)}.wav"
        x = x - x.mean()
        sf.write(out / file, .9 * x / np.abs(x).max(), RATE, subtype="PCM_16")
        noises.append({"file": file, "kind": slug(re.sub(r"-\d.*$", "", name)), "family": slug(name),
                       "split": "test", "seconds": round(len(x) / RATE, 2), "licence": "CC0-1.0",
                       "package": "extra"})
    for path in sorted((extra / "rooms").glob("*")):
        name, x = next(readers.read_file(path))
        file = f"extra-room-{slug(name)}.wav"
        sf.write(out / file, x / np.abs(x).max(), RATE, subtype="PCM_24")
        rooms.append({"file": file, "split": "test"})
    return shots, noises, rooms


def spread(out):
    """Prints how the splits differ: quartiles of centroid, rise and decay per class."""
    rows = {}
    for e in json.loads((out / "bank.json").read_text()):
        x, _ = sf.read(out / e["file"])
        w = x[e["attack"]:e["attack"] + int(.05 * RATE)]
        power = np.abs(np.fft.rfft(w * np.linspace(1, 0, len(w)), 8192)) ** 2
        centroid = (np.fft.rfftfreq(8192, 1 / RATE) * power).sum() / power.sum()
        left = np.cumsum((x[e["attack"]:] ** 2)[::-1])[::-1]
        fall = 1e3 * np.argmax(left < .01 * left[0]) / RATE
        rows.setdefault((e["class"], e["split"]), []).append((centroid, e["rise_ms"], fall))
    print("| class | split | one-shots | centroid Hz | rise 5-50 % ms | energy down 20 dB ms |\n|---|---|---|---|---|---|")
    for (cls, split), v in sorted(rows.items()):
        q = np.quantile(v, [.25, .5, .75], axis=0)
        cells = [" / ".join(f"{a:.{d}f}" for a in q[:, k]) for k, d in ((0, 0), (1, 2), (2, 0))]
        print(f"| {cls} | {split} | {len(v)} | " + " | ".join(cells) + " |")


def licences(out):
    """Prints the packages, their licences and what each gave."""
    rows = json.loads((out / "bank.json").read_text()), json.loads((out / "noise.json").read_text())
    print("| package | from | licence | one-shots | noise clips |\n|---|---|---|---|---|")
    for name, (registry, licence) in sources.LICENCE.items():
        n = [sum(e["package"] == name for e in part) for part in rows]
        print(f"| {name} | {registry} | {licence} | {n[0]} | {n[1]} |")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    ap.add_argument("--out", type=Path, default=Path(os.environ.get("PAILBEAT_BANK", CACHE / "bank")))
    ap.add_argument("--store", type=Path, help="where packages are kept (default OUT/pk)")
    ap.add_argument("--extra", type=Path, help="folder with noise/, rooms/, strokes/: test only")
    ap.add_argument("--table", action="store_true", help="only print the licences and the spread of the bank")
    args = ap.parse_args()
    if args.table:
        licences(args.out)
        spread(args.out)
        return
    args.out.mkdir(parents=True, exist_ok=True)
    store = args.store or args.out / "pk"
    shots = write_shots(args.out, store)
    same = twins(shots, args.out)
    noises = write_noise(args.out, store)
    rooms = []
    if args.extra:
        more, extra_noise, rooms = write_extra(args.out, args.extra)
        shots += more
        noises += extra_noise
    for name, rows in (("bank", shots), ("noise", noises), ("rooms", rooms)):
        (args.out / f"{name}.json").write_text(json.dumps(rows, indent=1) + "\n")
    for split in ("train", "test"):
        mine = [e for e in shots if e["split"] == split]
        by = {c: (sum(e["class"] == c for e in mine), len({e["source"] for e in mine if e["class"] == c}))
              for c in ("centre", "rim", "click", "clap", "pat")}
        quiet = [e for e in noises if e["split"] == split]
        print(split, "one-shots/objects", by, "| noise clips", len(quiet),
              f"{sum(e['seconds'] for e in quiet):.0f} s", len({e["family"] for e in quiet}), "families")
    for pair in same:
        print("same recording in two kits:", *pair)


if __name__ == "__main__":
    main()
