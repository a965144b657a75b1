#!/usr/bin/env python3
"""Compares what `audio` hands out with a second decoder (ffmpeg), container by container, and with the original.

    cargo build --release --example decode_dump && scripts/outside/decode.py [NAME ...]

Makes clicks at prime sample positions, has ffmpeg write them in every container and coding, decodes each file with both
and prints, for each: by how many samples (at 44.1 kHz) the clicks come late, by how many samples the result is longer than
the other decoder's, and the largest difference between the two. Exits 1 if a start that is said to be exact is not, or if the decoders disagree. Needs ffmpeg, no package.
"""
import array
import math
import os
import random
import subprocess
import sys
import tempfile
import wave

DUMP = os.environ.get("DECODE_DUMP", "target/release/examples/decode_dump")
# Sample positions at the file's own rate: primes, far enough apart for any coder's smear.
CLICKS = [6007, 17011, 30011, 44017, 59009, 71011]
LENGTH = 80_000
EAR = 44_100

# name: (rate, channels, ffmpeg output options, extension, is the start exact?)
CASES = {
    "wav16": (44100, 1, "-c:a pcm_s16le", "wav", True),
    "wav8": (44100, 1, "-c:a pcm_u8", "wav", True),
    "wav24": (44100, 1, "-c:a pcm_s24le", "wav", True),
    "wav32": (44100, 1, "-c:a pcm_s32le", "wav", True),
    "wavf32": (44100, 1, "-c:a pcm_f32le", "wav", True),
    "wavf64": (44100, 1, "-c:a pcm_f64le", "wav", True),
    "wav_rf64": (44100, 1, "-c:a pcm_s16le -rf64 always", "wav", True),
    "wav_stereo48": (48000, 2, "-c:a pcm_s16le", "wav", True),
    "wav_4ch": (44100, 4, "-c:a pcm_s16le", "wav", True),
    "wav_ms_adpcm": (44100, 1, "-c:a adpcm_ms", "wav", True),
    "wav_ima_adpcm": (44100, 1, "-c:a adpcm_ima_wav", "wav", True),
    "wav_alaw": (44100, 1, "-c:a pcm_alaw", "wav", True),
    "wav_mulaw": (44100, 1, "-c:a pcm_mulaw", "wav", True),
    "aiff16": (44100, 1, "-c:a pcm_s16be", "aiff", True),
    "aiff24": (44100, 1, "-c:a pcm_s24be", "aiff", True),
    "aifc_sowt": (44100, 1, "-c:a pcm_s16le", "aiff", True),
    "aifc_f32": (44100, 1, "-c:a pcm_f32be", "aiff", True),
    "caf16": (44100, 1, "-c:a pcm_s16be", "caf", True),
    "caf_alac": (44100, 1, "-c:a alac", "caf", True),
    "caf_aac": (44100, 1, "-c:a aac", "caf", True),
    "flac16": (44100, 1, "-c:a flac", "flac", True),
    "flac24": (48000, 1, "-c:a flac -sample_fmt s32", "flac", True),
    "flac_ogg": (44100, 1, "-c:a flac", "ogg", True),
    "mp3_cbr": (44100, 1, "-c:a libmp3lame -b:a 96k", "mp3", True),
    "mp3_vbr_stereo": (44100, 2, "-c:a libmp3lame -q:a 3", "mp3", True),
    "mp3_48": (48000, 1, "-c:a libmp3lame -b:a 96k", "mp3", True),
    "mp3_22": (22050, 1, "-c:a libmp3lame -b:a 48k", "mp3", True),
    "mp3_no_header": (44100, 1, "-c:a libmp3lame -b:a 96k -write_xing 0", "mp3", False),
    "mp3_other_coder": (44100, 1, "-c:a libshine -b:a 96k -write_xing 0", "mp3", False),
    "vorbis": (44100, 1, "-c:a libvorbis -q:a 5", "ogg", True),
    "vorbis_48_stereo": (48000, 2, "-c:a libvorbis -q:a 5", "ogg", True),
    "vorbis_16": (16000, 1, "-c:a libvorbis -q:a 5", "ogg", True),
    "opus": (48000, 1, "-c:a libopus -b:a 64k", "opus", True),
    "opus_stereo": (48000, 2, "-c:a libopus -b:a 96k", "opus", True),
    "opus_voice16": (16000, 1, "-c:a libopus -b:a 24k -application voip", "ogg", True),
    "opus_60ms": (48000, 1, "-c:a libopus -b:a 64k -frame_duration 60", "opus", True),
    "m4a_aac": (44100, 1, "-c:a aac -b:a 96k", "m4a", True),
    "m4a_aac_stereo": (44100, 2, "-c:a aac -b:a 128k", "m4a", True),
    "m4a_aac48": (48000, 1, "-c:a aac -b:a 96k", "m4a", True),
    "m4a_faststart": (44100, 1, "-c:a aac -b:a 96k -movflags +faststart", "m4a", True),
    "m4a_alac": (44100, 1, "-c:a alac", "m4a", True),
    "m4a_alac48_24": (48000, 1, "-c:a alac -sample_fmt s32p", "m4a", True),
    "mov_aac": (44100, 1, "-c:a aac -b:a 96k", "mov", True),
    "mov_pcm": (44100, 1, "-c:a pcm_s16le", "mov", True),
    "mov_pcm24be": (44100, 1, "-c:a pcm_s24be", "mov", True),
    "mov_pcm24le": (44100, 1, "-c:a pcm_s24le", "mov", True),
    "mov_pcmf32": (44100, 1, "-c:a pcm_f32be", "mov", True),
    "mp4_opus": (48000, 1, "-c:a libopus -b:a 64k", "mp4", True),
    "mp4_flac": (44100, 1, "-c:a flac -strict -2", "mp4", True),
    "mp4_mp3": (44100, 1, "-c:a libmp3lame -b:a 96k", "mp4", True),
    "mp4_film": (44100, 1, "FILM -c:a aac -b:a 96k", "mp4", True),
    "mov_film_bframes": (48000, 2, "FILM -c:a aac -b:a 96k -bf 2", "mov", True),
    "3gp_aac": (44100, 1, "-c:a aac -b:a 96k", "3gp", True),
    "mp4_fragmented": (44100, 1, "-c:a aac -b:a 96k -movflags +frag_keyframe+empty_moov", "mp4", False),
    "mp4_fragmented_edits": (44100, 1, "-c:a aac -b:a 96k -movflags +frag_keyframe+delay_moov", "mp4", True),
    "mp4_fragmented_edits_film": (44100, 1, "FILM -c:a aac -b:a 96k -g 5 -movflags +frag_keyframe+delay_moov", "mp4", True),
    "mp4_fragmented_opus": (48000, 1, "-c:a libopus -b:a 64k -movflags +frag_keyframe+empty_moov", "mp4", True),
    "mp4_dash": (44100, 1, "-c:a aac -b:a 96k -movflags +dash+frag_keyframe+empty_moov+default_base_moof", "mp4", False),
    "adts": (44100, 1, "-c:a aac -b:a 96k", "aac", False),
    "webm_opus": (48000, 1, "-c:a libopus -b:a 64k", "webm", True),
    "webm_opus_live": (48000, 1, "-c:a libopus -b:a 64k -live 1", "webm", True),
    "webm_opus_film": (48000, 1, "FILM -c:v libvpx -deadline realtime -c:a libopus -b:a 64k", "webm", True),
    "webm_vorbis": (44100, 1, "-c:a libvorbis -q:a 5", "webm", True),
    "mkv_aac": (44100, 1, "-c:a aac -b:a 96k", "mkv", False),
    "mkv_mp3": (44100, 1, "-c:a libmp3lame -b:a 96k", "mkv", False),
    "mkv_flac": (44100, 1, "-c:a flac", "mkv", True),
    "mkv_pcm": (44100, 1, "-c:a pcm_s16le", "mkv", True),
}
for rate in (16000, 22050, 24000, 32000, 88200, 96000, 176400, 192000):
    CASES[f"wav_{rate}"] = (rate, 1, "-c:a pcm_s16le", "wav", True)


def original(path, rate, channels):
    """Clicks of 0.4 ms with a soft ring, over a little noise; later channels quieter."""
    noise = random.Random(7)
    samples = [1e-4 * noise.gauss(0, 1) for _ in range(LENGTH)]
    for at in CLICKS:
        for k in range(int(0.02 * rate)):
            samples[at + k] += 0.6 * math.exp(-k / (0.0015 * rate)) * math.cos(2 * math.pi * 3000 * k / rate)
    data = array.array("h")
    for x in samples:
        data.extend(max(-32768, min(32767, round(32767 * x * 0.6**c))) for c in range(channels))
    with wave.open(path, "wb") as out:
        out.setnchannels(channels)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes(data.tobytes())


def floats(path):
    data = array.array("f")
    with open(path, "rb") as file:
        data.frombytes(file.read())
    return data


def late_by(samples, rate, reference, reference_rate):
    """Median over the clicks of the time, in seconds, by which `samples` come later than `reference`: from the centres of
    energy of the 8 ms around each click. Coders smear clicks and move that centre by a few samples; the decoders agree."""
    late = []
    for at in CLICKS:
        reach = min(0.08, 5000 / reference_rate)
        def centre(x, r, near):
            window = range(max(0, int((near - reach) * r)), min(len(x), int((near + reach) * r)))
            top = max(window, key=lambda k: abs(x[k]), default=0) / r
            # A second look around the first centre, so that it does not hang on which sample is the highest.
            for width in (0.004, 0.004):
                span = range(max(0, int((top - width) * r)), min(len(x), int((top + width) * r)))
                total = sum(x[k] * x[k] for k in span) or 1
                top = sum(k * x[k] * x[k] for k in span) / total / r
            return top
        late.append(centre(samples, rate, at / reference_rate) - centre(reference, reference_rate, at / reference_rate))
    return sorted(late)[len(late) // 2]


def run(command):
    return subprocess.run(command, capture_output=True, text=True, check=False)


def main():
    wanted = sys.argv[1:] or list(CASES)
    bad = []
    print(f"{'file':22} {'start':8} {'late by':>9} {'longer':>7} {'difference':>11}  coding")
    with tempfile.TemporaryDirectory() as folder:
        for name in wanted:
            rate, channels, options, extension, exact = CASES[name]
            source, file = f"{folder}/original.wav", f"{folder}/{name}.{extension}"
            original(source, rate, channels)
            film = ["-f", "lavfi", "-i", "testsrc=size=160x120:rate=10"] if "FILM" in options else []
            maps = ["-map", "0:v", "-map", "1:a", "-shortest"] if film else []
            options = options.replace("FILM", "").split()
            made = run(["ffmpeg", "-v", "error", "-y", *film, "-i", source, *maps, *options, file])
            if made.returncode:
                print(f"{name:22} not made: {made.stderr.strip().splitlines()[-1]}")
                continue
            ours = run([DUMP, file, f"{folder}/ours.f32"])
            if ours.returncode:
                print(f"{name:22} {ours.stderr.strip()}")
                bad.append(name)
                continue
            # Opus by its reference decoder: the other one's narrow-band sound comes half a sample late.
            by = ["-c:a", "libopus"] if "opus" in name else []
            run(["ffmpeg", "-v", "error", "-y", *by, "-i", file, "-map", "0:a:0", "-af", "pan=mono|c0=c0", "-f", "f32le",
                 f"{folder}/theirs.f32"])
            run(["ffmpeg", "-v", "error", "-y", "-i", source, "-af", "pan=mono|c0=c0", "-f", "f32le", f"{folder}/clean.f32"])
            mine, theirs, clean = (floats(f"{folder}/{x}.f32") for x in ("ours", "theirs", "clean"))
            late = late_by(mine, EAR, clean, rate) * EAR
            said = "exact" if "start: Exact" in ours.stderr else "unknown"
            coding = ours.stderr.split('coding: "')[1].split('"')[0]
            decoded_rate = 48000 if "opus" in name else rate
            their_late = late_by(theirs, decoded_rate, clean, rate) * EAR
            # Where the start is unknown, or in a fragmented file whose edit list ffmpeg does not apply, lined up by the
            # clicks: what counts then is the original.
            apart = 0 if said == "exact" and "_edits" not in name else round(late - their_late)
            if decoded_rate == EAR:
                pairs = zip(mine[max(0, apart):], theirs[max(0, -apart):])
                difference, unit = max((abs(a - b) for a, b in pairs), default=9), ""
                agree = difference < 2e-4
            else:
                difference, unit = abs(late - their_late - apart) / EAR * 1e6, " us"
                agree = difference < 20
            longer = len(mine) - math.ceil(len(theirs) * EAR / decoded_rate)
            truncated = "" if "truncated: None" in ours.stderr else "  TRUNCATED"
            ok = agree and (said != "exact" or "adpcm" in name or abs(late) < 3) and (said == "exact") == exact and not truncated
            print(f"{name:22} {said:8} {late:9.2f} {longer:7} {difference:8.2g}{unit:3}  {coding}{truncated}{'' if ok else '   <-- WRONG'}")
            if not ok:
                bad.append(name)
    if bad:
        print("wrong: " + " ".join(bad))
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
