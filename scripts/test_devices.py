"""Drives `pailbeat take` against a file microphone and a null sink; called by scripts/test-devices.

Every test makes its claim and fails loudly. Nothing is asserted about the sample-exactness of the null sink: its
monitor slips under load.
"""

import argparse
import array
import glob
import json
import os
import random
import signal
import struct
import subprocess
import sys
import tempfile
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


class Server:
    """A private PulseAudio with one null sink, and the ALSA configuration that leads to it."""

    def __init__(self, folder):
        self.folder = Path(folder)
        socket = self.folder / "native"
        (self.folder / "default.pa").write_text(
            f"load-module module-native-protocol-unix auth-anonymous=1 socket={socket}\n"
            "load-module module-null-sink sink_name=loop rate=48000 channels=1 channel_map=mono format=float32le\n"
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


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("binary")
    parser.add_argument("--kills", type=int, default=40)
    parser.add_argument("--at-once", type=int, default=5)
    parser.add_argument("--seed", type=int, default=7)
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
            }
            for name, test in tests.items():
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
