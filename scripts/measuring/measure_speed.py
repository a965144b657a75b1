#!/usr/bin/env python3
"""Times whole processes beside general libraries, in turn, and prints ratios; memory; growth at three sizes each.

    measure_speed.py --takes DIR [--binary target/release/pailbeat] [--steps target/release/examples/hear_steps]

DIR holds takes of scripts/simulating/sounds/takes.py, style std. Times are of the processor, medians of nine runs in turn, so that
a busy machine slows all alike. Needs numpy, soundfile, librosa (PyPI) and aubio's command line.
"""
import argparse
import glob
import json
import os
import subprocess
import sys
import tempfile

import numpy as np
import soundfile as sf

RATE = 44100
HERE = os.path.dirname(os.path.abspath(__file__))
PART = os.path.join(os.path.dirname(os.path.dirname(HERE)), 'reference_takes', 'lantern-parade.toml')


def cpu(command):
    """Processor seconds and peak memory in MB of one process."""
    script = ('import resource,subprocess,sys;subprocess.run(sys.argv[1:],stdout=subprocess.DEVNULL,stderr=subprocess.DEVNULL);'
              'u=resource.getrusage(resource.RUSAGE_CHILDREN);print(u.ru_utime+u.ru_stime,u.ru_maxrss/1024)')
    out = subprocess.run([sys.executable, '-c', script, *command], capture_output=True, text=True, check=True).stdout.split()
    return float(out[0]), float(out[1])


def medians(commands, runs=9):
    times = {k: [] for k in commands}
    for _ in range(runs):
        for k, c in commands.items():
            times[k].append(cpu(c)[0])
    return {k: float(np.median(v)) for k, v in times.items()}


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument('--takes', required=True)
    ap.add_argument('--binary', default='target/release/pailbeat')
    ap.add_argument('--steps', default='target/release/examples/hear_steps')
    a = ap.parse_args()
    noisy = np.concatenate([sf.read(p)[0] for p in sorted(glob.glob(os.path.join(a.takes, '*room20*.wav')))])
    strikes = 'import librosa,sys;x,r=librosa.load(sys.argv[1],sr=None);librosa.onset.onset_detect(y=x,sr=r)'
    with tempfile.TemporaryDirectory() as d:
        def lasting(seconds):
            path = os.path.join(d, f'{seconds}.wav')
            sf.write(path, np.resize(noisy, seconds * RATE), RATE, subtype='PCM_16')
            return path

        print('### Hearing: processor time of whole processes, noise at 20 dB\n')
        print('| length | `strikes` | `aubioonset` | ratio | librosa | ratio |\n|---|---|---|---|---|---|')
        hearing = {}
        for seconds in (10, 60, 600):
            wav = lasting(seconds)
            hearing[seconds] = t = medians({'ours': [a.binary, 'strikes', wav], 'aubio': ['aubioonset', wav],
                         **({'librosa': [sys.executable, '-c', strikes, wav]} if seconds < 600 else {})}, 9 if seconds < 600 else 3)
            librosa = f"{t['librosa']:.2f} s | {t['librosa'] / t['ours']:.0f}" if 'librosa' in t else '- | -'
            print(f"| {seconds} s | {t['ours'] * 1e3:.0f} ms | {t['aubio'] * 1e3:.0f} ms | {t['aubio'] / t['ours']:.1f} | {librosa} |")
        hour = lasting(3600)
        seconds, memory = cpu([a.binary, 'strikes', hour])
        print(f'\nOne hour: {seconds:.1f} s, {memory:.0f} MB at most.\n')

        # A piece that the ear decides on as a whole.
        rows = subprocess.run([a.steps, lasting(60)], capture_output=True, text=True, check=True).stdout
        steps = [float(row.split('|')[2].split()[0]) / 1e3 for row in rows.splitlines()]
        limit = hearing[60]['aubio'] / (hearing[60]['ours'] - sum(steps[2:]))
        print('### Hearing: where the time of a minute goes (`hear_steps`, within one process)\n')
        print('| step | time | share |\n|---|---|---|')
        print(rows)
        print(f'The limit: reading and the two transforms are {100 * sum(steps[:2]) / sum(steps):.0f} % of it. If all that follows '
              f'cost nothing, the whole process would be {limit:.1f} x as fast as `aubioonset`.\n')

        truth = json.load(open(os.path.join(os.path.dirname(PART), 'robin.json')))
        take = os.path.join(os.path.dirname(PART), truth['take'])
        bpm = str(truth['asked_bpm'])
        nothing = medians({'check': [a.binary, 'check', PART]})['check']
        print('### Judging: processor time of `assess`, whole process\n')
        print('| what | time | beside `check` of the same part |\n|---|---|---|')
        for times in (1, 4, 16):
            form = ' '.join(['A A B B'] * times)
            t = medians({'assess': [a.binary, 'assess', PART, take, '--bpm', bpm, '--form', form, '--json']})['assess']
            print(f'| the take of a pupil, the form {times} x | {t * 1e3:.0f} ms | {t / nothing:.0f} x |')
        for n in (3, 10, 30):
            command = [a.binary, 'assess', PART, *[lasting(60)] * n, '--bpm', bpm, '--json']
            t, memory = cpu(command)
            print(f'| {n} noisy minutes in one call | {t * 1e3:.0f} ms, {memory:.0f} MB | {t / nothing:.0f} x |')


if __name__ == '__main__':
    main()
