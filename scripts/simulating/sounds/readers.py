"""Readers for the containers in which the sounds come."""
import io
import re
import struct
import zipfile

import numpy as np
import soundfile as sf

RATE = 44_100


def resample(x, rate):
    """`x` at 44.1 kHz."""
    if rate == RATE:
        return x
    from math import gcd
    from scipy.signal import resample_poly
    g = gcd(RATE, int(rate))
    return resample_poly(x, RATE // g, int(rate) // g)


def mono(x):
    """The louder channel: a sum of two microphones would comb."""
    if x.ndim == 1:
        return x
    return x[:, int(np.argmax((x ** 2).sum(0)))]


def decode(blob):
    """Samples at 44.1 kHz of an audio file held in memory."""
    x, rate = sf.read(io.BytesIO(blob), dtype="float64")
    return resample(mono(x), rate)


def read_file(path):
    """Yields the one sound of an audio file."""
    x, rate = sf.read(str(path), dtype="float64")
    yield path.stem, resample(mono(x), rate)


def read_sf(path, want):
    """Yields (name, samples) of a SoundFont 2 or of its Vorbis variant (`sf3`).

    SoundFont 2.04, section 7.10: `shdr` holds 46-byte records. In the Vorbis
    variant (bit 4 of the type) start and end are byte offsets.
    """
    b = path.read_bytes()
    at = b.find(b"smpl", b.find(b"sdta"))
    data = at + 8
    at = b.rfind(b"shdr")
    n = struct.unpack("<I", b[at + 4:at + 8])[0]
    seen = set()
    for k in range(at + 8, at + 8 + n - 46, 46):
        name = b[k:k + 20].split(b"\0")[0].decode("latin1").strip()
        start, end, _, _, rate = struct.unpack("<5I", b[k + 20:k + 40])
        kind = struct.unpack("<H", b[k + 44:k + 46])[0]
        if name in seen or not want(name):
            continue
        seen.add(name)
        if kind & 16:
            yield name, decode(b[data + start:data + end])
        else:
            x = np.frombuffer(b[data + 2 * start:data + 2 * end], dtype="<i2") / 32768
            yield name, resample(x, rate)


def read_gus(path):
    """Yields the first sample of a Gravis `GF1PATCH110` file."""
    b = path.read_bytes()
    at = 239
    size, = struct.unpack("<I", b[at + 8:at + 12])
    rate, = struct.unpack("<H", b[at + 20:at + 22])
    modes = b[at + 55]
    raw = b[at + 96:at + 96 + size]
    if modes & 1:
        x = np.frombuffer(raw[:size - size % 2], dtype="<u2" if modes & 2 else "<i2").astype(float)
        x = (x - 32768 if modes & 2 else x) / 32768
    else:
        x = np.frombuffer(raw, dtype="u1" if modes & 2 else "i1").astype(float)
        x = (x - 128 if modes & 2 else x) / 128
    yield path.stem, resample(x, rate)


def read_zip(path, want):
    """Yields the audio members of a zip archive, named without suffix."""
    with zipfile.ZipFile(path) as z:
        for name in sorted(z.namelist()):
            stem, _, suffix = name.rpartition(".")
            if suffix.lower() in ("wav", "ogg") and want(stem):
                yield stem, decode(z.read(name))


def read_carve(path):
    """Yields the Ogg streams lying uncompressed in a resource bundle."""
    b = path.read_bytes()
    k = 0
    for m in re.finditer(rb"OggS\x00\x02", b):
        at, end = m.start(), m.start()
        serial = b[at + 14:at + 18]
        while b[end:end + 4] == b"OggS" and b[end + 14:end + 18] == serial:
            segments = b[end + 26]
            last = b[end + 5] & 4
            end += 27 + segments + sum(b[end + 27:end + 27 + segments])
            if last:
                break
        try:
            x = decode(b[at:end])
        except (RuntimeError, ValueError):
            continue
        k += 1
        yield f"{path.stem}-{k:02d}", x
