#!/usr/bin/env python3
"""Spreads many takes over the processors with GNU parallel, kills half of it, starts it again, and counts what is lost.

    measure_queue.py --binary B [--takes 10000] [--jobs 2]

The queue is the README's line. While it runs single assessments are killed at random; when half of the takes are done the
queue itself is killed with all its jobs, and started again.
"""
import argparse
import json
import os
import pathlib
import random
import signal
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).parent.parent / "simulating"))
from small_takes import PART, wave  # noqa: E402

RATE = 16_000


def played(dice):
    """Four strikes of a bucket in a second and a half."""
    samples = [dice.randint(-4, 4) for _ in range(RATE * 3 // 2)]
    for k in range(4):
        at = int((0.1 + 0.25 * k + dice.gauss(0, 0.01)) * RATE)
        level = dice.uniform(4000, 9000)
        for n in range(900):
            samples[at + n] += int(level * 0.995**n * (1 if (n // 38) % 2 else -1))
    return samples


def queue(args, work):
    return subprocess.Popen(
        f"ls inbox | parallel -j {args.jobs} --joblog done.log --resume-failed --results said/ "
        f"{args.binary} assess rain.toml inbox/{{}} --json > /dev/null",
        shell=True, cwd=work, start_new_session=True, stderr=subprocess.DEVNULL)


def jobs(binary):
    """Numbers of the processes that run this very binary."""
    out = []
    for entry in pathlib.Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and os.readlink(entry / "exe") == str(binary):
                out.append(int(entry.name))
        except OSError:
            pass
    return out


def done(work):
    log = work / "done.log"
    return log.read_bytes().count(b"\n") if log.exists() else 0


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--binary", type=pathlib.Path, required=True)
    parser.add_argument("--takes", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    args = parser.parse_args()
    args.binary = args.binary.resolve()
    dice = random.Random(15)
    with tempfile.TemporaryDirectory(prefix="queue-") as name:
        work = pathlib.Path(name)
        (work / "inbox").mkdir()
        (work / "rain.toml").write_text(PART)
        players = [played(dice) for _ in range(50)]
        for k in range(args.takes):
            # No two files are alike.
            samples = players[k % len(players)] + [dice.randint(-4, 4) for _ in range(40)]
            (work / "inbox" / f"take{k:05}.wav").write_bytes(wave(samples, RATE))
        begun, killed = time.time(), 0
        first = queue(args, work)
        while first.poll() is None and done(work) < args.takes // 2:
            time.sleep(0.5)
            running = jobs(args.binary)
            if running:
                try:
                    os.kill(dice.choice(running), signal.SIGKILL)
                    killed += 1
                except ProcessLookupError:
                    pass
        os.killpg(first.pid, signal.SIGKILL)
        for process in jobs(args.binary):
            try:
                os.kill(process, signal.SIGKILL)
            except ProcessLookupError:
                pass
        first.wait()
        print(f"killed: the queue after {done(work)} takes, and {killed} single assessments before", flush=True)
        rounds = 0
        while rounds < 5 and queue(args, work).wait() != 0:
            rounds += 1
        lasted = time.time() - begun
        whole = half = 0
        for path in sorted((work / "said").rglob("stdout")):
            try:
                said = json.loads(path.read_text())
                whole += {"clock", "strikes", "strokes", "findings", "advice", "limits"} <= set(said)
            except ValueError:
                half += 1
        print(f"{args.takes} takes: {whole} whole answers, {half} half, {args.takes - whole} lost; "
              f"{lasted:.0f} s with {args.jobs} jobs at once")
        if whole != args.takes:
            raise SystemExit(1)


main()
