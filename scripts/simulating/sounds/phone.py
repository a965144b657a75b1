"""What a phone does to a take: bands, gain control, clipping, rate, bits, codec."""
import subprocess
from math import gcd

import numpy as np
from scipy.signal import butter, resample_poly, sosfilt

RATE = 44_100
CODECS = {
    "opus": ["-c:a", "libopus", "-f", "ogg"],
    "aac": ["-c:a", "aac", "-f", "adts"],
    "mp3": ["-c:a", "libmp3lame", "-f", "mp3"],
    "vorbis": ["-c:a", "libvorbis", "-f", "ogg"],
}
# What `draw` draws from; takes of a seed stay what they were.
DRAWN = ("opus", "aac", "mp3")


def peaking(gain_db, hz, q, rate=RATE):
    """A peaking equaliser (Bristow-Johnson's audio cookbook) as a second-order section."""
    a = 10 ** (gain_db / 40)
    w = 2 * np.pi * hz / rate
    alpha, c = np.sin(w) / 2 / q, np.cos(w)
    return np.array([1 + alpha * a, -2 * c, 1 - alpha * a,
                     1 + alpha / a, -2 * c, 1 - alpha / a]) / (1 + alpha / a)


def draw(rng):
    """A phone: what of its parts are at work, and how strongly."""
    p = {"bands": None, "eq": [], "agc": None, "clip": None, "rate": RATE, "bits": 16, "codec": None,
         "drift": None, "peak_db": float(rng.uniform(-20, -1))}
    if rng.random() < .65:
        p["bands"] = {"hp": float(rng.uniform(80, 300)), "hp_order": int(rng.integers(1, 3)),
                      "lp": float(rng.uniform(6000, 16000)), "lp_order": int(rng.integers(1, 4))}
    if rng.random() < .5:
        p["eq"] = [[float(rng.uniform(-8, 8)), float(np.exp(rng.uniform(np.log(200), np.log(8000)))),
                    float(rng.uniform(.6, 3))] for _ in range(int(rng.integers(1, 4)))]
    if rng.random() < .3:
        p["agc"] = {"attack_s": float(rng.uniform(.005, .02)), "release_s": float(rng.uniform(.2, 1.5)),
                    "ratio": float(rng.uniform(.3, .85)), "range_db": float(rng.uniform(6, 24))}
    elif rng.random() < .3:
        p["drift"] = [float(g) for g in rng.uniform(-6, 0, 3)]
    if rng.random() < .18:
        p["clip"] = {"over_db": float(rng.uniform(1, 12)), "soft": bool(rng.random() < .5)}
    if rng.random() < .3:
        p["rate"] = int(rng.choice([16_000, 22_050, 32_000, 48_000]))
    if rng.random() < .05:
        p["bits"] = 8
    if rng.random() < .25:
        name = str(rng.choice(DRAWN))
        p["codec"] = {"name": name, "kbps": int(rng.choice([32, 48, 64, 96, 128]))}
    return p


def gain_control(x, attack_s, release_s, ratio, range_db):
    """A feed-forward gain control in steps of 32 samples; looks only back."""
    step = 32
    m = -(-len(x) // step)
    peak = np.abs(np.pad(x, (0, m * step - len(x)))).reshape(m, step).max(1)
    up, down = np.exp(-step / RATE / attack_s), np.exp(-step / RATE / release_s)
    env, e = np.empty(m), 0.0
    for k, v in enumerate(peak.tolist()):
        c = up if v > e else down
        e = c * e + (1 - c) * v
        env[k] = e
    ref = np.quantile(env, .9) + 1e-9
    g = np.clip(-ratio * 20 * np.log10((env + 1e-6) / ref), -range_db, range_db)
    at = (np.arange(m) + 1) * step
    return x * 10 ** (np.interp(np.arange(len(x)), at, g) / 20)


def lag_of(y, x, reach):
    """By how many samples `y` lags behind `x` (cross-correlation, up to `reach`)."""
    n = 1 << (max(len(x), len(y)) + reach).bit_length()
    c = np.fft.irfft(np.fft.rfft(y, n) * np.fft.rfft(x, n).conj(), n)
    k = int(np.argmax(np.r_[c[-reach:], c[:reach + 1]]))
    return k - reach


def through_codec(x, rate, name, kbps):
    """`x` encoded and decoded, the codec's delay taken out again."""
    if name == "opus" and rate not in (8_000, 12_000, 16_000, 24_000, 48_000):
        wire = 48_000
    else:
        wire = rate
    cmd = ["ffmpeg", "-v", "error", "-threads", "1"]
    raw = ["-f", "f32le", "-ac", "1", "-ar"]
    blob = subprocess.run(cmd + raw + [str(rate), "-i", "-", "-ar", str(wire), "-b:a", f"{kbps}k"]
                          + CODECS[name] + ["-"], input=x.astype("<f4").tobytes(),
                          capture_output=True, check=True).stdout
    back = subprocess.run(cmd + ["-i", "-"] + raw + [str(rate), "-"], input=blob,
                          capture_output=True, check=True).stdout
    y = np.frombuffer(back, "<f4").astype(float)
    k = lag_of(y, x, 4096)
    y = y[k:] if k >= 0 else np.r_[np.zeros(-k), y]
    return np.pad(y, (0, max(0, len(x) - len(y))))[:len(x)]


def apply(x, p):
    """`x` (44.1 kHz) as phone `p` writes it: samples and their rate."""
    if p["bands"]:
        b = p["bands"]
        x = sosfilt(butter(b["hp_order"], b["hp"], "hp", fs=RATE, output="sos"), x)
        x = sosfilt(butter(b["lp_order"], b["lp"], fs=RATE, output="sos"), x)
    if p["eq"]:
        x = sosfilt(np.array([peaking(*row) for row in p["eq"]]), x)
    if p["agc"]:
        x = gain_control(x, **p["agc"])
    if p["drift"]:
        n = len(x)
        x = x * 10 ** (np.interp(np.arange(n), [0, n // 2, n], p["drift"]) / 20)
    top = 10 ** (p["peak_db"] / 20)
    x = x / (np.abs(x).max() + 1e-12)
    if p["clip"]:
        x = x * 10 ** (p["clip"]["over_db"] / 20)
        x = np.tanh(x) if p["clip"]["soft"] else np.clip(x, -1, 1)
        top = max(top, .7)
    x = x * top
    rate = p["rate"]
    if rate != RATE:
        g = gcd(rate, RATE)
        x = resample_poly(x, rate // g, RATE // g)
    full = 2 ** (p["bits"] - 1) - 1
    x = np.round(np.clip(x, -1, 1) * full) / full
    if p["codec"]:
        x = through_codec(x, rate, **p["codec"])
    return x, rate
