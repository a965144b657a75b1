#!/usr/bin/env python3
"""Measures the class book on takes of the simulated class (scripts/simulating/classroom).

    measure_book.py which  --binary B --takes DIR --parts scripts/simulating/classroom/parts   which of six parts, from sound alone
    measure_book.py speed  --binary B --takes DIR --parts ...                       30 takes of about a minute
    measure_book.py kill   --binary B --takes DIR --parts ... [--times 200]         kill -9 at random moments

Prints its figures; a book of its own is made for each in a folder that is removed at the end.
"""
import argparse
import json
import pathlib
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import time

SIX = ["t-hens", "t-puddles", "t-ladder", "t-kitchen", "t-gate", "t-hill"]


def run(binary, *args, check=True):
    done = subprocess.run([binary, "book", *map(str, args)], capture_output=True, text=True)
    if check and done.returncode not in (0, 1):
        raise SystemExit(done.stderr)
    return done


def new_book(args, parts):
    folder = pathlib.Path(tempfile.mkdtemp(prefix="book-"))
    run(args.binary, "new", folder)
    roster = folder / "roster.csv"
    roster.write_text("class,nickname\n3b,Wren\n3b,Jay\n")
    run(args.binary, "roster", roster, "--book", folder)
    for part in parts:
        run(args.binary, "assign", pathlib.Path(args.parts) / f"{part}.toml", "--class", "3b", "--from", "2020-01-01", "--book", folder)
    return folder


def titles(args):
    out = {}
    for path in pathlib.Path(args.parts).glob("*.toml"):
        line = next(l for l in path.read_text().splitlines() if l.startswith("title"))
        out[line.split('"')[1]] = path.stem
    return out


def takes(args):
    return sorted(pathlib.Path(args.takes).glob("*.wav"))


def rows(folder, sql):
    with sqlite3.connect(folder / "class-book.sqlite") as db:
        return db.execute(sql).fetchall()


def which(args):
    folder = new_book(args, SIX)
    heard = folder / "Wren"
    heard.mkdir()
    truth = {}
    for k, path in enumerate(takes(args)):
        name = f"VID_{k:04}.wav"
        shutil.copy(path, heard / name)
        truth[name] = json.loads(path.with_suffix(".json").read_text())["part"].removesuffix(".toml")
    run(args.binary, "gather", heard, "--book", folder)
    named = titles(args)
    sql = ("SELECT t.file, p.title FROM takes t JOIN assignments a ON a.id = t.assignment JOIN parts p ON p.id = a.part")
    got = {pathlib.Path(f).name: named[t] for f, t in rows(folder, sql)}
    doubtful = {pathlib.Path(f).name: why for f, why in rows(folder, "SELECT file, why FROM waiting")}
    own = {n: p for n, p in truth.items() if p in SIX}
    other = {n: p for n, p in truth.items() if p not in SIX}
    right = sum(got.get(n) == p for n, p in own.items())
    wrong = [(n, p, got[n]) for n, p in own.items() if n in got and got[n] != p]
    strange = [(n, p, got[n]) for n, p in other.items() if n in got]
    print(f"takes of the six parts: {len(own)}: right {right}, doubtful {sum(n in doubtful for n in own)}, wrong {len(wrong)}")
    print(f"takes of other parts: {len(other)}: taken for one of the six {len(strange)}")
    for n, p, g in wrong + strange:
        print("  ", n, takes(args)[int(n[4:8])].stem, p, "->", g)
    for n in own:
        if n in doubtful:
            print("   doubtful", takes(args)[int(n[4:8])].stem, own[n], doubtful[n])
    shutil.rmtree(folder)


def chosen(args, folder, count):
    heard = folder / "Wren"
    heard.mkdir()
    for k, path in enumerate(takes(args)[:count]):
        shutil.copy(path, heard / f"take{k:02}.wav")
    return heard


def speed(args):
    title = {stem: t for t, stem in titles(args).items()}
    truth = lambda path: json.loads(path.with_suffix(".json").read_text())["part"].removesuffix(".toml")
    own = [path for path in takes(args) if truth(path) in SIX][:30]
    for carded, how in ((True, "with a card each"), (False, "which of six parts by hearing")):
        folder = new_book(args, SIX)
        heard = folder / "Wren"
        heard.mkdir()
        for k, path in enumerate(own):
            shutil.copy(path, heard / f"take{k:02}.wav")
            if carded:
                (heard / f"take{k:02}.take.json").write_text(json.dumps({"part": {"title": title[truth(path)]}}))
        # Processor time beside the clock's: a shared machine stretches only the latter.
        spent = lambda: sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])
        begun, before = time.monotonic(), spent()
        done = run(args.binary, "gather", heard, "--book", folder)
        took, used = time.monotonic() - begun, spent() - before
        begun = time.monotonic()
        run(args.binary, "gather", heard, "--book", folder)
        length = rows(folder, "SELECT sum(length_s), count(*) FROM takes")[0]
        print(f"{length[1]} takes, {length[0]:.0f} s of sound, {how}: gathered in {took:.2f} s, {used:.2f} s of processor time; "
              f"again {time.monotonic() - begun:.2f} s")
        print(done.stdout.strip())
        shutil.rmtree(folder)


STATE = ["SELECT sha256, file, taken_s, hex(print) FROM takes ORDER BY sha256",
         "SELECT t.sha256, r.unit, r.state FROM results r JOIN takes t ON t.id = r.take ORDER BY 1, 2",
         "SELECT t.sha256, hex(s.marks), s.fix FROM assessments s JOIN takes t ON t.id = s.take ORDER BY 1",
         "SELECT t.sha256, f.kind, f.text, f.size FROM findings f JOIN assessments s ON s.id = f.assessment "
         "JOIN takes t ON t.id = s.take ORDER BY 1, 2, 3",
         "SELECT sha256, file, why FROM waiting ORDER BY 1", "SELECT sha256, file FROM copies ORDER BY 1"]


def kill(args):
    random.seed(5)
    source = pathlib.Path(tempfile.mkdtemp(prefix="takes-"))
    heard = chosen(args, source, args.count)
    (heard / "broken.wav").write_bytes(b"RIFF1234WAVEnothing")

    def state(folder):
        assert rows(folder, "PRAGMA integrity_check") == [("ok",)]
        return [rows(folder, sql) for sql in STATE], sorted(p.name for p in (folder / "sound").iterdir() if not p.name.endswith(".part"))

    folder = new_book(args, SIX)
    begun = time.monotonic()
    run(args.binary, "gather", heard, "--book", folder)
    whole = time.monotonic() - begun
    expected = state(folder)
    shutil.rmtree(folder)
    kills = done = 0
    differ = 0
    while kills < args.times:
        folder = new_book(args, SIX)
        while True:
            child = subprocess.Popen([args.binary, "book", "gather", heard, "--book", folder], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            try:
                # One recording may take most of the time: it must be able to end.
                child.wait(random.uniform(0.0, 1.5 * whole))
                break
            except subprocess.TimeoutExpired:
                child.send_signal(signal.SIGKILL)
                child.wait()
                kills += 1
        done += 1
        differ += state(folder) != expected
        shutil.rmtree(folder)
    print(f"killed {kills} times over {done} books of {args.count} takes: {differ} ended in another state")
    shutil.rmtree(source)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["which", "speed", "kill"])
    parser.add_argument("--binary", required=True)
    parser.add_argument("--takes", required=True)
    parser.add_argument("--parts", required=True)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--count", type=int, default=6)
    args = parser.parse_args()
    {"which": which, "speed": speed, "kill": kill}[args.what](args)


if __name__ == "__main__":
    main()
