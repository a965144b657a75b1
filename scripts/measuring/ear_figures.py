"""Figures of the ear against the truth: F within a tolerance, false strikes a minute, flams, timing error, bias."""
from statistics import NormalDist

import numpy as np

# Two strikes given out are at least this far apart (src/onset/ear.rs, APART_S).
APART_S = .010


def match(truth, heard, tolerance):
    """One-to-one pairs (i, j) within a tolerance, nearest first."""
    truth, heard = np.asarray(truth, float), np.asarray(heard, float)
    pairs = sorted((abs(r - heard[j]), i, j) for i, r in enumerate(truth)
                   for j in range(np.searchsorted(heard, r - tolerance), np.searchsorted(heard, r + tolerance, 'right')))
    used_i, used_j, out = set(), set(), []
    for _, i, j in pairs:
        if i not in used_i and j not in used_j:
            used_i.add(i)
            used_j.add(j)
            out.append((i, j))
    return out


def matched(truth, heard, tolerance):
    """How many strikes can be paired one to one within a tolerance: on a line, taking the earliest that fits is the most."""
    truth, heard = np.sort(truth), np.sort(heard)
    n = i = j = 0
    while i < len(truth) and j < len(heard):
        if abs(truth[i] - heard[j]) <= tolerance:
            n, i, j = n + 1, i + 1, j + 1
        elif heard[j] < truth[i]:
            j += 1
        else:
            i += 1
    return n


def f_measure(truth, heard, tolerance):
    """F of one take: 2 x pairs / (strikes + heard); 0 where either list is empty, as mir_eval has it."""
    if not len(truth) or not len(heard):
        return 0.
    n = matched(truth, heard, tolerance)
    precision, recall = n / len(heard), n / len(truth)
    return 2 * precision * recall / (precision + recall) if n else 0.


def apart(t, p, threshold):
    order = [i for i in np.argsort(-p, kind='stable') if p[i] > threshold]
    keep = []
    for i in order:
        if all(abs(t[i] - t[j]) > APART_S for j in keep):
            keep.append(i)
    return np.array(sorted(keep), int)


def summary(results):
    """results: (truth, heard times, sigmas in ms) per take -> dict of figures."""
    n_true = n_heard = n10 = n25 = 0
    minutes = 0.
    flams = [0, 0]
    missed, count = {}, {}
    errors = {}
    inside = []
    for truth, heard, sigma in results:
        events = sorted(truth['events'], key=lambda e: e['t_s'])
        t = np.array([e['t_s'] for e in events])
        order = np.argsort(heard)
        heard, sigma = np.asarray(heard)[order], np.asarray(sigma)[order]
        n_true += len(t)
        n_heard += len(heard)
        minutes += truth['seconds'] / 60
        n10 += len(match(t, heard, .010))
        pairs = match(t, heard, .025)
        n25 += len(pairs)
        found = {i: j for i, j in match(t, heard, .010)}
        for i, e in enumerate(events):
            count[e['role']] = count.get(e['role'], 0) + 1
            missed[e['role']] = missed.get(e['role'], 0) + (i not in found)
            if e['role'] == 'grace' and i + 1 < len(t):
                if t[i + 1] - t[i] < .0405:
                    flams[0] += 1
                    flams[1] += i in found and i + 1 in found
            elif e['role'] != 'main' and i in found:
                j = found[i]
                err = (heard[j] - t[i]) * 1e3
                errors.setdefault((e['class'], e['gain_db'] < -10), []).append(err)
                inside.append(abs(err) <= sigma[j])
    f = lambda hits: 2 * hits / max(1, n_true + n_heard)
    all_errors = np.abs(np.concatenate([np.array(v) for v in errors.values()])) if errors else np.zeros(1)
    medians = [np.median(v) for v in errors.values() if len(v) >= 20]
    return dict(f10=f(n10), f25=f(n25), false_a_minute=(n_heard - n25) / max(minutes, 1e-9), flams=flams[1] / max(1, flams[0]),
                median_ms=float(np.median(all_errors)), p95_ms=float(np.percentile(all_errors, 95)),
                bias_spread_ms=float(max(medians) - min(medians)) if medians else 0.,
                inside_sigma=float(np.mean(inside)) if inside else 0., strikes=n_true, minutes=minutes,
                missed={k: f'{missed[k]}/{count[k]}' for k in sorted(count)})


def table(results):
    conditions = {}
    for r in results:
        conditions.setdefault(r[0]['cond'], []).append(r)
    print(f"{'':8s} {'F10':>6s} {'F25':>6s} {'false/min':>9s} {'flams':>6s} {'med ms':>6s} {'p95 ms':>6s} {'spread':>6s} {'in sig':>6s}  missed")
    for name in sorted(conditions):
        s = summary(conditions[name])
        print(f"{name:8s} {s['f10']:6.4f} {s['f25']:6.4f} {s['false_a_minute']:9.2f} {s['flams']:6.3f} {s['median_ms']:6.3f} "
              f"{s['p95_ms']:6.2f} {s['bias_spread_ms']:6.2f} {s['inside_sigma']:6.2f}  {s['missed']}")


# So many of normal errors lie within so many sigma.
LEVELS = np.arange(1, 10) / 10
WITHIN = np.array([NormalDist().inv_cdf(.5 + q / 2) for q in LEVELS])


def bins(key, count=8):
    """Index lists of about equal length in rising order of the key; equal keys stay together."""
    order = np.argsort(key, kind='stable')
    edges = np.unique(np.asarray(key)[order][np.linspace(0, len(key), count + 1)[1:-1].astype(int)])
    place = np.searchsorted(edges, key, 'right')
    return [np.flatnonzero(place == k) for k in range(len(edges) + 1) if np.any(place == k)]


def sigma_gap(sigma, error):
    """Difference between the share of errors within k sigma and that of normal ones, mean over nine k and all bins."""
    z = np.abs(error) / sigma
    return sum(len(rows) * np.mean([abs(np.mean(z[rows] <= k) - q) for k, q in zip(WITHIN, LEVELS)])
               for rows in bins(sigma)) / len(sigma)


def fit_sigma(sets):
    """Factor and power on sigma with the least `sigma_gap`, mean over sets of (sigma, error)."""
    return min((np.mean([sigma_gap(scale * s ** power, e) for s, e in sets]), float(scale), float(power))
               for scale in np.geomspace(.5, 4, 89) for power in np.arange(1, 1.81, .05))[1:]
