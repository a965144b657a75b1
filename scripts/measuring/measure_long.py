#!/usr/bin/env python3
"""Takes at ten strikes a second, half an hour and an hour long: processor time, its growth, and memory of `assess`.

    measure_long.py [--binary target/release/pailbeat] [--minutes 15 30 60] [--guide] [--keep DIR]

With --guide the part's own guide sounds in the recording, 11 dB under the strikes. Needs numpy.
"""
import argparse
import json
import multiprocessing
import os
import pathlib
import subprocess
import tempfile
import wave

import numpy as np

RATE = 44_100
BPM = 150  # sixteenths are ten strokes a second
BAR_S = 4 * 60 / BPM
# Surfaces: frequencies of three modes, how long they ring, and how bright the stick is.
SOUNDS = {"o": ((92, 171, 410), 0.05, 0.3), "x": ((640, 1370, 2900), 0.03, 0.8), "+": ((1900, 3400, 6100), 0.012, 1.0)}
# A part has 20,000 strokes at most; who plays longer begins again.
LONGEST = 1248
SECTIONS = {"A": ["oxxo xoxx ooxo xxoo", "oxox xxoo xooo xoxo"], "B": ["++xo o++x xo+o oxo+", "o+o+ xxoo +oxo ooxx"]}


def write_part(path, minutes):
    # Each pass is four bars.
    form = "".join("AB"[k // 2 % 2] for k in range(min(int(minutes * 60 / BAR_S), LONGEST) // 4))
    rows = "\n".join(f'[sections.{name}]\nstrokes = "|: {" | ".join(two)} :|2"\n' for name, two in SECTIONS.items())
    path.write_text(f'title = "Long rain"\nmeter = "4/4"\nbpm   = {{ start = 100, goal = {BPM} }}\nform  = "{" ".join(form)}"\n\n{rows}')
    return form


def hits(dice):
    """A few strikes of each surface."""
    t = np.arange(int(0.18 * RATE)) / RATE
    out = {}
    for cell, (modes, ring, bright) in SOUNDS.items():
        out[cell] = []
        for _ in range(24):
            body = sum(np.sin(2 * np.pi * hz * dice.normal(1, 0.004) * t + dice.uniform(0, 6)) / (1 + n)
                       for n, hz in enumerate(modes)) * np.exp(-t / ring)
            stick = bright * dice.normal(size=len(t)) * np.exp(-t / 0.003)
            out[cell].append((body + stick) / np.max(np.abs(body + stick)))
    return out


def play(path, form, beside, minutes):
    """`beside`: program, part and folder of a guide that sounds in the room, if one does."""
    dice = np.random.default_rng(minutes)
    guide = made_guide(*beside) if beside else None
    once = "".join("".join(bar.split()) for section in form for bar in SECTIONS[section] * 2)
    sounds, stroke = hits(dice), BAR_S / 16
    n = int(minutes * 60 / stroke)
    cells = (once * (n // len(once) + 1))[:n]
    x = dice.normal(size=int((len(cells) * stroke + 3) * RATE)).astype(np.float32) * 4e-4
    wander = np.cumsum(dice.normal(0, 0.0015, len(cells)))
    wander -= np.linspace(0, wander[-1], len(cells))
    struck = 0
    for k, cell in enumerate(cells):
        if dice.random() < 0.02:
            continue
        at = 1.0 + k * stroke + (0 if guide is not None else wander[k]) + dice.normal(0, 0.008)
        hit = sounds[cell][dice.integers(24)] * 0.35 * 10 ** (dice.normal(0, 2) / 20)
        first = int(max(at, 0) * RATE)
        x[first:first + len(hit)] += hit[:len(x) - first]
        struck += 1
    if guide is not None:
        sound, begins = guide
        at = int((1.0 - begins) * RATE)
        part = sound[max(-at, 0):]
        part = part[:len(x) - max(at, 0)]
        x[max(at, 0):max(at, 0) + len(part)] += 0.1 * part / np.max(np.abs(sound))
    with wave.open(str(path), "wb") as out:
        out.setparams((1, 2, RATE, 0, "NONE", ""))
        out.writeframes((np.clip(x, -1, 1) * 32767).astype("<i2").tobytes())
    return struck


def made_guide(binary, part, work):
    said = subprocess.run([binary, "guide", part, "--bpm", str(BPM), "--out", work / "guide.wav", "--json"],
                          capture_output=True, text=True, check=True).stdout
    with wave.open(str(work / "guide.wav")) as sound:
        assert sound.getframerate() == RATE, sound.getframerate()
        samples = np.frombuffer(sound.readframes(sound.getnframes()), "<i2").reshape(-1, sound.getnchannels())[:, 0]
    return samples.astype(np.float32), json.loads(said)["start_s"]


def measure(command):
    """Processor seconds and peak memory in MB of one process."""
    with tempfile.TemporaryFile() as told:
        process = subprocess.Popen([str(c) for c in command], stdout=subprocess.DEVNULL, stderr=told)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        told.seek(0)
        said = told.read().decode(errors="replace")
    assert process.returncode in (0, 1), said
    return usage.ru_utime, usage.ru_maxrss / 1024


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--binary", default="target/release/pailbeat")
    parser.add_argument("--minutes", type=int, nargs="+", default=[15, 30, 60])
    parser.add_argument("--guide", action="store_true")
    parser.add_argument("--keep", type=pathlib.Path, help="leave takes and parts in this folder")
    args = parser.parse_args()
    binary = str(pathlib.Path(args.binary).resolve())
    print("| minutes | strikes played | `assess` of it | user s | MB |\n|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        work = args.keep or pathlib.Path(name)
        work.mkdir(exist_ok=True)
        for minutes in args.minutes:
            part, take = work / f"long{minutes}.toml", work / f"long{minutes}{'g' if args.guide else ''}.wav"
            form = write_part(part, minutes)
            beside = (binary, part, work) if args.guide else None
            # In a process of its own: what a process has held counts for the one it starts.
            with multiprocessing.get_context("spawn").Pool(1) as maker:
                struck = maker.apply(play, (take, form, beside, minutes))
            for what in (["--json"], ["--out", work / f"pages{minutes}"]):
                seconds, megabytes = measure([binary, "assess", part, take, "--bpm", str(BPM), *what])
                print(f"| {minutes} | {struck} | {' '.join(map(str, what))} | {seconds:.1f} | {megabytes:.0f} |", flush=True)
            if not args.keep:
                take.unlink()


if __name__ == "__main__":
    main()
