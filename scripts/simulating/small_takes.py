"""The least part and wave files there are, for scripts that need many takes and not what is heard in them."""
import struct

PART = """title = "Rain"
meter = "4/4"
bpm   = { start = 120, goal = 130 }
form  = "A"

[sections.A]
strokes = "o.o. o.o."
"""


def wave(samples, rate):
    """One channel of 16-bit samples as a WAV file."""
    body = struct.pack(f"<{len(samples)}h", *samples)
    head = struct.pack("<IHHIIHH", 16, 1, 1, rate, 2 * rate, 2, 16)
    return b"RIFF" + struct.pack("<I", 36 + len(body)) + b"WAVEfmt " + head + b"data" + struct.pack("<I", len(body)) + body
