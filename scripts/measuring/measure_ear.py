#!/usr/bin/env python3
"""Holds `pailbeat strikes` against takes with known strike times, beside general libraries at their defaults.

    measure_ear.py --takes DIR [--binary target/release/pailbeat] [--beside aubio,librosa] [--times]

DIR holds takes written by scripts/simulating/sounds/takes.py (style std for one table row a condition). F is computed by
one-to-one matching, nearest first; with mir_eval installed its own F at +-25 ms is printed beside, as a check.
"""
import argparse
import glob
import json
import os
import resource
import shutil
import subprocess
import time

import numpy as np

import ear_figures


def pailbeat(binary):
    def run(wav):
        out = subprocess.run([binary, 'strikes', wav, '--json'], capture_output=True, text=True, check=True).stdout
        strikes = json.loads(out)['strikes']
        return np.array([s['t_s'] for s in strikes]), np.array([s['sigma_ms'] for s in strikes])
    return run


def aubio(wav):
    out = subprocess.run(['aubioonset', wav], capture_output=True, text=True, check=True).stdout
    t = np.array([float(line.split()[0]) for line in out.splitlines() if line.strip()])
    return t, np.ones(len(t))


def librosa_default(wav):
    import librosa
    x, rate = librosa.load(wav, sr=None)
    t = librosa.onset.onset_detect(y=x, sr=rate, units='time')
    return t, np.ones(len(t))


def cpu(command):
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def times(binary, wav):
    """Processor time of whole processes, in turn, as a ratio within one run."""
    ours, theirs = [], []
    for _ in range(9):
        ours.append(cpu([binary, 'strikes', wav]))
        theirs.append(cpu(['aubioonset', wav]))
    ratio = np.median(np.array(theirs) / np.array(ours))
    print(f'\n`strikes` on {os.path.basename(wav)}, processor time of the whole process, nine pairs: '
          f'{np.median(ours) * 1e3:.0f} ms, `aubioonset` {np.median(theirs) * 1e3:.0f} ms: {ratio:.1f} x as fast')


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument('--takes', required=True)
    ap.add_argument('--binary', default='target/release/pailbeat')
    ap.add_argument('--beside', default='')
    ap.add_argument('--times', metavar='WAV', help='also time this recording against aubioonset')
    a = ap.parse_args()
    ears = {'pailbeat': pailbeat(a.binary)}
    for name in filter(None, a.beside.split(',')):
        ears[name] = dict(aubio=aubio, librosa=librosa_default)[name]
    truths = [(p, json.load(open(p))) for p in sorted(glob.glob(os.path.join(a.takes, '*.json')))]
    for name, ear in ears.items():
        results, scores = [], []
        began = time.time()
        for path, truth in truths:
            t, sigma = ear(path[:-5] + '.wav')
            results.append((truth, t, sigma))
            try:
                import mir_eval
                reference = np.sort([e['t_s'] for e in truth['events']])
                scores.append(mir_eval.onset.f_measure(reference, np.sort(t), window=.025)[0])
            except ImportError:
                pass
        print(f'\n{name}, {len(truths)} takes in {time.time() - began:.0f} s' +
              (f", mean of mir_eval's F at 25 ms {np.mean(scores):.4f}" if scores else ''))
        ear_figures.table(results)
    if a.times and shutil.which('aubioonset'):
        times(a.binary, a.times)


if __name__ == '__main__':
    main()
