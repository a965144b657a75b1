#!/usr/bin/env python3
"""Scores the ear on a recording of your own: a contact microphone on the bucket tells the truth, a phone is the take.

    score_contact.py CONTACT.wav TAKE.wav [--binary target/release/pailbeat]

How to record: fix a contact microphone (a piezo disc will do) to the bucket, and have both recorded at once: two
recorders are fine. Play for a minute or two as a pupil would, soft strokes, flams and rests included; leave the first
two seconds silent. Nobody else's voice should be on it. Clicks of the two sticks in the air do not reach the contact
microphone: leave them out. Keep the phone where it stands: sound takes 2.9 ms a metre.

The contact microphone's strikes are found by the rise of its power (1 ms against the 8 ms before), which needs no model:
it hears the bucket and hardly anything else. Start and clock rate of the two recordings are brought together by a robust
straight line. Printed: F within 10 and 25 ms, what was missed and what was too many, the spread of the differences in
time (which holds the error of both), and the drift of the clocks. Needs numpy, scipy, soundfile.
"""
import argparse
import json
import subprocess

import numpy as np
import soundfile as sf
from scipy.signal import butter, sosfilt
from scipy.stats import theilslopes

import ear_figures

# A strike on the bucket raises the power of the contact microphone at least this much, decibels: common practice for a
# contact microphone, whose noise lies 40 dB and more under a soft stroke.
RISE_DB = 12
# Two rises nearer than this are one strike: a stick's rebound.
REFRACTORY_S = .012
# Under the loudest strike by more than this it is handling noise.
RANGE_DB = 45


def contact_strikes(path):
    x, rate = sf.read(path, always_2d=True)
    x = sosfilt(butter(2, 150, 'hp', fs=rate, output='sos'), x[:, 0])
    energy = np.r_[0, np.cumsum(x ** 2)]
    short, before = int(.001 * rate), int(.008 * rate)
    at = np.arange(before, len(x) - short)
    after = (energy[at + short] - energy[at]) / short
    floor = np.quantile(after, .2) + 1e-12
    rise = 10 * np.log10((after + floor) / ((energy[at] - energy[at - before]) / before + floor))
    loud = 10 * np.log10(after + 1e-12)
    out = []
    for k in np.argsort(-rise):
        if rise[k] < RISE_DB:
            break
        if loud[k] > loud.max() - RANGE_DB and all(abs(at[k] / rate - t) > REFRACTORY_S for t in out):
            out.append(at[k] / rate)
    return np.sort(out)


def together(truth, heard):
    """Offset and clock rate that bring the take's times onto the contact microphone's."""
    gaps = (heard[:, None] - truth[None, :]).ravel()
    counts, edges = np.histogram(gaps, np.arange(gaps.min() - .02, gaps.max() + .04, .02))
    offset = np.median(gaps[np.abs(gaps - edges[np.argmax(counts)] - .01) < .03])
    for window in (.05, .02, .01):
        pairs = ear_figures.match(truth, heard - offset, window) if window == .05 else ear_figures.match(truth, (heard - start) / speed, window)
        t = np.array([truth[i] for i, _ in pairs])
        h = np.array([heard[j] for _, j in pairs])
        drift, at, _, _ = theilslopes(h - t, t)
        start, speed = at, 1 + drift
    return start, speed


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument('contact')
    ap.add_argument('take')
    ap.add_argument('--binary', default='target/release/pailbeat')
    a = ap.parse_args()
    truth = contact_strikes(a.contact)
    out = json.loads(subprocess.run([a.binary, 'strikes', a.take, '--json'], capture_output=True, text=True, check=True).stdout)
    heard = np.array([s['t_s'] for s in out['strikes']])
    if len(truth) < 10 or len(heard) < 10:
        raise SystemExit(f'error: too few strikes to compare: {len(truth)} in the contact microphone, {len(heard)} in the take\n'
                         'hint: record a minute or two, the contact microphone firmly on the bucket')
    start, speed = together(truth, heard)
    placed = (heard - start) / speed
    for window in (.010, .025):
        n = ear_figures.matched(truth, placed, window)
        print(f'within {window * 1e3:.0f} ms: F {2 * n / (len(truth) + len(placed)):.4f}; {len(truth) - n} of {len(truth)} not heard, {len(placed) - n} too many')
    difference = np.array([placed[j] - truth[i] for i, j in ear_figures.match(truth, placed, .010)]) * 1e3
    print(f'difference in time: median of its size {np.median(np.abs(difference)):.2f} ms, 95 % {np.quantile(np.abs(difference), .95):.2f} ms')
    print(f'the take starts {start:.4f} s after the contact recording, its clock differs by {(speed - 1) * 1e6:.0f} ppm')


if __name__ == '__main__':
    main()
