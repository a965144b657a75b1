#!/usr/bin/env python3
"""Packs every struck sound and every background noise that the ear may be fitted on into three small files.

    pack.py --bank DIR --out DIR [--extra DIR] [--kept]

DIR of `--bank` is what scripts/simulating/sounds/bank.py wrote (its fetched packages lie in DIR/pk). `--extra` adds a folder with
`strokes/` and `noise/` whose origin scripts/simulating/sounds/README.md names. Writes `shots.flac` (single strikes, one after the
other), `noise.ogg` and `index.json` (where each lies, its family and its source). A *family* is one recording session or
one kind of instrument of it; a *source* is one object. `--kept` packs instead what no fit has met or may meet: the things
that figures of unknown sounds are taken on. What is fetched is never part of the repository.
"""
import argparse
import hashlib
import json
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile as sf

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / 'simulating' / 'sounds'))
import bank  # noqa: E402
import readers  # noqa: E402

sys.path.insert(0, str(Path(__file__).resolve().parent))
import world  # noqa: E402

RATE = 44_100
# A strike keeps this much before its attack and after it.
LEAD, LENGTH = 220, int(.9 * RATE)
# Slower rises have no moment that could be learnt; brushes and far sounds are made instead.
SLOWEST_MS = 14.
# What is no single strike, by the names the packages give.
NOT_STRUCK = re.compile(
    r'roll|revers|guiro|slap$|vibra slap|sleigh|tambo|shaker|marac|cabasa|crash|swell|open hat|half-open|crush|gun|whistle|'
    r'scrap|choke|shakhchi|tinker|steel [a-g]|steel gtr|synth|dx7|electric piano|clavinet|castanet|strings|sine|\(r\)|\(R$', re.I)
STRUCK = re.compile(
    r'temple block|msnr|mtnr|mbass|celest|kalimba|glocken|timpani|sticks|tubular|vibraphone|taiko|clap|agogo|wood ?block|clave|'
    r'steel drum|bass drum|bongo|conga|timbale|kick|cow ?bell|marimba|xylo|snr|snare|tom|closed hat|hi-hat (closed|foot)|'
    r'metronome|triangle|ride|music ?box|log|bell tap|belltap', re.I)
MALLETS = re.compile(r'celest|kalimba|glocken|tubular|vibraphone|steel drum|marimba|xylo')
# package -> pattern of files, names that are struck, names that are not, family of a name.
FILES = {
    'hydrogen-data': ('**/data/drumkits/**/*', r'.', r'open|crash|empty|shaker|ride', lambda n: 'tr808' if '808' in n else 'gmrock'),
    'sonic-pi-samples': ('**/*.flac',
                         r'(bd_|drum_(cowbell|tom|snare|bass|heavy|cymbal_(closed|pedal))|elec_(hollow|mid_snare|lo_snare|hi_snare|'
                         r'tick|wood|pop|plip|bell|triangle|snare|soft_kick|fuzz)|perc_(bell|snap|impact1)|sn_|glitch_perc|tbd_perc_tap)',
                         r'^$', lambda n: 'sonic'),
    'minetest-data': ('**/*.ogg',
                      r'default_(metal_footstep|hard_footstep|wood_footstep|ice_footstep|glass_footstep|place_node|dig_cracky|dig_choppy|'
                      r'dig_metal|dig_dig|dig_oddly|dug_|ice_dug|tool|break_glass)|doors_(door|glass_door|steel_door)_close|'
                      r'default_chest_close', r'^$', lambda n: 'blocks'),
    'lmms-common': ('**/samples/drums/*.ogg', r'.', r'hihat_open|crash|ride|shaker|tambo|open', lambda n: 'lmms'),
    'neverball-data': ('**/snd/*.ogg', r'(bump|switch|grow|shrink|coin|wee|tick)', r'^$', lambda n: 'ball'),
    'billard-gl-data': ('**/*.wav', r'.', r'^$', lambda n: 'billiard'),
    'pinball-data': ('**/*.wav', r'(knock|bump|kick|drop|lane|tilt|flipper|slot)', r'^$', lambda n: 'pinball'),
}
KEPT = {
    # Twelve kits of a package: drums, hand drums, bells, glass, hands, made sounds. Left out are cymbals that ring, loops, and what
    # holds several strikes as its waveform shows: rolls and a clap of two hands 20 ms apart.
    'hydrogen-drumkits': ('**/data/drumkits/*/*', r'.',
                          r'crash|ride|china|splash|open|_op|op_|^oh|_oh|^ho_|^rd|^rc_|^cc_|^cra|^hh[23]?_0|fx|whistle|empty|shaker|'
                          r'tambo|guiro|maraca|cabasa|beats|noise|trimo|roll|loop|brush|paiste|demo|semi|swish|^sn3_|^sr_|clap_dry_c', None),
}
WORDS = ('now listen the next one goes back to the kitchen and put your shoes away it is nearly time for dinner who has seen my '
         'keys tomorrow we could walk along the river please stop tapping that table can you hear me').split()


class Shots:
    """Single strikes, tidied, each recording once."""

    def __init__(self):
        self.rows, self.seen = [], set()

    def add(self, x, family, source, name):
        x = np.asarray(x, float)
        if len(x) < 300 or np.abs(x).max() < 1e-4:
            return
        x = x - np.median(x)
        at, rise_ms = bank.attack_of(x)
        if rise_ms > SLOWEST_MS:
            return
        lead = min(at, LEAD)
        y = x[at - lead:at + LENGTH].copy()
        fade = min(lead, 88)
        y[:fade] *= np.linspace(0, 1, fade)
        loud = np.abs(y) > 2e-3 * np.abs(y).max()
        y = y[:np.flatnonzero(loud)[-1] + 200]
        tail = max(4, min(len(y) // 6, 4000))
        y[-tail:] *= np.linspace(1, 0, tail)
        y *= .9 / np.abs(y).max()
        # A stronger hit later on: no single strike.
        first = lead + int(.06 * RATE)
        if len(y) > first and np.abs(y[first:]).max() > 1.2 * np.abs(y[lead:first]).max():
            return
        key = hashlib.md5((y[lead:lead + 800] * 100).astype('i2').tobytes()).hexdigest()
        if key not in self.seen:
            self.seen.add(key)
            self.rows.append((y, lead, family, source, name))


def from_files(shots, packages, store):
    for package, (pattern, yes, no, family) in packages.items():
        for path in sorted(bank.fetch(package, store).glob(pattern)):
            name = path.stem
            if path.suffix in ('.wav', '.flac', '.ogg', '.aiff') and re.search(yes, name) and not re.search(no, name, re.I):
                try:
                    _, x = next(readers.read_file(path))
                except Exception as problem:
                    print('passed over', path.name, problem)
                    continue
                of = family(name) if family else re.sub(r'[^a-z]+', '-', path.parent.name.lower()).strip('-')
                shots.add(x, of, f"{of}:{re.sub(r'[-_ ]?[0-9]+$|[-_](softest|soft|med|hardest|hard)', '', name, flags=re.I)}", name)


def struck(args):
    shots = Shots()
    if args.kept:
        from_files(shots, KEPT, args.bank / 'pk')
        return shots.rows
    for e in json.loads((args.bank / 'bank.json').read_text()):
        if e['package'] != 'extra':
            shots.add(sf.read(args.bank / e['file'])[0], e['kit'], e['source'], e['file'])
    store = args.bank / 'pk'
    for package in ('fluid-soundfont-gm', 'musescore-general-soundfont', 'timgm6mb-soundfont'):
        for path in sorted(bank.fetch(package, store).glob('**/*.sf[23]')):
            for name, x in readers.read_sf(path, lambda n: bool(STRUCK.search(n)) and not NOT_STRUCK.search(n)):
                what = re.sub(r'\(.*|[A-G]#? ?\d+$|[-\s\d]+$', '', name).strip().lower()
                mallet = MALLETS.search(what)
                if re.match('m(snr|tnr|bass)', what):
                    family = 'marching'
                elif 'temple' in what:
                    family = 'temple'
                else:
                    family = 'mallet-' + mallet.group(0).replace(' ', '') if mallet else package.split('-')[0]
                shots.add(x, family, f'{family}:{what}', name)
    for path in sorted(bank.fetch('freepats', store).glob('**/Drum_000/*.pat')):
        name = path.stem
        if not re.search(r'roll|guiro|vibra|maraca|cabasa|shaker|whistle|crash|belltree|open$|cuica|tombour|chinese|square|high_q', name, re.I):
            for _, x in readers.read_gus(path):
                shots.add(x, 'freepats', 'freepats:' + re.sub(r'\d', '', name), name)
    from_files(shots, FILES, store)
    if args.extra:
        for path in sorted((args.extra / 'strokes').glob('*')):
            name = path.stem
            _, x = next(readers.read_file(path))
            family = name.split('-')[0]
            if family == 'body':
                family = 'body-clap' if 'clap' in name else 'body-pat' if re.search('belly|chest|shoulder', name) else 'body-foot'
            shots.add(x, family, re.sub(r'_(vl|rr)\d.*|-0.*', '', name), name)
    return shots.rows


def spoken(out, voices):
    """Voices of a synthesiser, for want of free recordings of talk."""
    for voice in range(voices):
        rng = np.random.default_rng(voice)
        name = rng.choice(['en-us', 'de', 'fr', 'es', 'it', 'en-gb']) + rng.choice(['+m1', '+m3', '+m7', '+f2', '+f4'])
        wav = out / 'spoken.wav'
        subprocess.run(['espeak-ng', '-v', name, '-p', str(rng.integers(20, 90)), '-s', str(rng.integers(110, 220)), '-w', str(wav),
                        ' '.join(rng.choice(WORDS, 40))], check=True)
        yield next(readers.read_file(wav))[1]
        wav.unlink()


def quiet(args):
    """Rows of (samples, kind, split). Of the test split nothing is fitted on."""
    rows = []

    def add(x, kind, split, most_s):
        x = np.asarray(x, float)
        x = x - x.mean()
        loud = np.abs(x) > 1e-3 * np.abs(x).max()
        if not loud.any():
            return
        k = np.flatnonzero(loud)
        x = x[k[0]:k[-1] + 1][:int(most_s * RATE)]
        if len(x) >= .25 * RATE:
            rows.append((x * .25 / max(np.sqrt((x * x).mean()), np.abs(x).max() * .28), kind, split))

    spoke = 0
    for e in json.loads((args.bank / 'noise.json').read_text()):
        if e['package'] == 'extra':
            continue
        if e['kind'] == 'speech':
            spoke += 1
            if spoke % 8:
                continue
        add(sf.read(args.bank / e['file'])[0], e['kind'], e['split'], 16)
    if args.extra:
        for path in sorted((args.extra / 'noise').glob('*')):
            add(next(readers.read_file(path))[1], re.sub(r'-\d.*$', '', path.stem), 'train', 5)
    for k, x in enumerate(spoken(args.out, 24)):
        add(x, 'speech', 'test' if k % 4 == 0 else 'train', 10)
    return rows


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument('--bank', type=Path, required=True)
    ap.add_argument('--out', type=Path, required=True)
    ap.add_argument('--extra', type=Path)
    ap.add_argument('--kept', action='store_true')
    args = ap.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    index, at, parts = {'shots': [], 'noise': []}, 0, []
    for y, lead, family, source, name in struck(args):
        index['shots'].append(dict(first=at, length=len(y), attack=lead, family=family, source=source, name=name))
        parts.append(y)
        at += len(y)
    sf.write(args.out / 'shots.flac', np.concatenate(parts), RATE, subtype='PCM_16')
    print(len(index['shots']), 'strikes,', round(at / RATE), 's;', dict(Counter(s['family'] for s in index['shots'])))
    at, parts = 0, []
    for x, kind, split in quiet(args):
        index['noise'].append(dict(first=at, length=len(x), kind=kind, split=split, struck=kind in world.STRUCK_NOISES))
        parts.append(x)
        at += len(x)
    noise = np.concatenate(parts).clip(-1, 1)
    with sf.SoundFile(args.out / 'noise.ogg', 'w', RATE, 1, format='OGG', subtype='VORBIS', compression_level=.6) as file:
        for k in range(0, len(noise), 65536):
            file.write(noise[k:k + 65536])
    print(len(index['noise']), 'noises,', round(at / RATE), 's;', dict(Counter((n['kind'], n['split']) for n in index['noise'])))
    (args.out / 'index.json').write_text(json.dumps(index))


if __name__ == '__main__':
    main()
