"""Rooms: a shoebox's first echoes and a coloured, decaying tail.

The direct sound is one sample of height 1 at time 0, so a room moves no attack.
"""
import numpy as np
from scipy.signal import butter, sosfilt

RATE = 44_100
SPEED = 343.0  # m/s, air at 20 degrees C
CENTRES = (125, 250, 500, 1000, 2000, 4000, 8000)


def images(size, src, mic, absorb, order):
    """Delays (s, after the direct sound) and gains of the image sources of a shoebox."""
    n = np.arange(-order, order + 1)
    axes = []
    for length, s, m in zip(size, src, mic):
        pos = np.where(n % 2 == 0, n * length + s, (n + 1) * length - s)
        axes.append(pos - m)
    dx, dy, dz = np.meshgrid(*axes, indexing="ij")
    hits = sum(np.abs(g) for g in np.meshgrid(n, n, n, indexing="ij"))
    d = np.sqrt(dx ** 2 + dy ** 2 + dz ** 2)
    direct = np.linalg.norm(np.subtract(src, mic))
    keep = (hits > 0) & (hits <= order)
    return (d[keep] - direct) / SPEED, direct / d[keep] * np.sqrt(1 - absorb) ** hits[keep]


def shoebox(rng, t60=None, drr_db=None):
    """An impulse response drawn from `rng`; `drr_db` is direct over all the rest."""
    t60 = float(np.exp(rng.uniform(np.log(.15), np.log(.9)))) if t60 is None else t60
    drr_db = rng.uniform(0, 14) if drr_db is None else drr_db
    size = rng.uniform([2.2, 2.5, 2.2], [9, 12, 3.6])
    mic = rng.uniform(.15, .85, 3) * size
    way = rng.normal(0, 1, 3)
    src = np.clip(mic + way / np.linalg.norm(way) * rng.uniform(.3, 2), .1, size - .1)
    area = 2 * (size[0] * size[1] + size[0] * size[2] + size[1] * size[2])
    absorb = np.clip(.161 * size.prod() / area / t60, .05, .95)  # Sabine
    delay, gain = images(size, src, mic, absorb, 3)
    n = int(min(1.2, 1.1 * t60 + .1) * RATE)
    early = np.zeros(n)
    at = np.maximum(delay * RATE, 8)
    k = at.astype(int)
    ok = k < n - 1
    k, frac, gain = k[ok], (at - k)[ok], (gain * rng.choice([1, -1], len(gain), p=[.85, .15]))[ok]
    np.add.at(early, k, gain * (1 - frac))
    np.add.at(early, k + 1, gain * frac)
    early = sosfilt(butter(1, rng.uniform(3000, 9000), fs=RATE, output="sos"), early)
    early = sosfilt(butter(1, rng.uniform(40, 200), "hp", fs=RATE, output="sos"), early)
    t = np.arange(n) / RATE
    tail = np.zeros(n)
    tilt = rng.uniform(-.45, .05)
    for c in CENTRES:
        bp = butter(1, [c / 2 ** .5, min(c * 2 ** .5, 20_000)], "bp", fs=RATE, output="sos")
        tc = max(.08, t60 * (c / 500) ** (tilt * .6) * rng.uniform(.85, 1.15))
        tail += sosfilt(bp, rng.normal(0, 1, n)) * 10 ** (-3 * t / tc) * (c / 500) ** tilt
    pre = int(rng.uniform(.003, .02) * RATE)
    tail = np.r_[np.zeros(pre), tail[:n - pre]] * np.minimum(1, t / .015)
    share = rng.uniform(.2, .7)
    h = np.sqrt(share) * early / np.sqrt(early @ early + 1e-20)
    h = h + np.sqrt(1 - share) * tail / np.sqrt(tail @ tail + 1e-20)
    h *= np.sqrt(10 ** (-drr_db / 10) / (h @ h))
    h[0] = 1.0
    return h


def measured(response, drr_db):
    """The tail of a measured clap or impulse behind a clean direct sound."""
    k = int(np.abs(response).argmax())
    gap = int(.0015 * RATE)
    tail = response[k + gap:k + int(1.2 * RATE)].copy()
    m = max(1, len(tail) // 8)
    tail[-m:] *= np.linspace(1, 0, m)
    tail *= np.sqrt(10 ** (-drr_db / 10) / (tail @ tail + 1e-20))
    h = np.r_[np.zeros(gap), tail]
    h[0] = 1.0
    return h
