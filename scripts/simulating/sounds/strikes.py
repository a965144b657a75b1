"""Strikes made from damped modes: objects that no sound set holds.

A strike is a force pulse (half sine; the softer the blow, the longer it lasts)
exciting damped modes, plus the noise of the contact itself. The spans below are
chosen by ear and by what plastic, tin, card and wood of household size do: from
memory, not measured.
"""
import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

RATE = 44_100
VARIANTS = 8


def logu(rng, lo, hi, size=None):
    """Log-uniform draw."""
    return np.exp(rng.uniform(np.log(lo), np.log(hi), size))


# kind -> class, mode count, mode span Hz, decay span s, contact span s,
#         noise share span, noise decay span s, noise band span Hz, length s
KINDS = {
    "modal-centre": ("centre", (1, 7), (70, 900), (.003, .12), (.0002, .0025), (.05, 1.2), (.0006, .006), (200, 15000), .4),
    "bucket": ("centre", (5, 14), (100, 900), (.03, .12), (.0006, .003), (.05, .5), (.001, .008), (400, 9000), .5),
    "bucket-deep": ("centre", (3, 9), (75, 420), (.05, .2), (.001, .004), (.02, .3), (.002, .01), (300, 6000), .7),
    "box": ("centre", (4, 10), (90, 700), (.008, .045), (.001, .004), (.1, .7), (.003, .015), (250, 5000), .3),
    "tin": ("centre", (6, 16), (250, 3500), (.03, .35), (.0003, .0015), (.05, .5), (.001, .006), (800, 12000), .9),
    "pot": ("centre", (4, 10), (300, 5000), (.08, .5), (.0003, .001), (.05, .4), (.001, .004), (900, 12000), 1.2),
    "drawer": ("centre", (4, 12), (60, 1200), (.01, .06), (.0008, .003), (.1, .8), (.002, .01), (300, 8000), .35),
    "modal-rim": ("rim", (1, 7), (250, 4000), (.003, .06), (.0001, .0006), (.05, 1.2), (.0006, .006), (500, 15000), .35),
    "bucket-rim": ("rim", (4, 12), (400, 3000), (.008, .05), (.0002, .0009), (.1, .9), (.0007, .005), (800, 14000), .35),
    "tin-rim": ("rim", (5, 14), (700, 6000), (.02, .25), (.0001, .0006), (.05, .6), (.0006, .003), (1500, 15000), .7),
    "box-edge": ("rim", (3, 8), (300, 2200), (.004, .02), (.0004, .0015), (.2, 1.), (.001, .006), (600, 9000), .25),
    "shell": ("rim", (3, 9), (200, 1800), (.01, .06), (.0003, .001), (.1, .8), (.0008, .004), (700, 12000), .35),
    "modal-click": ("click", (1, 7), (700, 7000), (.003, .03), (.0001, .0006), (.05, 1.2), (.0006, .006), (900, 15000), .2),
    "sticks": ("click", (2, 6), (900, 6000), (.003, .02), (.0001, .0004), (.05, .6), (.0004, .002), (1500, 16000), .15),
    "rods": ("click", (3, 9), (700, 7000), (.002, .012), (.0001, .0007), (.2, 1.2), (.0006, .004), (1200, 15000), .15),
    "block": ("click", (1, 4), (600, 2800), (.01, .03), (.0001, .0006), (.02, .3), (.0005, .002), (1500, 12000), .25),
    "thigh": ("pat", (2, 5), (60, 350), (.01, .04), (.002, .005), (.3, 1.2), (.005, .02), (150, 4000), .25),
    "chest": ("pat", (2, 5), (55, 260), (.015, .06), (.0025, .006), (.1, .6), (.005, .02), (120, 2500), .3),
    "palm": ("pat", (3, 8), (80, 800), (.01, .08), (.0015, .005), (.2, .9), (.003, .015), (200, 5000), .35),
    "clap": ("clap", (1, 4), (500, 2600), (.003, .012), (.0002, .001), (1., 3.), (.004, .015), (400, 12000), .25),
}
BY_CLASS = {}
for _kind, _row in KINDS.items():
    BY_CLASS.setdefault(_row[0], []).append(_kind)


def attack_at(x, near=None):
    """First sample at which `x` exceeds 5 % of its peak of the following 60 ms.

    With `near`, looks from 4 ms before it.
    """
    a = np.abs(x)
    lo = 0 if near is None else max(0, int(near) - int(.004 * RATE))
    peak = a[lo:lo + int(.064 * RATE)].max()
    return lo + int(np.argmax(a[lo:] >= .05 * peak))


def strike_set(cls, rng):
    """`VARIANTS` strikes of one invented object: list of dicts `x`, `attack`, `layer`."""
    kind = BY_CLASS[cls][rng.integers(len(BY_CLASS[cls]))]
    _, modes, span, decay, contact, noise, noise_decay, band, length = KINDS[kind]
    k = int(rng.integers(modes[0], modes[1] + 1))
    f = np.sort(logu(rng, *span, k))
    tau = logu(rng, *decay, k) * (f[0] / f) ** rng.uniform(.2, .8)
    amp = rng.uniform(.2, 1, k) * (f / f[0]) ** rng.uniform(-.8, .2)
    share, fall, touch = rng.uniform(*noise), logu(rng, *noise_decay), logu(rng, *contact)
    edge = logu(rng, band[0], band[0] * 4), logu(rng, max(band[1] / 3, band[0] * 6), band[1])
    bp = butter(1, [edge[0], min(edge[1], 20_000)], "bp", fs=RATE, output="sos")
    n = int(length * RATE)
    t = np.arange(n) / RATE
    out = []
    bursts = int(rng.integers(2, 5)) if cls == "clap" and rng.random() < .3 else 1
    for v in range(VARIANTS):
        hard = v / (VARIANTS - 1)
        width = touch * 2 ** rng.uniform(-.2, .2) * 2 ** (1 - hard)
        pulse = np.sin(np.pi * np.linspace(0, 1, max(3, int(width * RATE)) + 2)[1:-1])
        a = amp * rng.uniform(.7, 1.3, k)
        fv = f * rng.uniform(.99, 1.01, k) * rng.uniform(.99, 1.01)
        x = (a[:, None] * np.exp(-t / tau[:, None]) * np.sin(2 * np.pi * fv[:, None] * t)).sum(0)
        x = fftconvolve(x, pulse / pulse.sum())[:n]
        b = np.zeros(n)
        at = 0
        for j in range(bursts):
            g = 1 if j == bursts - 1 else rng.uniform(.3, .9)
            b[at:] += g * (rng.normal(0, 1, n) * np.exp(-t / fall))[:n - at]
            at += int(rng.uniform(.006, .014) * RATE)
        m = max(1, int(.5 * width * RATE))
        b = sosfilt(bp, b)
        b[:m] *= np.linspace(0, 1, m)
        x = x / np.abs(x).max() + share * (.5 + .5 * hard) * b / np.abs(b).max()
        x = np.r_[np.zeros(40), x]
        x[-n // 6:] *= np.linspace(1, 0, len(x[-n // 6:]))
        x *= .9 / np.abs(x).max()
        out.append({"x": x, "attack": attack_at(x), "layer": hard})
    return {"source": f"made:{kind}", "shots": out}
