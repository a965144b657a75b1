#!/usr/bin/env python3
"""Makes the small recordings in tests/data/audio: clicks at prime sample positions, written by ffmpeg.

    scripts/outside/audio_fixtures.py [FOLDER]

Only needed to make them anew. Made with ffmpeg 5.1.9 (libmp3lame, libvorbis, libopus, its own AAC, ALAC, FLAC); no package.
"""
import array
import math
import pathlib
import struct
import subprocess
import sys
import tempfile
import wave

# The same in tests/audio_formats.rs.
RATE = 44_100
CLICKS = (2003, 5003, 8009)
LENGTH = 11_000
# For codings that do not make it smaller.
SHORT_CLICKS = (503, 1801)
SHORT_LENGTH = 2_600
# For the one with a hole of eight pieces (160 ms) between its clicks.
HOLE_CLICKS = (2003, 17_011)
HOLE_LENGTH = 22_000

FILM = ("-f", "lavfi", "-i", "color=size=16x16:rate=4")
FILES = {
    "aac.m4a": "-c:a aac -b:a 64k",
    "alac.m4a": "-c:a alac",
    "film_moov_last.mov": "FILM -c:v mpeg4 -c:a aac -b:a 64k",
    "film_without_sound.mp4": "SILENT -c:v mpeg4",
    "fragmented.mp4": "-c:a aac -b:a 64k -movflags +frag_keyframe+empty_moov",
    "fragmented_edits.mp4": "-c:a aac -b:a 64k -movflags +frag_keyframe+delay_moov",
    "opus.mp4": "-c:a libopus -b:a 48k",
    "lame.mp3": "-c:a libmp3lame -b:a 64k",
    "bare.mp3": "-c:a libmp3lame -b:a 64k -write_xing 0 -id3v2_version 0",
    "bare.aac": "-c:a aac -b:a 64k",
    "vorbis.ogg": "-c:a libvorbis -q:a 1",
    "opus.ogg": "-c:a libopus -b:a 48k",
    "opus.webm": "-c:a libopus -b:a 48k",
    "hole.webm": "HOLE -c:a libopus -b:a 24k -bsf:a noise=drop=between(n\\,5\\,12)",
    "vorbis.webm": "-c:a libvorbis -q:a 1",
    "aac.mkv": "-c:a aac -b:a 64k",
    "flac.flac": "-c:a flac -metadata_header_padding 0",
    "ms_adpcm.wav": "SHORT -c:a adpcm_ms",
    "ima_adpcm.wav": "SHORT -c:a adpcm_ima_wav",
    "plain.aiff": "SHORT -c:a pcm_s16be",
    "plain.caf": "SHORT -c:a pcm_s16le",
    "in24.mov": "SHORT -c:a pcm_s24be -t 0.03",
    "half_rate.m4a": "-ar 22050 -c:a aac -b:a 32k",
}


def clicks(path, positions, length):
    samples = [0.0] * length
    for at in positions:
        for k in range(length - at):
            samples[at + k] += 0.6 * math.exp(-k / (0.0015 * RATE)) * math.cos(2 * math.pi * 3000 * k / RATE)
    with wave.open(path, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.writeframes(array.array("h", [round(32767 * x) for x in samples]).tobytes())


def announce_he_aac(source, target):
    """Writes into the header of an AAC file at half the rate that it is the core of an HE-AAC file at the whole rate, as
    telephones do: object type 5, both rates (ISO/IEC 14496-3, 1.6.2.1)."""
    data = bytearray(source.read_bytes())
    esds = data.find(b"esds")
    # Descriptors 3, 4 and 5, one inside the other, each with its length in four bytes.
    outer, middle, inner = esds + 8, esds + 8 + 5 + 3, esds + 8 + 5 + 3 + 5 + 13
    assert [data[outer], data[middle], data[inner]] == [3, 4, 5], "not laid out as ffmpeg does"
    old = data[inner + 4]
    config = bytes.fromhex("2b8a0800")
    for at in (outer, middle, inner):
        data[at + 4] += len(config) - old
    for kind in (b"esds", b"mp4a", b"stsd", b"stbl", b"minf", b"mdia", b"trak", b"moov"):
        at = data.rfind(kind, 0, esds + 4) - 4
        struct.pack_into(">I", data, at, struct.unpack_from(">I", data, at)[0] + len(config) - old)
    data[inner + 5 : inner + 5 + old] = config
    target.write_bytes(data)


def main():
    folder = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else "tests/data/audio")
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        long, short = f"{temporary}/long.wav", f"{temporary}/short.wav"
        clicks(long, CLICKS, LENGTH)
        hole = f"{temporary}/hole.wav"
        clicks(short, SHORT_CLICKS, SHORT_LENGTH)
        clicks(hole, HOLE_CLICKS, HOLE_LENGTH)
        for name, options in FILES.items():
            words = options.split()
            sources = ["-i", short if "SHORT" in words else hole if "HOLE" in words else long]
            if "FILM" in words:
                sources = [*FILM, *sources, "-map", "0:v", "-map", "1:a", "-shortest"]
            if "SILENT" in words:
                sources = [*FILM, "-t", "0.5"]
            words = [word for word in words if not word.isupper()]
            command = ["ffmpeg", "-v", "error", "-y", *sources, "-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact", *words, folder / name]
            subprocess.run(command, check=True)
    announce_he_aac(folder / "half_rate.m4a", folder / "he_aac.m4a")
    (folder / "half_rate.m4a").unlink()
    for file in sorted(folder.iterdir()):
        print(f"{file.stat().st_size:6} {file.name}")


if __name__ == "__main__":
    main()
