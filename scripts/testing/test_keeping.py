#!/usr/bin/env python3
"""A full disk, a folder that can only be read, rights, and memory; called by scripts/test-keeping.

Every test makes its claim and fails loudly. A disk of a few megabytes is mounted for the first two, which needs root.
"""
import argparse
import contextlib
import hashlib
import os
import pathlib
import re
import shutil
import sqlite3
import struct
import subprocess
import sys
import tempfile
import zipfile

sys.path.insert(0, str(pathlib.Path(__file__).parent.parent / "simulating"))
from small_takes import PART, wave  # noqa: E402

RATE = 44_100
# The most memory of any command on any input, in kilobytes.
MOST_KB = 150_000


def wav(seconds, room):
    samples = [((k * 7919 + room * 131) % 17) - 8 for k in range(int(seconds * RATE))]
    for k in range(3):
        at = int((0.2 + 0.5 * k) * RATE) + room * 37 % 900
        for n in range(3000):
            samples[at + n] += int(9000 * 0.998**n * (1 if (n // 105) % 2 else -1))
    return wave(samples, RATE)


class School:
    """A book in a folder of its own, and an inbox beside it."""

    def __init__(self, binary, book, beside, takes=12):
        self.binary, self.book, self.beside = binary, pathlib.Path(book), pathlib.Path(beside)
        self.inbox = self.beside / "inbox"
        self.inbox.mkdir()
        (self.beside / "rain.toml").write_text(PART)
        (self.beside / "roster.csv").write_text("class,nickname\n3b,Wren\n3b,Jay\n")
        for k in range(takes):
            (self.inbox / f"Wren_{k}.wav").write_bytes(wav(1.8, k))
            (self.inbox / f"Wren_{k}.take.json").write_text('{"part": {"title": "Rain"}}')

    def run(self, *args, ok=True):
        done = subprocess.run([self.binary, "book", *map(str, args), "--book", str(self.book)], capture_output=True, text=True)
        assert not ok or done.returncode == 0, done.stderr
        assert done.returncode in (0, 1, 2), f"died with {done.returncode}: {done.stderr}"
        return done

    def begin(self):
        self.run("new")
        self.run("roster", self.beside / "roster.csv")
        self.run("assign", self.beside / "rain.toml", "--class", "3b", "--from", "2020-01-01")

    def rows(self, sql):
        with contextlib.closing(sqlite3.connect(self.book / "class-book.sqlite")) as db:
            assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            return db.execute(sql).fetchall()

    def check(self):
        """Every file of sound is whole, every row has its own, nothing half is left."""
        named = {r[0] for r in self.rows("SELECT sound FROM takes WHERE sound IS NOT NULL UNION SELECT sound FROM waiting")}
        there = {p.name: p for p in (self.book / "sound").iterdir()}
        assert named <= set(there), named - set(there)
        for name, path in there.items():
            assert hashlib.sha256(path.read_bytes()).hexdigest() == name.split(".")[0], f"half a file: {name}"
        left = [p for p in self.book.rglob("*") if ".pailbeat-" in p.name]
        assert not left, left


@contextlib.contextmanager
def disk(kilobytes):
    with tempfile.TemporaryDirectory(prefix="disk-") as place:
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", place], check=True)
        try:
            yield pathlib.Path(place)
        finally:
            subprocess.run(["umount", place], check=True)


def full_disk(binary):
    """What was kept is said, no half file stays, and with room again the rest is kept."""
    stopped, failed = 0, set()
    for kilobytes in range(480, 2600, 90):
        with disk(kilobytes) as place, tempfile.TemporaryDirectory() as beside:
            school = School(binary, place / "book", beside)
            try:
                school.begin()
            except AssertionError as error:
                # Not even the book fits: then there is none, or a whole one.
                assert "hint:" in str(error), error
                continue
            done = school.run("gather", school.inbox, ok=False)
            school.check()
            takes = school.rows("SELECT count(*) FROM takes")[0][0]
            said = re.search(r"(\d+) new take", done.stdout)
            assert said and int(said[1]) == takes, (takes, done.stdout, done.stderr)
            if done.returncode != 0:
                stopped += 1
                assert "hint:" in done.stderr, done.stderr
            for args in (["backup", place / "copy.sqlite"], ["export", place / "out"]):
                if school.run(*args, ok=False).returncode != 0:
                    half = [p for p in place.iterdir() if p.name in ("copy.sqlite", "out") or p.name.startswith(".pailbeat-")]
                    assert not half, half
                    failed.add(args[0])
                (place / "copy.sqlite").unlink(missing_ok=True)
                shutil.rmtree(place / "out", ignore_errors=True)
            subprocess.run(["mount", "-o", "remount,size=20m", str(place)], check=True)
            school.run("gather", school.inbox)
            school.check()
            assert school.rows("SELECT count(*) FROM takes")[0][0] == 12
    assert stopped >= 5 and failed == {"backup", "export"}, (stopped, failed)
    return f"a gather stopped by a full disk {stopped} times: what was kept was said, and nothing was half"


def read_only(binary):
    """A folder that cannot be written can be read, and says what cannot be done."""
    with disk(9000) as place, tempfile.TemporaryDirectory() as beside:
        school = School(binary, place / "book", beside, takes=2)
        school.begin()
        school.run("gather", school.inbox)
        subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        assert "Wren" in school.run("show").stdout
        assert "Wren_0.wav" in school.run("takes", "Wren").stdout
        school.run("backup", pathlib.Path(beside) / "copy.sqlite")
        school.run("export", pathlib.Path(beside) / "out")
        said = school.run("word", "Wren", "hello", ok=False)
        assert said.returncode == 2 and "can only be read" in said.stderr, said.stderr
        subprocess.run(["mount", "-o", "remount,rw", str(place)], check=True)
    return "shown, listed, backed up and exported from a disk that can only be read"


def rights(binary):
    """Whatever is made is its owner's alone, with the most generous mask too."""
    before = os.umask(0)
    try:
        with tempfile.TemporaryDirectory() as name:
            work = pathlib.Path(name)
            (work / "beside").mkdir()
            school = School(binary, work / "made" / "book", work / "beside", takes=2)
            school.begin()
            school.run("gather", school.inbox)
            school.run("class", "3b")
            school.run("pupil", "Wren")
            school.run("backup", work / "made" / "copies" / "copy.sqlite")
            school.run("export", work / "made" / "out")
            part, made = school.beside / "rain.toml", work / "made"
            for args in (["assess", part, school.inbox / "Wren_0.wav", "--out", made / "reports"],
                         ["guide", part, "--out", made / "guides" / "guide.wav"]):
                done = subprocess.run([binary, *map(str, args)], capture_output=True, text=True)
                assert done.returncode == 0, done.stderr
            paths = [made, *made.rglob("*")]
            assert len(paths) > 40, paths
            open_to_others = [p for p in paths if p.stat().st_mode & 0o077]
            assert not open_to_others, open_to_others
    finally:
        os.umask(before)
    return f"{len(paths)} files and folders, none of them open to others"


def peak(command, cwd):
    """How a command ended, what it said, and the most memory it held, in kilobytes."""
    with tempfile.TemporaryFile() as out:
        process = subprocess.Popen([str(c) for c in command], stdout=out, stderr=out, cwd=cwd)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        return process.returncode, out.read().decode(errors="replace"), usage.ru_maxrss


def memory(binary):
    """Hostile files: refused or passed over with a word, and never more memory than stated."""
    worst = (0, "")
    with tempfile.TemporaryDirectory() as name:
        work = pathlib.Path(name)
        (work / "beside").mkdir()
        school = School(binary, work / "book", work / "beside", takes=2)
        school.begin()
        hostile = work / "hostile"

        def gather(what, make, *wanted):
            nonlocal worst
            shutil.rmtree(hostile, ignore_errors=True)
            hostile.mkdir()
            # In a process of its own: what a process has held counts for the one it starts.
            maker = os.fork()
            if maker == 0:
                make()
                os._exit(0)
            assert os.waitpid(maker, 0)[1] == 0, what
            good = hostile / "Wren_good.wav"
            good.write_bytes(wav(1.8, 900 + len(what)))
            good.with_suffix(".take.json").write_text('{"part": {"title": "Rain"}}')
            code, said, kilobytes = peak([binary, "book", "gather", hostile, "--book", school.book], work)
            assert code in (0, 1) and "1 new take" in said, f"{what}: {code}: {said}"
            assert all(w in said for w in wanted), f"{what}: {said}"
            assert kilobytes < MOST_KB, f"{what}: {kilobytes} kB"
            worst = max(worst, (kilobytes, what))
            school.check()

        def bomb(gigabytes):
            head = wav(0.1 + 1.8, 1)[:40] + struct.pack("<I", 0xFFFFFFFF)
            with zipfile.ZipFile(hostile / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as zipped:
                with zipped.open("Jay/take.wav", "w", force_zip64=True) as member:
                    member.write(head)
                    for _ in range(int(gigabytes * 64)):
                        member.write(bytes(1 << 24))

        def many():
            with zipfile.ZipFile(hostile / "many.zip", "w") as zipped:
                for k in range(120_000):
                    zipped.writestr(f"{k}.wav", b"")

        def mails():
            with open(hostile / "post.mbox", "wb") as out:
                for size in (60_000_000, 20_000_000):
                    out.write(b"From a@b Wed Nov  4 12:00:00 2026\nFrom: a@b\nMIME-Version: 1.0\n"
                              b"Content-Type: audio/wav; name=\"take.wav\"\n\n" + b"x" * size + b"\n")

        def cards():
            for k in range(1500):
                (hostile / f"{k}.wav").write_bytes(b"RIFF")
                with open(hostile / f"{k}.take.json", "wb") as out:
                    out.truncate(1 << 20)

        gather("a zip that unpacks to 4.4 GB", lambda: bomb(4.4), "unpack it yourself")
        gather("a zip that unpacks to 1.2 GB of silence", lambda: bomb(1.2))
        gather("a zip of 120,000 members", many, "members")
        gather("a mailbox with a mail of 60 MB", mails, "larger than")
        gather("1,500 cards of a megabyte", cards)
        with open(work / "sparse.toml", "wb") as out:
            out.truncate(1 << 32)
        os.mkfifo(work / "pipe")
        part = work / "beside" / "rain.toml"
        for what, command in {
            "a part of 4 GB": ["check", work / "sparse.toml"],
            "a device as a part": ["check", "/dev/zero"],
            "a pipe as a part": ["check", work / "pipe"],
            "a pipe as a take": ["assess", part, work / "pipe", "--json"],
            "a device as a roster": ["book", "roster", "/dev/zero", "--book", school.book],
            "a device as a plan": ["drill", "score", "/dev/zero", part],
        }.items():
            code, said, kilobytes = peak([binary, *command], work)
            assert code in (1, 2) and "error:" in said, f"{what}: {code}: {said}"
            assert kilobytes < MOST_KB, f"{what}: {kilobytes} kB"
            worst = max(worst, (kilobytes, what))
    return f"at most {worst[0] / 1000:.0f} MB, for {worst[1]}"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--binary", type=pathlib.Path, required=True)
    parser.add_argument("only", nargs="*", help="only these tests")
    args = parser.parse_args()
    binary = str(args.binary.resolve())
    root = os.geteuid() == 0 and shutil.which("mount")
    for test in (full_disk, read_only, rights, memory):
        if args.only and test.__name__ not in args.only:
            continue
        if test in (full_disk, read_only) and not root:
            print(f"{test.__name__}: left out, because mounting a disk needs root")
            continue
        print(f"{test.__name__}: {test(binary)}", flush=True)


main()
