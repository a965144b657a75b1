"""Background sounds made from nothing, and recorded ones laid end to end.

Every maker takes (n, rng) and returns n samples; levels are set by the caller.
Spans are from memory of such sounds, not measured.
"""
import hashlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from scipy.signal import butter, fftconvolve, lfilter, sosfilt

import readers
from strikes import BY_CLASS, logu, strike_set

RATE = 44_100


def band(x, lo, hi, order=1):
    return sosfilt(butter(order, [lo, min(hi, 21_000)], "bp", fs=RATE, output="sos"), x)


def low(x, hz, order=1):
    return sosfilt(butter(order, hz, fs=RATE, output="sos"), x)


def unit(x):
    return x / (np.sqrt(np.mean(x ** 2)) + 1e-12)


def coloured(n, rng, slope=None):
    """Noise whose power falls by `slope` x 3 dB an octave (0 white, 1 pink, 2 brown)."""
    slope = rng.uniform(0, 2) if slope is None else slope
    spec = np.fft.rfft(rng.normal(0, 1, n))
    f = np.arange(len(spec)) + 30 * n / RATE
    return unit(np.fft.irfft(spec * (f / f[-1]) ** (-slope / 2), n))


def wander(n, rng, per_s, lo, hi):
    """A slowly moving line between `lo` and `hi`, about `per_s` turns a second."""
    m = max(3, int(n / RATE * per_s) + 3)
    return np.interp(np.arange(n), np.linspace(0, n, m), rng.uniform(lo, hi, m))


def sparse(n, rng, rate, heavy):
    """Poisson impulses: log-normal levels, or Pareto with index `heavy` if it is given."""
    x = np.zeros(n)
    k = rng.poisson(rate * n / RATE)
    level = rng.lognormal(0, 1.0, k) if heavy is None else np.minimum((1 - rng.random(k)) ** (-1 / heavy), 60)
    np.add.at(x, rng.integers(0, n, k), level * rng.choice([-1, 1], k))
    return x


def burst(rng, length, lo, hi, fall):
    """A short band of decaying noise."""
    m = int(length * RATE)
    return band(rng.normal(0, 1, m), lo, hi) * np.exp(-np.arange(m) / RATE / fall)


def modes(rng, length, f, tau):
    t = np.arange(int(length * RATE)) / RATE
    return (rng.uniform(.3, 1, len(f))[:, None] * np.exp(-t / tau[:, None])
            * np.sin(2 * np.pi * f[:, None] * t)).sum(0)


def rain(n, rng):
    """From a smooth downpour to single drops on a sill."""
    smooth = rng.uniform(0, 1)
    x = band(coloured(n, rng, rng.uniform(0, 1.2)), logu(rng, 100, 1500), logu(rng, 4000, 16000))
    drops = np.zeros(n)
    for _ in range(12):
        f = logu(rng, 400, 9000)
        drop = burst(rng, .02, f / 2, f * 2, logu(rng, .0005, .006))
        if rng.random() < .3:
            drop = drop / np.abs(drop).max() + modes(rng, .02, np.array([f]), np.array([logu(rng, .002, .008)]))
        drops += unit(fftconvolve(sparse(n, rng, logu(rng, 1, 60) * 10 ** (1.5 * smooth), None), drop)[:n]) \
            * rng.uniform(.1, 1)
    return (unit(x) + logu(rng, .15, 4) * (1.2 - smooth) * unit(drops)) * wander(n, rng, .5, .75, 1)


def fire(n, rng):
    x = low(coloured(n, rng, 2), logu(rng, 150, 900)) + rng.uniform(.02, .4) * coloured(n, rng, rng.uniform(.5, 1.5))
    heavy = rng.uniform(.8, 1.8)
    for _ in range(6):
        f = logu(rng, 400, 8000)
        click = burst(rng, .03, f / 3, f * 2, logu(rng, .0004, .006))
        gate = (wander(n, rng, 1.5, -1, 1) > rng.uniform(-.9, .3)).astype(float)
        y = fftconvolve(sparse(n, rng, logu(rng, 1, 40), heavy) * gate, click)[:n]
        x = x + unit(y) * logu(rng, .05, .8)
    return x


def sea(n, rng):
    swell = (.5 + .5 * np.sin(2 * np.pi * np.cumsum(wander(n, rng, .3, .08, .25)) / RATE)) ** 2
    x = low(coloured(n, rng, 1.3), 900) + swell * band(coloured(n, rng, .5), 400, 9000) * rng.uniform(.5, 2)
    return x * (.3 + swell)


def wind(n, rng):
    y = low(coloured(n, rng, 1.5), logu(rng, 200, 1200), 2)
    f = logu(rng, 300, 1200)
    return y * wander(n, rng, 1, .1, 1) + rng.uniform(0, .5) * band(y, f, f * 1.3, 2) * wander(n, rng, 1, 0, 1)


def hum(n, rng):
    t = np.arange(n) / RATE
    f = rng.choice([50, 60, 100, 120]) * rng.uniform(.99, 1.01)
    x = sum(rng.uniform(0, 1) / k * np.sin(2 * np.pi * f * k * t + rng.uniform(0, 6)) for k in range(1, 14))
    lo = logu(rng, 100, 800)
    return unit(x) * rng.uniform(0, 1) + unit(band(coloured(n, rng), lo, lo * rng.uniform(3, 12)))


def pulses(n, rng, hz, length, lo, hi, fall):
    """Noise pulses at a slowly wandering rate."""
    phase = np.cumsum(wander(n, rng, .4, hz * .97, hz * 1.03)) / RATE
    x = np.zeros(n)
    at = np.flatnonzero(np.diff(np.floor(phase)) > 0)
    x[at] = rng.uniform(.7, 1, len(at))
    return fftconvolve(x, burst(rng, length, lo, hi, fall))[:n]


def helicopter(n, rng):
    hz = rng.uniform(8, 26)
    x = unit(pulses(n, rng, hz, .08, rng.uniform(40, 120), logu(rng, 200, 3000), rng.uniform(.006, .04)))
    whine = sum(np.sin(2 * np.pi * np.cumsum(wander(n, rng, .5, f, f * 1.01)) / RATE) for f in logu(rng, 300, 4000, 3))
    bed = unit(band(coloured(n, rng, rng.uniform(.5, 1.8)), 80, logu(rng, 800, 9000)))
    return (x + logu(rng, .1, 3) * bed + rng.uniform(0, .1) * whine) \
        * wander(n, rng, .2, .4, 1)


def saw(n, rng):
    """A two-stroke engine: a ragged pulse train that revs."""
    rev = np.repeat(rng.uniform(.4, 1, n // RATE + 2), RATE)[:n]
    hz = rng.uniform(60, 150) * lfilter([1e-4], [1, 1e-4 - 1], rev) * rng.normal(1, .01, n).clip(.9, 1.1)
    phase = np.cumsum(hz) / RATE
    x = (2 * (phase % 1) - 1) ** 3
    f = logu(rng, 500, 3000, 2)
    return band(x, f.min() / 2, f.max() * 2) + .3 * unit(band(coloured(n, rng, .7), 300, 8000)) * (.3 + rev)


def clock(n, rng):
    """Tick and tock; even over the whole swing to a millisecond at most, each half of it to a tenth (from memory)."""
    x = np.zeros(n)
    swing = rng.choice([1, 2, rng.uniform(.4, 2.2)])
    half = swing * rng.uniform(.45, .55)
    uneven = logu(rng, 1e-4, 1e-3)
    pair = []
    for _ in range(2):
        f = logu(rng, 700, 7000, 3)
        pair.append(modes(rng, .05, f, logu(rng, .002, .015, 3)) + .5 * unit(burst(rng, .05, logu(rng, 300, 2000), 9000, logu(rng, .001, .006))))
    for k, t in enumerate(np.arange(rng.uniform(0, swing), n / RATE, swing)):
        for at, tick in ((t, pair[0]), (t + half, pair[1])):
            place(x, max(0, int((at + rng.normal(0, uneven)) * RATE)), tick * rng.uniform(.8, 1.2))
    return unit(x) + logu(rng, .02, 1) * coloured(n, rng, rng.uniform(.5, 2))


def place(x, at, y):
    y = y[:max(0, len(x) - at)]
    x[at:at + len(y)] += y


def voiced(rng, length, f0, f1, attack, vibrato=0.0, rough=0.0):
    """A glottal-like harmonic sound with formants: rises to the middle, then to `f1`."""
    m = int(length * RATE)
    t = np.linspace(0, 1, m)
    f = f0 * (f1 / f0) ** t * rng.uniform(.9, 1.3) ** np.sin(np.pi * t)
    f = f * (1 + vibrato * np.sin(2 * np.pi * rng.uniform(4, 8) * t * length)) * (1 + rough * rng.normal(0, 1, m))
    x = (np.cumsum(f) / RATE % 1 < .3) - .3 + rng.uniform(.02, .4) * rng.normal(0, 1, m)
    y = .1 * x + sum(band(x, c / 1.2, c * 1.2) * g for c, g in zip(logu(rng, 500, 5500, 4), rng.uniform(.2, 1, 4)))
    swell = wander(m, rng, 6 / length, .6, 1)
    return unit(y) * swell * np.minimum(1, t * length / attack) * np.minimum(1, (1 - t) * length / .06)


def calls(n, rng, make, gap):
    """Sounds of `make()` with pauses drawn from the span `gap`, over a faint bed."""
    x = np.zeros(n)
    t = rng.uniform(0, gap[1] / 2)
    while t * RATE < n:
        y = make()
        place(x, int(t * RATE), y * rng.uniform(.5, 1.2))
        t += len(y) / RATE + rng.uniform(*gap)
    return unit(x) + logu(rng, .01, .3) * coloured(n, rng, rng.uniform(.5, 2))


def dog(n, rng):
    f = logu(rng, 200, 900)
    gap = (.08, .5) if rng.random() < .6 else (.3, 2)
    return calls(n, rng, lambda: voiced(rng, rng.uniform(.08, .3), f * rng.uniform(1, 1.4), f * rng.uniform(.6, 1),
                                        rng.uniform(.004, .03), rough=.03), gap)


def cry(n, rng):
    f = rng.uniform(350, 620)
    return calls(n, rng, lambda: voiced(rng, rng.uniform(.4, 1.6), f, f * rng.uniform(.7, 1.2),
                                        rng.uniform(.02, .1), .03, .01), (.1, .8))


def rooster(n, rng):
    f = rng.uniform(400, 900)

    def crow():
        parts = [voiced(rng, d, f * a, f * b, .015, .02, .01)
                 for d, a, b in ((.15, .8, 1), (.12, 1, .9), (.2, 1, 1.3), (.9, 1.4, .8))]
        return np.concatenate(parts)
    return calls(n, rng, crow, (.8, 3))


def sneeze(n, rng):
    def one():
        breath = burst(rng, .5, 500, 5000, 1) * np.linspace(0, 1, int(.5 * RATE)) ** 2 * .3
        blow = burst(rng, .4, logu(rng, 200, 900), logu(rng, 1500, 9000), rng.uniform(.05, .15))
        if rng.random() < .6:
            f = logu(rng, 180, 600)
            voice = voiced(rng, .3, f, f * rng.uniform(.6, 1), .01, rough=.02)
            blow[:len(voice)] += voice * logu(rng, .2, 2) * np.abs(blow).max() / 3
        return np.r_[breath, unit(blow) * np.minimum(1, np.arange(len(blow)) / RATE / rng.uniform(.003, .02))]
    return calls(n, rng, one, (1, 4))


def dishes(n, rng):
    def clink():
        k = int(rng.integers(3, 8))
        f = logu(rng, 1200, 9000, k)
        return modes(rng, .4, f, logu(rng, .01, .15, k))
    return calls(n, rng, clink, (.05, 1.2))


def thumps(n, rng):
    gap = rng.uniform(.35, .6)
    f = logu(rng, 60, 250)
    return calls(n, rng, lambda: burst(rng, .12, f, f * rng.uniform(3, 30), rng.uniform(.008, .03)), (gap, gap * 1.1))


def doors(n, rng):
    return calls(n, rng, lambda: unit(burst(rng, .5, 50, logu(rng, 500, 4000), rng.uniform(.03, .12))), (.8, 4))


def clatter(n, rng):
    """Things set down, dropped and bumped in the next room: struck like a pupil's own, but nobody's rhythm."""
    things = [strike_set(rng.choice(list(BY_CLASS)), rng)["shots"] for _ in range(rng.integers(1, 6))]
    m = int(logu(rng, .1, .8) * RATE)
    room = rng.normal(0, 1, m) * np.exp(-6.9 * np.arange(m) / m)
    room *= 10 ** (rng.uniform(-10, 10) / 20) / np.linalg.norm(room)
    room[0] += 1

    def one():
        # Most come to rest at once, some bounce.
        shots = things[rng.integers(len(things))]
        y, at, gap, level = np.zeros(int(1.5 * RATE)), 0, rng.uniform(.05, .25), 1.
        for _ in range(1 if rng.random() < .7 else rng.integers(2, 6)):
            place(y, at, level * shots[rng.integers(len(shots))]["x"])
            at, gap, level = at + int(gap * RATE), gap * rng.uniform(.5, .95), level * rng.uniform(.3, .9)
        return y * 10 ** (rng.uniform(-15, 0) / 20)
    x, t, busy = np.zeros(n), 0., logu(rng, .15, 3)
    while t * RATE < n:
        place(x, int(t * RATE), one())
        t += rng.exponential(busy)
    return unit(fftconvolve(x, room)[:n]) + logu(rng, .01, .3) * coloured(n, rng, rng.uniform(.5, 2))


def tones(n, rng):
    """A tune on plucked or blown tones."""
    step = rng.uniform(.15, .6)
    root = logu(rng, 110, 440)
    soft = rng.random() < .4

    def note():
        f = root * 2 ** (rng.choice([0, 2, 4, 5, 7, 9, 11, 12, 16, 19]) / 12)
        h = f * np.arange(1, 9)
        y = modes(rng, step * rng.uniform(.8, 2), h, np.full(8, rng.uniform(.1, .8)) / np.arange(1, 9) ** .5)
        return y * np.minimum(1, np.arange(len(y)) / RATE / (.05 if soft else .003))
    return calls(n, rng, note, (0, step * .5))


WORDS = """now listen the next one goes back to the kitchen and put your shoes away because it is nearly time
for dinner who has seen my keys on the table tomorrow we could walk along the river if the weather stays dry
today in the news a small town has opened its new bridge please wash your hands can you hear me from there
very good that was almost right try it once more a little slower please""".split()


def speech(n, rng):
    """A voice from the next room, spoken by `espeak-ng` where that is installed."""
    if not shutil.which("espeak-ng"):
        return cry(n, rng)
    store = Path(tempfile.gettempdir()) / f"pailbeat-speech-{os.getuid()}"
    store.mkdir(exist_ok=True)
    voice = int(rng.integers(0, 60))
    file = store / f"{voice}.wav"
    if not file.exists():
        r = np.random.default_rng([voice, 77])
        name = r.choice(["en-us", "en-gb", "de", "fr", "es", "it"]) + r.choice(["+m1", "+m3", "+m7", "+f2", "+f4", "+croak"])
        text = " ".join(r.choice(WORDS, 60))
        tmp = store / f"{voice}-{os.getpid()}.wav"
        subprocess.run(["espeak-ng", "-v", name, "-p", str(r.integers(20, 90)), "-s", str(r.integers(110, 220)),
                        "-w", str(tmp), text], check=True, stderr=subprocess.DEVNULL)
        tmp.rename(file)
    _, x = next(readers.read_file(file))
    x = np.tile(x, 2 + n // len(x))
    at = int(rng.integers(0, len(x) - n))
    return unit(x[at:at + n]) + rng.uniform(.01, .1) * coloured(n, rng)


MADE = {f.__name__: f for f in (rain, fire, sea, wind, hum, helicopter, saw, clock, dog, cry, rooster, sneeze,
                                dishes, thumps, doors, tones, speech, coloured)}
# For fits alone: what is drawn for the standard takes stays what it was.
FITTED = {**MADE, "clatter": clatter}


def seeded(text):
    return int(hashlib.md5(text.encode()).hexdigest()[:8], 16)


def recorded(clips, n, rng):
    """`n` samples of recorded clips: long ones cross-faded, short ones strewn with pauses."""
    out = np.zeros(n)
    fade = int(.25 * RATE)
    at = 0
    while at < n:
        x = unit(clips[rng.integers(len(clips))])
        if len(x) >= RATE:
            if len(x) > n + 2 * fade:
                k = int(rng.integers(0, len(x) - n - fade))
                x = x[k:k + n + fade]
            x = x.copy()
            m = min(fade, len(x) // 4)
            w = np.linspace(0, 1, m)
            if at:
                x[:m] *= np.sqrt(w)
            x[-m:] *= np.sqrt(1 - w)
            place(out, max(0, at), x)
            at += len(x) - m
        else:
            place(out, at, x * 10 ** (rng.uniform(-9, 3) / 20))
            at += len(x) + int(rng.uniform(.05, .8) * RATE)
    return unit(out)
