"""Drives `pailbeat take` and `pailbeat drill play` against a file microphone and a null sink; called by scripts/test-devices.

Every test makes its claim and fails loudly. Nothing is asserted about the sample-exactness of the null sink: its
monitor slips under load.
"""

import argparse
import array
import glob
import json
import math
import os
import random
import re
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

RATE = 48_000
PART = """title = "Rain on the Roof"
meter = "4/4"
bpm   = { start = 60, goal = 120 }
form  = "A"

[sections.A]
strokes = "oxx. o.x. | O.-- X.-- |"
"""


ECHOES = """title = "Rain echoes"
meter = "4/4"
bpm   = 100
rounds = 6
hush  = "owl"
lures = { nearly = 1, first = true }
[calls.owl]
strokes = "oo.x o.--"
[calls.wren]
strokes = "oo.x .o--"
lure = true
[calls.hens]
strokes = "o.x. o.x."
[calls.pond]
strokes = "o.oo x.--"
"""


class Server:
    """A private PulseAudio with one null sink, and the ALSA configuration that leads to it."""

    def __init__(self, folder):
        self.folder = Path(folder)
        socket = self.folder / "native"
        (self.folder / "default.pa").write_text(
            f"load-module module-native-protocol-unix auth-anonymous=1 socket={socket}\n"
            "load-module module-null-sink sink_name=loop rate=48000 channels=1 channel_map=mono format=float32le\n"
            # A room of its own for the drill: what the loudspeaker plays comes back softly, and a pupil plays in it.
            "load-module module-null-sink sink_name=speaker rate=48000 channels=1 channel_map=mono format=float32le\n"
            "load-module module-null-sink sink_name=room rate=48000 channels=1 channel_map=mono format=float32le\n"
            "set-default-sink loop\nset-default-source loop.monitor\n"
        )
        plugin = glob.glob("/usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so")[0]
        common = f'pcm_type.pulse {{ lib "{plugin}" }}\npcm.p {{ type pulse }}\n'
        self.file_mic = self.folder / "file.conf"
        self.file_mic.write_text(
            common
            + 'pcm.!default { type asym playback.pcm "p" capture.pcm "infile" }\n'
            'pcm.infile { type file slave.pcm "p" file "/dev/null" infile { @func getenv vars [ TAKE_RAW ] '
            'default "in.f32" } format "raw" }\n'
        )
        self.loop_mic = self.folder / "loop.conf"
        self.loop_mic.write_text(common + 'pcm.!default { type asym playback.pcm "p" capture.pcm "p" }\n')
        self.room_mic = self.folder / "room.conf"
        self.room_mic.write_text(
            common + 'pcm.out { type pulse device "speaker" }\npcm.in { type pulse device "room.monitor" }\n'
            'pcm.!default { type asym playback.pcm "out" capture.pcm "in" }\n')
        self.env = dict(os.environ, PULSE_RUNTIME_PATH=str(folder), PULSE_SERVER=f"unix:{socket}")
        self.process = subprocess.Popen(
            ["pulseaudio", "-n", "-F", str(self.folder / "default.pa"), "--daemonize=no", "--exit-idle-time=-1",
             "--disable-shm=yes", "--use-pid-file=no", "--realtime=no", "--high-priority=no"],
            env=self.env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(100):
            if socket.exists():
                break
            time.sleep(0.05)
        # A null sink without a reader takes two seconds to wake.
        self.reader = subprocess.Popen(["parec", "-d", "loop.monitor"], env=self.env, stdout=subprocess.DEVNULL)

    def with_mic(self, raw=None):
        if raw is None:
            return dict(self.env, ALSA_CONFIG_PATH=str(self.loop_mic))
        return dict(self.env, ALSA_CONFIG_PATH=str(self.file_mic), TAKE_RAW=str(raw))

    def stop(self):
        for process in (self.reader, self.process):
            process.terminate()
            process.wait()


def read(path):
    """Samples of a 24 bit mono wav file as integers, by its own header; what the header promises must be there."""
    data = Path(path).read_bytes()
    assert data[:4] == b"RIFF" and data[8:16] == b"WAVEfmt " and data[36:40] == b"data", "no wav file"
    riff, size = struct.unpack("<I", data[4:8])[0], struct.unpack("<I", data[40:44])[0]
    assert riff == size + 36 and size % 3 == 0 and len(data) >= 44 + size, (riff, size, len(data))
    body = data[44:44 + size]
    return [int.from_bytes(body[k:k + 3], "little", signed=True) for k in range(0, size, 3)]


def ramp(path, seconds):
    """A microphone's sound in which every sample says where it stands."""
    values = array.array("f", (((k * 7919) % 65_521 - 32_760) / 65_536 for k in range(int(seconds * RATE))))
    Path(path).write_bytes(values.tobytes())
    return [round(v * 8_388_608) for v in values]


def command(binary, part, out, *more):
    return [binary, "take", str(part), "--out", str(out), "--no-guide", *more]


def exact(binary, server, work):
    truth = ramp(work / "exact.f32", 6)
    out = work / "exact.wav"
    done = subprocess.run(command(binary, work / "rain.toml", out, "--seconds", "4"), env=server.with_mic(work / "exact.f32"),
                          capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    got = read(out)
    assert len(got) == 4 * RATE, len(got)
    assert got == truth[: len(got)], "the recording is not what the microphone gave"
    card = json.loads((work / "exact.take.json").read_text())
    assert card["length_samples"] == len(got) and not card["slips"] and card["cut_short"] is None, card
    return "every sample of 4 s"


def killed(binary, server, work, number, seed):
    rng = random.Random(seed * 1000 + number)
    out = work / f"killed-{number}.wav"
    process = subprocess.Popen(command(binary, work / "rain.toml", out, "--seconds", "30"),
                               env=server.with_mic(work / "long.f32"), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    began = None
    for _ in range(3000):
        if out.exists() and out.stat().st_size > 44:
            began = time.monotonic()
            head = (out.stat().st_size - 44) / 3 / RATE
            break
        time.sleep(0.01)
    assert began is not None, "no sound within half a minute"
    time.sleep(rng.uniform(0.0, 5.0))
    at = time.monotonic() - began + head
    assert process.poll() is None, "the take ended by itself"
    process.send_signal(signal.SIGKILL)
    process.wait()
    got = read(out)
    card = json.loads((work / f"killed-{number}.take.json").read_text())
    assert card["part"]["title"] == "Rain on the Roof" and card["length_samples"] is None, card
    return at - len(got) / RATE, got


def kills(binary, server, work, count, at_once, seed):
    truth = ramp(work / "long.f32", 20)
    with ThreadPoolExecutor(at_once) as pool:
        results = list(pool.map(lambda n: killed(binary, server, work, n, seed), range(count)))
    lost = sorted(r[0] for r in results)
    for _, got in results:
        assert got == truth[: len(got)], "what was kept is not what the microphone gave"
    assert lost[-1] <= 1.0, f"lost up to {lost[-1]:.3f} s"
    return f"{count} kills, {at_once} at a time: median {lost[len(lost) // 2] * 1000:.0f} ms, most {lost[-1] * 1000:.0f} ms lost"


def full_disk(binary, server, work):
    disk = work / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(disk)], capture_output=True).returncode:
        return "left out: a small disk cannot be mounted here"
    try:
        out = disk / "full.wav"
        done = subprocess.run(command(binary, work / "rain.toml", out, "--seconds", "15"),
                              env=server.with_mic(work / "long.f32"), capture_output=True, text=True, timeout=60)
        assert done.returncode == 1 and "disk" in done.stderr, (done.returncode, done.stderr)
        got = read(out)
        assert len(got) > 1.5 * RATE, len(got)
        card = json.loads((disk / "full.take.json").read_text())
        assert "disk" in card["cut_short"] and card["length_samples"] is not None, card
        return f"{len(got) / RATE:.2f} s kept of a disk of 400 kB, and said"
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def vanished(binary, work):
    with tempfile.TemporaryDirectory() as folder:
        server = Server(folder)
        try:
            out = work / "vanished.wav"
            process = subprocess.Popen(command(binary, work / "rain.toml", out, "--seconds", "20"), env=server.with_mic(),
                                       stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
            for _ in range(800):
                if out.exists() and out.stat().st_size > 2 * RATE * 3:
                    break
                time.sleep(0.01)
            before = len(read(out))
            server.stop()
            gone = time.monotonic()
            _, said = process.communicate(timeout=15)
            took = time.monotonic() - gone
            assert process.returncode == 1 and "microphone is gone" in said, (process.returncode, said)
            kept = len(read(out))
            assert kept >= before
            card = json.loads((work / "vanished.take.json").read_text())
            assert "gone" in card["cut_short"], card
            return f"noticed within {took:.1f} s, {kept / RATE:.1f} s kept"
        finally:
            server.stop()


def no_device(binary, work):
    config = work / "none.conf"
    config.write_text("# no devices at all\n")
    env = dict(os.environ, ALSA_CONFIG_PATH=str(config), PULSE_SERVER="unix:/nonexistent")
    out = work / "none.wav"
    done = subprocess.run(command(binary, work / "rain.toml", out), env=env, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2 and "hint:" in done.stderr and "microphone" in done.stderr, (done.returncode, done.stderr)
    assert not out.exists() and not (work / "none.take.json").exists(), "a take that never was"
    checked = subprocess.run([binary, "check", str(work / "rain.toml")], env=env, capture_output=True, text=True)
    assert checked.returncode == 0
    return "said, with the way out; files still work"


def guided(binary, server, work):
    """The guide through the null sink's monitor: found again where the card says, within its delay."""
    out = work / "guided.wav"
    done = subprocess.run([binary, "take", str(work / "rain.toml"), "--bpm", "120", "--out", str(out)], env=server.with_mic(),
                          capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    card = json.loads((work / "guided.take.json").read_text())
    assert card["guide_played"] and card["start_s"] is not None, card
    told = subprocess.run([binary, "assess", str(out), "--json"], env=server.with_mic(), capture_output=True, text=True)
    assert told.returncode == 0, told.stderr
    verdict = json.loads(told.stdout)
    assert verdict["clock"]["source"] == "guide", verdict["clock"]
    away = verdict["clock"]["start_s"] - card["start_s"]
    assert abs(away) < 0.5, away
    return f"heard {away * 1000:+.0f} ms from where the card puts it; {len(verdict['strikes'])} strikes (the null sink slips, so that clicks may remain)"


def strike(surface):
    """A struck bucket, made: modes that die away and a stick's noise."""
    rng = random.Random(surface)
    modes = {"centre": [(180, 0.07), (410, 0.05)], "rim": [(640, 0.03), (1400, 0.02), (2500, 0.015)],
             "click": [(2900, 0.006), (4300, 0.004)]}[surface]
    return array.array("f", (
        0.25 * (sum(math.exp(-t / d) * math.sin(2 * math.pi * f * t) for f, d in modes)
                + 0.8 * rng.uniform(-1, 1) * math.exp(-t / 0.005))
        for t in (k / RATE for k in range(RATE // 4))))


class Room(threading.Thread):
    """A room: the loudspeaker comes back softly through its monitor, noise, and what a pupil strikes (`waiting`)."""

    BLOCK = 480

    def __init__(self, env, leak):
        super().__init__(daemon=True)
        self.leak, self.stop, self.at = leak, False, 0
        self.waiting = []
        self.shots = {name: strike(name) for name in ("centre", "rim", "click")}
        raw = ["--raw", "--rate=48000", "--channels=1", "--format=float32le", "--latency-msec=20"]
        self.ear = subprocess.Popen(["parec", "-d", "speaker.monitor", *raw], env=env, stdout=subprocess.PIPE)
        self.hand = subprocess.Popen(["pacat", "-d", "room", *raw], env=env, stdin=subprocess.PIPE)

    def run(self):
        try:
            self.play()
        except (BrokenPipeError, ValueError, OSError):
            pass  # the server is gone, and so is the room

    def play(self):
        rng = random.Random(5)
        noise = [rng.gauss(0, 1e-4) for _ in range(RATE)]
        while not self.stop:
            data = self.ear.stdout.read(4 * self.BLOCK)
            if len(data) < 4 * self.BLOCK:
                return
            heard = array.array("f", data)
            out = [self.leak * v + n for v, n in zip(heard, noise[self.at % RATE:self.at % RATE + self.BLOCK])]
            if max(heard) > 0.01 or min(heard) < -0.01:
                self.sounds(self.at + next(i for i, v in enumerate(heard) if abs(v) > 0.01))
            for start, shot in self.waiting:
                for i in range(max(start, self.at), min(start + len(shot), self.at + self.BLOCK)):
                    out[i - self.at] += shot[i - start]
            self.waiting = [w for w in self.waiting if w[0] + len(w[1]) > self.at + self.BLOCK]
            self.at += self.BLOCK
            self.hand.stdin.write(array.array("f", out).tobytes())
            self.hand.stdin.flush()

    def sounds(self, at):
        """The loudspeaker is heard at sample `at`."""

    def end(self):
        self.stop = True
        for process in (self.ear, self.hand):
            process.kill()
            process.wait()


class Pupil(Room):
    """Answers a drill. It knows the plan's patterns, not its times: each call is answered from where its own first stroke
    was heard."""

    def __init__(self, env, plan, leak, answers):
        super().__init__(env, leak)
        self.rounds, self.answers, self.ends = plan["rounds"], answers, []
        self.t0, self.rng = None, random.Random(6)

    def sounds(self, at):
        if self.t0 is None:
            # The count-in's first beat; the plan begins half a second before.
            self.t0 = at - RATE // 2
        if len(self.ends) == len(self.rounds):
            return
        row = self.rounds[len(self.ends)]
        if abs(at - self.t0 - row["call_s"] * RATE) >= 0.15 * RATE:
            return
        self.t0 = at - row["call_s"] * RATE
        answer = self.t0 + row["answer_s"] * RATE
        self.ends.append(time.monotonic() + (at - self.at) / RATE + row["answer_end_s"] - row["call_s"])
        if self.answers and not row["hush"]:
            self.waiting += [(int(answer + (t + self.rng.gauss(0, 0.008)) * RATE), self.shots[s]) for t, s in row["strokes"]]


class Player(Room):
    """Plays along from the first click of a count-in of four: strokes as (beats after bar 1 begins, surface)."""

    def __init__(self, env, leak, bpm, strokes):
        super().__init__(env, leak)
        self.beat, self.strokes = 60 / bpm, strokes

    def sounds(self, at):
        self.waiting += [(at + int((4 + beat) * self.beat * RATE), self.shots[s]) for beat, s in self.strokes]
        self.strokes = []  # the first click has told when


def checked(binary, env, folder):
    """A sound check, done again if it says so: this room itself stutters when the machine is busy."""
    for _ in range(3):
        room = Room(env, 0.3)
        room.start()
        time.sleep(1.0)
        check = subprocess.Popen([binary, "soundcheck", "--pupil", "wren", "--out", str(folder / "soundcheck")], env=env,
                                 stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for line in check.stderr:
            if line.startswith("now three strikes"):
                surface = line.split(":")[1].strip()
                room.waiting += [(room.at + int((0.3 + 0.7 * k) * RATE), room.shots[surface]) for k in range(3)]
        said = check.stdout.read()
        assert check.wait(timeout=30) == 0, said
        room.end()
        found = json.loads((folder / "soundcheck.json").read_text())
        if not found["troubles"]:
            break
    return said, found


def practised(binary, server, work):
    """A morning's practice: sound check, a take, what it came to, the next take."""
    folder = work / "practice"
    folder.mkdir()
    (folder / "rain.toml").write_text(PART)
    env = dict(server.env, ALSA_CONFIG_PATH=str(server.room_mic))
    said, found = checked(binary, env, folder)
    assert found["surfaces"] == "soundcheck-strikes-1.wav:centre,rim,click", (said, found)
    assert found["round_trip_ms"] is not None and found["loudspeaker"], found

    def played(name, arguments, strokes, bpm):
        player = Player(env, 0.3, bpm, strokes)
        player.start()
        time.sleep(1.0)
        done = subprocess.run([binary, *arguments, "--pupil", "wren", "--out", str(folder / name)], env=env,
                              stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120)
        player.end()
        assert done.returncode == 0, done.stderr
        card = json.loads((folder / name).with_suffix(".take.json").read_text())
        assert card["sound_check"] == found and card["round_trip_ms"] == found["round_trip_ms"], (card, done.stderr)
        told = subprocess.run([binary, "assess", str(folder / name), "--json"], capture_output=True, text=True)
        assert told.returncode == 0 and "cannot be used" not in told.stderr, told.stderr
        return card, json.loads(told.stdout)

    bars = [(0, "centre"), (0.5, "rim"), (1, "rim"), (2, "centre"), (3, "rim"), (4, "centre"), (6, "rim")]
    _, verdict = played("wren-1.wav", ["take", str(folder / "rain.toml"), "--bpm", "100"], bars, 100)
    heard = [s["surface"] for s in verdict["strikes"] if s["stroke"] is not None]
    right = sum(a == b for a, (_, b) in zip(heard, bars))
    plan = subprocess.run([binary, "again", str(folder / "wren-1.wav"), "--plan"], capture_output=True, text=True)
    assert plan.returncode == 0 and "next:" in plan.stdout, (plan.stdout, plan.stderr)
    bpm = float(re.search(r"next: .* at (\d+)", plan.stdout)[1])
    card, after = played("wren-2.wav", ["again", str(folder / "wren-1.wav"), "--times", "2"],
                            bars + [(12 + b, s) for b, s in bars], bpm)
    return (f"round trip {found['round_trip_ms']:.0f} ms; of {len(bars)} strokes {len(heard)} heard, {right} on their surface; "
            f"then {card['asked']['bpm']} a minute: {len([s for s in after['strikes'] if s['stroke'] is not None])} strokes "
            f"of {len(after['strikes'])} strikes; {plan.stdout.splitlines()[0]}")


def drilled(binary, server, work, name, leak, answers, *more):
    """Plays a drill in the room with the pupil; gives plan, lines with the times they were printed, and what the pupil knows."""
    (work / "echoes.toml").write_text(ECHOES)
    guide = work / f"{name}-calls.wav"
    subprocess.run([binary, "drill", "make", str(work / "echoes.toml"), "--seed", "3", "--out", str(guide)], check=True,
                   capture_output=True)
    plan = json.loads(guide.with_suffix(".json").read_text())
    env = dict(server.env, ALSA_CONFIG_PATH=str(server.room_mic))
    pupil = Pupil(env, plan, leak, answers)
    pupil.start()
    time.sleep(1.0)
    out = work / f"{name}.wav"
    process = subprocess.Popen([binary, "drill", "play", str(work / "echoes.toml"), "--seed", "3", "--out", str(out), *more],
                               env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True)
    lines = [(time.monotonic(), line) for line in process.stdout]
    said = process.stderr.read()
    process.wait(timeout=60)
    pupil.end()
    return plan, lines, said, process.returncode, pupil.ends, out


def echoed(binary, server, work, leak, answers, name):
    plan, lines, said, status, ends, out = drilled(binary, server, work, name, leak, answers)
    assert status == 0, (status, said)
    now = [(at, line) for at, line in lines if re.match(r" +\d+  ", line)][: len(plan["rounds"])]
    assert len(now) == len(plan["rounds"]), lines
    delays = sorted(at - end for (at, _), end in zip(now, ends))
    card = json.loads(out.with_suffix(".drill.json").read_text())
    row = card["recording"]
    meant = ["hush-kept" if r["hush"] else "right" if answers else "silent" for r in plan["rounds"]]
    verdicts = [s["verdict"] for s in row["said"]]
    again = subprocess.run([binary, "drill", "score", str(out), "--json"], capture_output=True, text=True)
    assert again.returncode == 0, again.stderr
    later = [a["verdict"] for a in json.loads(again.stdout)["answers"]]
    inside = sorted(s["after_ms"] for s in row["said"])
    told = (f"{sum(a == b for a, b in zip(meant, verdicts))} of {len(meant)} as meant, {sum(a == b for a, b in zip(later, verdicts))} "
            f"the same from the file; call heard in {sum(s['call_heard'] for s in row['said'])}; from the answer's end to the printed "
            f"verdict median {delays[len(delays) // 2] * 1000:.0f} ms, most {delays[-1] * 1000:.0f} ms; by the microphone's clock median "
            f"{inside[len(inside) // 2]:.0f} ms, most {inside[-1]:.0f} ms")
    early = [v for v in verdicts if v in ("early", "hush-answered")]
    assert not early, f"the loudspeaker was taken for the pupil: {verdicts}; {told}"
    # The null sink slips under load, so that a stroke may seem late; silence and playing cannot be mistaken for each other.
    assert all((a == "right") <= (b in ("right", "nearly")) and (a in ("silent", "hush-kept")) <= (a == b)
               for a, b in zip(meant, verdicts)), f"{verdicts} instead of {meant}; {told}"
    return told


def drill_without_devices(binary, work):
    config = work / "none.conf"
    config.write_text("# no devices at all\n")
    (work / "echoes.toml").write_text(ECHOES)
    env = dict(os.environ, ALSA_CONFIG_PATH=str(config), PULSE_SERVER="unix:/nonexistent")
    done = subprocess.run([binary, "drill", "play", str(work / "echoes.toml"), "--out", str(work / "no.wav")], env=env,
                          capture_output=True, text=True, timeout=60)
    assert done.returncode == 2 and "hint:" in done.stderr and "microphone" in done.stderr, (done.returncode, done.stderr)
    return "said, with the way out"


def drill_vanished(binary, work):
    with tempfile.TemporaryDirectory() as folder:
        server = Server(folder)
        try:
            (work / "echoes.toml").write_text(ECHOES)
            out = work / "gone.wav"
            process = subprocess.Popen([binary, "drill", "play", str(work / "echoes.toml"), "--out", str(out)],
                                       env=server.with_mic(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            for _ in range(800):
                if out.exists() and out.stat().st_size > 2 * RATE * 3:
                    break
                time.sleep(0.01)
            server.stop()
            gone = time.monotonic()
            _, said = process.communicate(timeout=30)
            took = time.monotonic() - gone
            assert process.returncode == 1 and "cut short" in said, (process.returncode, said)
            card = json.loads(out.with_suffix(".drill.json").read_text())
            assert card["recording"]["cut_short"], card["recording"]
            return f"noticed within {took:.1f} s: {card['recording']['cut_short']}"
        finally:
            server.stop()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("binary")
    parser.add_argument("--kills", type=int, default=40)
    parser.add_argument("--at-once", type=int, default=5)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--only", default="", help="tests whose name holds this")
    args = parser.parse_args()
    failed = False
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as place:
        work = Path(place)
        (work / "rain.toml").write_text(PART)
        server = Server(folder)
        try:
            tests = {
                "a file microphone is recorded to the sample": lambda: exact(args.binary, server, work),
                "kill -9 loses at most a second": lambda: kills(args.binary, server, work, args.kills, args.at_once, args.seed),
                "a full disk ends the take and keeps it": lambda: full_disk(args.binary, server, work),
                "a device that vanishes is noticed": lambda: vanished(args.binary, work),
                "without devices files still work": lambda: no_device(args.binary, work),
                "the guide is the clock of its take": lambda: guided(args.binary, server, work),
                "a sound check goes with the takes after it": lambda: practised(args.binary, server, work),
                "a pupil echoes the leader": lambda: echoed(args.binary, server, work, 0.3, True, "echo"),
                "the leader alone is nobody's answer": lambda: echoed(args.binary, server, work, 1.0, False, "alone"),
                "a pupil with headphones echoes the leader": lambda: echoed(args.binary, server, work, 0.0, True, "phones"),
                "where the microphone is deaf the drill ends": lambda: echoed(args.binary, server, work, 0.0, False, "deaf"),
                "a drill without devices says so": lambda: drill_without_devices(args.binary, work),
                "a drill whose devices vanish says so": lambda: drill_vanished(args.binary, work),
            }
            for name, test in tests.items():
                if args.only not in name:
                    continue
                began = time.monotonic()
                try:
                    said = test()
                    print(f"ok    {name}: {said} ({time.monotonic() - began:.1f} s)", flush=True)
                except Exception as error:  # every test is told, then the exit status says it
                    failed = True
                    print(f"WRONG {name}: {type(error).__name__}: {error}", flush=True)
        finally:
            server.stop()
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
