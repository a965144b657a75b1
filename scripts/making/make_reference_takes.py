#!/usr/bin/env python3
"""Makes the demo takes in `reference_takes/`: pupil, room, phone and every strike are invented here.

    python3 scripts/making/make_reference_takes.py [--out reference_takes]

Needs numpy, scipy, soundfile and ffmpeg (AAC, Opus, Vorbis, MP3, FLAC). Strikes are damped modes of `sounds/strikes.py`,
rooms shoeboxes of `sounds/rooms.py`, noises those of `sounds/noises.py`: nothing recorded by anybody else is in them.
"""
import argparse
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
from scipy.signal import fftconvolve

SCRIPTS = Path(__file__).parent.parent
sys.path[:0] = [str(SCRIPTS / "simulating" / "classroom"), str(SCRIPTS / "simulating" / "sounds")]
import noises  # noqa: E402
import phone as phones  # noqa: E402
import play  # noqa: E402
import pupil  # noqa: E402
import rooms  # noqa: E402
import strikes  # noqa: E402
import takes  # noqa: E402
import written  # noqa: E402

RATE = takes.RATE
CODECS = {
    "m4a": ["-c:a", "aac", "-b:a", "72k", "-ar", "44100", "-ac", "2"],
    "ogg": ["-c:a", "libvorbis", "-b:a", "72k", "-ar", "44100", "-ac", "1"],
    "webm": ["-c:a", "libopus", "-b:a", "56k", "-ar", "48000", "-ac", "1"],
    "mp3": ["-c:a", "libmp3lame", "-b:a", "80k", "-ar", "44100", "-ac", "1"],
    "flac": ["-c:a", "flac", "-compression_level", "12", "-sample_fmt", "s16", "-ar", "22050", "-ac", "1"],
    "wav": ["-c:a", "pcm_s16le", "-ar", "16000", "-ac", "1"],
}
OWN = {
    # What the pupil plays on, by kind of `strikes.KINDS`.
    "bucket": ("bucket", "bucket-rim", "sticks"),
    "deep bucket": ("bucket-deep", "shell", "sticks"),
    "box": ("box", "box-edge", "rods"),
    "tin": ("tin", "tin-rim", "sticks"),
}
HANDSET = {"bands": {"hp": 120.0, "hp_order": 1, "lp": 13_000.0, "lp_order": 2}, "eq": [[3.0, 2600.0, .9]], "agc": None,
           "clip": None, "rate": RATE, "bits": 16, "codec": None, "drift": None, "peak_db": -6.0}
TABLET = dict(HANDSET, bands={"hp": 180.0, "hp_order": 2, "lp": 10_000.0, "lp_order": 1}, eq=[[-4.0, 700.0, 1.2]], peak_db=-9.0)


def good(plan, rng):
    """As written."""


def rests_run_through(plan, rng):
    """Robin strikes on through the rests that end A, and, the first time, through the one in the middle of B."""
    for bar, beat, strikes_at in ((3, 1.0, (1, 1.5)), (7, 1.0, (1, 1.5)), (7, 3.0, (3, 3.5)), (9, 3.0, (3, 3.5))):
        v = plan.visits[bar]
        cls = pupil.class_before(plan, bar, beat)
        for at in strikes_at:
            v.extras.append((at, cls, -4.0, "rest", 0.0))
        pupil.fault(plan, ["rest-not-kept"], v, beat, [bar], len(strikes_at), "strikes", True)


def early(plan, rng):
    """Heron does not wait out the rest in bar 2 of B, first time, and comes in half a beat early."""
    v = plan.visits[10]
    v.shifts.append((0.0, -.5))
    pupil.fault(plan, ["early-re-entry"], v, 0.0, [10], .5, "beats", True)


def wrong_surface(plan, rng):
    """Finch plays the second B on the middle where the rim is written."""
    n = 0
    for v in plan.visits[12:16]:
        for k, s in enumerate(plan.w.bars[v.bar].strokes):
            if s.cls == "rim":
                v.swaps[k] = "centre"
                n += 1
    pupil.fault(plan, ["wrong-surface"], plan.visits[12], 0.0, [12, 13, 14, 15], n, "strikes", True)


def restart(plan, rng):
    """Plover stops in bar 3 of A, breathes, and begins again."""
    q = float(plan.w.quarters)
    plan.visits[2].hi = 2.5
    again = [pupil.Visit(m, 0.0, q) for m in range(3)]
    again[0].pause = 2.2
    plan.visits[3:3] = again
    f = pupil.fault(plan, ["restarted"], again[0], 0.0, [0], 3, "bars", True)
    f["source_bar"] = 3


def too_fast(plan, rng):
    """Swift begins a quarter above the tempo asked for and is still faster at the end."""
    plan.drift = float(np.log(1.13))
    pupil.fault(plan, ["rushing"], plan.visits[0], 0.0, [], 13, "percent", True)
    pupil.fault(plan, ["tempo-apart"], plan.visits[0], 0.0, [], 105, "bpm", True)


# name, container, what happens, form, asked, played at first, jitter s, plays on, noise and dB under the strikes, phone, seed
TAKES = [
    ("wren", "m4a", good, "A A B B", 96, 96.0, .014, "bucket", ("hum", 42), HANDSET, 11),
    ("robin", "ogg", rests_run_through, "A A B B", 94, 95.0, .020, "tin", ("wind", 38), TABLET, 12),
    ("heron", "webm", early, "A A B B", 94, 92.0, .020, "deep bucket", ("sea", 38), TABLET, 13),
    ("finch", "mp3", wrong_surface, "A A B B", 96, 95.0, .018, "bucket", ("rain", 34), HANDSET, 14),
    ("plover", "flac", restart, "A B", 84, 82.0, .022, "box", ("hum", 44), HANDSET, 15),
    ("swift", "wav", too_fast, "A B", 84, 105.0, .018, "bucket", ("hum", 40), TABLET, 16),
]


def kit(names, rng):
    """One voice for each stick surface, made from damped modes of the kinds named."""
    out = {}
    for cls, kind in zip(pupil.STICKS, names):
        voice = strikes.strike_set(cls, rng)
        while voice["source"] != f"made:{kind}":
            voice = strikes.strike_set(cls, rng)
        voice["trim"] = takes.TRIM[cls]
        voice["hands"] = {"R": .03, "L": -.05}
        out[cls] = voice
    return out


def make(part, out, name, ext, what, form, asked, bpm, jitter, plays, noise, phone, seed):
    rng = np.random.default_rng([seed, 2024])
    w = written.read(part, form)
    plan = pupil.straight(w)
    what(plan, rng)
    for v in plan.visits:
        v.may = [v.bar]
    events = play.perform(plan, rng, bpm, jitter, wander=.012)
    n = int((max(e["t_s"] for e in events) + 1.5) * RATE)
    for e in events:
        e["role"] = {"stroke": "plain"}.get(e["role"], e["role"])
    wet = fftconvolve(takes.lay(events, kit(OWN[plays], rng), n, rng), rooms.shoebox(rng, t60=.35, drr_db=7))[:n]
    kind, under = noise
    wet = wet + noises.unit(noises.MADE[kind](n, rng)) * np.sqrt(takes.strike_power(wet, events) * 10 ** (-under / 10))
    y, rate = phones.apply(wet, phone)
    path = out / f"{name}.{ext}"
    run = ["ffmpeg", "-v", "error", "-y", "-threads", "1", "-f", "f32le", "-ac", "1", "-ar", str(rate), "-i", "-",
           "-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact", *CODECS[ext], str(path)]
    subprocess.run(run, input=y.astype("<f4").tobytes(), check=True)
    truth = {
        "pupil": name.capitalize(), "take": path.name, "part": part.name, "form": form, "asked_bpm": asked,
        "played_bpm": bpm, "plays_on": plays, "what": " ".join(what.__doc__.split()),
        "faults": [{k: f[k] for k in ("kind", "section", "pass", "bar", "beat", "t_s", "size", "unit")}
                   for f in plan.faults],
        "strikes": [{"t_s": round(e["t_s"], 5), "surface": e["class"], "stroke": e["stroke"]} for e in events],
    }
    rows = [json.dumps(s) for s in truth["strikes"]]
    head = json.dumps({k: v for k, v in truth.items() if k != "strikes"}, indent=1)[:-2]
    (out / f"{name}.json").write_text(head + ',\n "strikes": [\n  ' + ",\n  ".join(rows) + "\n ]\n}\n")
    print(f"{path.name}: {len(y) / rate:.1f} s, {path.stat().st_size // 1000} kB, {len(events)} strikes")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--out", default=str(SCRIPTS.parent / "reference_takes"))
    out = Path(ap.parse_args().out)
    for row in TAKES:
        make(out / "lantern-parade.toml", out, *row)


main()
