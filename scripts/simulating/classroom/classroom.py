#!/usr/bin/env python3
"""A simulated class that plays written parts from sound, and how well `assess` hears it.

    classroom.py make --out DIR --bank DIR --seed 1 --takes 130 [--parts tuning|final] [--split test] [--extra]
    classroom.py score --dir DIR --binary pailbeat [--only clean,fault] [--every 3] [--rows FILE.jsonl]
"""
import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    sub = ap.add_subparsers(dest="do", required=True)
    mk = sub.add_parser("make", help="make takes and their ground truth")
    mk.add_argument("--out", required=True)
    mk.add_argument("--bank", required=True, help="folder written by scripts/simulating/sounds/bank.py")
    mk.add_argument("--seed", type=int, default=1)
    mk.add_argument("--takes", type=int, default=130, help="in all; shared out 30 : 60 : 40")
    mk.add_argument("--parts", choices=("tuning", "final"), default="tuning")
    mk.add_argument("--split", default="test")
    mk.add_argument("--extra", action="store_true", help="also the bank's extra local sounds")
    mk.add_argument("--only", help="names of takes, with commas: make these anew")
    mk.add_argument("--noise", help="a made noise (`scripts/simulating/sounds/noises.py`, as `clock`) that stands in every take")
    sc = sub.add_parser("score", help="run the program on each take and print the figures")
    sc.add_argument("--dir", required=True)
    sc.add_argument("--binary", default="pailbeat")
    sc.add_argument("--only", help="names of classes, with commas")
    sc.add_argument("--every", type=int, default=1, help="score only every n-th take")
    sc.add_argument("--rows", help="JSON lines, one for each take")
    sc.add_argument("--again", help="score answers kept by an earlier run with --rows, without running the program")
    a = ap.parse_args()
    if a.do == "make":
        import make
        counts = {k: round(a.takes * n / 130) for k, n in make.SHARE.items()}
        make.make(a.out, a.bank, a.seed, counts, a.parts, a.split, a.extra, a.only, a.noise)
    else:
        import score
        score.score(a.dir, a.binary, a.only, a.every, a.rows, a.again)


main()
