"""What an invented take holds: who strikes what when, in which room, against which noise, through which phone. numpy only.

A plan is a dict of arrays, cheap to draw; world.py makes the sound of it. Spans are chosen by ear and by what household things,
rooms and phones do (from memory, not measured) unless a line says otherwise.
"""
import numpy as np

RATE = 44_100
PLAIN, GRACE, MAIN, GHOST, EXTRA = range(5)
ROLES = ('plain', 'grace', 'main', 'ghost', 'extra')
MOST_FILTERS = 3
# Lengths of takes in seconds, how many go together, and how often.
SHAPES = ((1.0, 192, .08), (2.2, 96, .12), (5.0, 48, .25), (12.0, 24, .35), (24.0, 12, .15), (60.0, 5, .05))


def logu(r, lo, hi, size=None):
    return np.exp(r.uniform(np.log(lo), np.log(hi), size))


def groove(r, seconds, objects):
    bpm = r.uniform(50, 180)
    step = 60 / bpm / r.choice([1, 2, 2, 3, 4])
    step = step * 2 if step < .09 else step
    start = r.uniform(.05, min(1.2, .2 * seconds))
    skip, ghosts, flams, jitter = r.uniform(.05, .35), r.uniform(0, .25), r.uniform(0, .25), r.uniform(.003, .025)
    both = r.uniform(0, .3) if r.random() < .3 else 0
    end = seconds - .3 if r.random() < .7 else r.uniform(.4, 1) * seconds
    out, i = [], 0
    while start + i * step < end:
        t = start + i * step + np.clip(r.normal(0, jitter), -.06, .06)
        i += 1
        if r.random() < skip:
            continue
        if r.random() < .03:
            i += int(r.integers(2, 6))
        o = int(r.integers(objects))
        if r.random() < ghosts:
            out.append((t, r.uniform(-27, -16), o, GHOST))
            continue
        gain = r.uniform(-4, 0) if i % 2 else r.uniform(-13, -3)
        if r.random() < flams:
            gap = r.uniform(.014, .042) if r.random() < .8 else r.uniform(.042, .09)
            first = o if r.random() < .6 else int(r.integers(objects))
            out.append((t - gap, gain + (r.uniform(-15, -3) if r.random() < .8 else r.uniform(-4, 2)), first, GRACE))
            out.append((t, gain, o, MAIN))
        else:
            out.append((t, gain, o, PLAIN))
            if r.random() < both:
                # Both hands at once: one event, the second hand so near that nobody hears two.
                out.append((t + r.uniform(0, .008), gain + r.uniform(-6, 2), int(r.integers(objects)), EXTRA))
    return out


def few(r, seconds, objects):
    times = np.sort(r.uniform(.05, seconds - .25, int(r.integers(1, 7))))
    times = times[np.r_[True, np.diff(times) > .06]]
    return [(t, r.uniform(-14, 0), int(r.integers(objects)), PLAIN) for t in times]


def knock(r, seconds, objects):
    t = 0. if r.random() < .05 else r.uniform(.01, max(.05, seconds - .25))
    out = [(t, 0, 0, PLAIN)]
    if r.random() < .4 and t + .5 < seconds:
        out.append((t + r.uniform(.1, .45), r.uniform(-8, 2), 0, PLAIN))
    return out


def even(r, seconds, objects):
    step, gap = r.uniform(.2, 1.), r.uniform(.1, 1)
    times = np.arange(min(gap, .3 * seconds), seconds - .3, step)
    return [(t * r.uniform(.999, 1.001), r.uniform(-12, 0), int(r.integers(objects)), PLAIN) for t in times]


def roll(r, seconds, objects):
    t, gap, accent, out = r.uniform(.1, .8), r.uniform(.045, .13), r.uniform(0, 12), []
    while t < seconds - .3:
        out.append((t, -r.uniform(0, 6) - accent * (len(out) % 4 > 0), int(r.integers(min(objects, 2))), PLAIN))
        t += gap * r.uniform(.85, 1.15)
        if r.random() < .05:
            t += r.uniform(.2, .8)
    return out


def pattern(r, seconds):
    if seconds < 3:
        kinds, p = (knock, few, groove, roll, None), (.55, .1, .14, .05, .16)
    elif seconds < 8:
        kinds, p = (knock, few, groove, even, roll, None), (.06, .2, .55, .05, .05, .09)
    else:
        kinds, p = (few, groove, even, roll, None), (.08, .74, .04, .05, .09)
    objects = 1 + int(r.choice([0, 1, 2, 3, 9], p=[.25, .25, .25, .1, .15]))
    kind = kinds[r.choice(len(kinds), p=p)]
    if kind is None:
        return [], 1
    events = sorted(kind(r, seconds, objects))
    kept, last = [], -1.
    for e in events:
        if e[3] == EXTRA:
            if kept:
                kept.append(e)
        elif e[0] - last > .0135 and 0 <= e[0] < seconds - .05:
            kept.append(e)
            last = e[0]
    return kept, objects


class Planner:
    """Draws plans. `groups`: list of lists of sources, each source a list of strike numbers; a take keeps to one group of recorded
    things, so that a fit can leave a group out by leaving takes out. `made`: strike numbers of each made object."""

    def __init__(self, groups, weights, made, noises, rooms, group=None):
        self.groups, self.weights, self.made, self.noises, self.rooms, self.group = groups, weights, made, noises, rooms, group

    def thing(self, r, group, recorded):
        if recorded and self.groups[group]:
            source = self.groups[group][r.choice(len(self.groups[group]), p=self.weights[group])]
            shots = [source[k] for k in r.permutation(len(source))[:6]]
        else:
            shots = self.made[r.integers(len(self.made))]
        shaped = (recorded and r.random() < .8) or r.random() < .15
        eq = np.zeros((MOST_FILTERS, 3))
        eq[:, 1:] = 1000, 1
        ratio, decay, double = 1., 0., (0., 0.)
        if shaped:
            ratio = logu(r, .6, 1.7) if r.random() < .6 else 1.
            if r.random() < .6:
                for k in range(r.integers(1, MOST_FILTERS + 1)):
                    eq[k] = r.choice([1, -1]) * r.uniform(3, 14), logu(r, 120, 10000), r.uniform(.5, 2.5)
            decay = logu(r, .006, .2) if r.random() < .3 else 0.
            if r.random() < .1:
                double = (10 ** (r.uniform(-10, 0) / 20), r.uniform(.002, .013))
        return dict(shots=shots, ratio=ratio, eq=eq, decay=decay, double=double, trim=r.uniform(-8, 0))

    def noise(self, r, alone, seconds):
        """Segments (first, length, from, gain, fade, speed) that fill the take, and whether the noise has struck events of its own."""
        kinds = sorted(k for k in self.noises if not (alone and self.noises[k][0]['struck']))
        weight = np.array([2.5 if k in ('rain', 'sea', 'sea-waves', 'fire', 'fire-crackling', 'helicopter', 'baby-cry', 'cry', 'speech')
                           else 2 if k == 'clatter' else .8 if self.noises[k][0]['struck'] else 1 for k in kinds])
        kind = kinds[r.choice(len(kinds), p=weight / weight.sum())]
        clips = [self.noises[kind][k] for k in r.integers(0, len(self.noises[kind]), 3)]
        speed = r.uniform(.7, 1.3) if r.random() < .3 else 1.
        at, n, out = 0, int(seconds * RATE), []
        while at < n:
            c = clips[r.integers(len(clips))]
            length = int(c['length'] / speed)
            if length >= RATE:
                skip = int(r.uniform(0, max(0, length - RATE)))
                length = min(length - skip, n - at + RATE // 4)
                fade = min(RATE // 4, length // 4)
                out.append((c['first'] + skip * speed, length, max(0, at - (fade if out else 0)), 1., fade, speed))
                at += length - fade
            else:
                out.append((c['first'], length, at, 10 ** (r.uniform(-9, 3) / 20), 0, speed))
                at += length + int(r.uniform(.05, .8) * RATE)
        return out, bool(self.noises[kind][0]['struck']), kind

    def batch(self, seed, shape, style='wild', group=None):
        """`style`: 'wild' for fitting; 'alone', 'room', 'room20', 'room10' for measuring."""
        r = np.random.default_rng([seed, 7])
        seconds, count, _ = shape
        events, takes, segments = [], [], []
        for i in range(count):
            made_of = r.choice(['made', 'recorded', 'both'], p=[.4, .35, .25]) if style == 'wild' else 'recorded'
            g = int(r.integers(len(self.groups))) if group is None else group
            if style == 'wild':
                found, objects = pattern(r, seconds)
            elif style == 'alone':
                found, objects = [(t, 0, int(k), PLAIN) for k, t in enumerate(np.arange(.5, seconds - .9, .9) + r.uniform(0, .3))], None
            else:
                found, objects = self.measured(r, seconds, i)
            objects = objects or max(1, len(found))
            things = [self.thing(r, g, made_of == 'recorded' or (made_of == 'both' and r.random() < .5)) for _ in range(objects)]
            if style != 'wild':
                for thing in things:
                    thing.update(ratio=1., decay=0., double=(0., 0.), eq=np.array([[0, 1000, 1]] * MOST_FILTERS), trim=0 if style == 'alone' else thing['trim'])
            for t, gain, o, role in found:
                thing = things[o]
                tilt = float(np.clip(r.normal(0, .15) + gain / 80, -.8, .5)) if style == 'wild' and r.random() < .5 else 0.
                shot = thing['shots'][r.integers(len(thing['shots']))]
                wobble = r.uniform(.98, 1.02) if len(thing['shots']) < 3 and style == 'wild' else 1.
                events.append((i, t, gain + thing['trim'], role, shot, thing['ratio'] * wobble, thing['decay'], *thing['double'], tilt, *thing['eq'].ravel()))
            takes.append(self.surroundings(r, found, seconds, style, g if made_of != 'made' else -1, segments, i))
        keys = list(takes[0])
        return dict(seconds=seconds, events=np.array(events, 'f8').reshape(-1, 10 + 3 * MOST_FILTERS),
                    segments=np.array(segments, 'f8').reshape(-1, 7), kinds=[t.pop('kind') for t in takes],
                    **{k: np.array([t[k] for t in takes]) for k in keys if k != 'kind'})

    def measured(self, r, seconds, i):
        """A plain performance, as scripts/sounds/takes.py makes its standard ones."""
        step, out = 30 / (60, 80, 100, 120, 140, 160)[i % 6], []
        n = int((seconds - 1.5) / step)
        phase = r.uniform(0, 6.28)
        for k in range(n):
            if r.random() < .12:
                continue
            o = int(r.choice(3, p=[.5, .25, .25]))
            t = .8 + k * step + np.clip(r.normal(0, .012), -.036, .036) + .025 * np.sin(2 * np.pi * k / n + phase)
            if r.random() < .12:
                out.append((t, r.uniform(-26, -18), o, GHOST))
                continue
            gain = r.uniform(-4, 0) if k % 2 == 0 else r.uniform(-12, -4)
            if r.random() < .1:
                out.append((t - r.uniform(.015, .04), gain + r.uniform(-14, -4), o, GRACE))
                out.append((t, gain, o, MAIN))
            else:
                out.append((t, gain, o, PLAIN))
        return sorted(out), 3

    def surroundings(self, r, found, seconds, style, group, segments, i):
        wild = style == 'wild'
        far = wild and r.random() < .25
        room = -1
        if style.startswith('room') or (wild and r.random() < .78):
            room = int(r.integers(self.rooms))
        drr = r.uniform(-12, 4) if far else r.uniform(0, 14) if wild else 6.
        snr = np.inf
        if wild and (not found or r.random() < .62):
            snr = r.uniform(14, 26) if r.random() < .4 else r.uniform(8, 45)
        elif style[4:].isdigit():
            snr = float(style[4:])
        struck, kind = False, ''
        if np.isfinite(snr):
            mine, struck, kind = self.noise(r, not found, seconds)
            segments += [(i, *s) for s in mine]
        eq = np.zeros((6, 3))
        eq[:, 1:] = 1000, 1
        low = high = far_cut = 0.
        orders = [1, 1]
        noise_room = int(r.integers(self.rooms)) if wild and r.random() < .6 else -1
        p = dict(room=room, drr=drr, noise_room=noise_room, noise_drr=r.uniform(-10, 12), snr=snr, struck=struck, kind=kind, group=group, build=0., hum=10 ** (r.uniform(-110, -55) / 20) if wild else 1e-4,
                 seed=int(r.integers(2 ** 31)), agc=0, attack=.01, release=.5, squeeze=0., span=12., clip=0., soft=False, rate=0., coarse=0.,
                 bits=16, peak=-3., fadein=0.)
        if wild:
            if room >= 0 and drr < 4 and r.random() < .5:
                # A far microphone with the direct path shaded: energy builds up over some milliseconds.
                p['build'] = r.uniform(.004, .016)
            if r.random() < .4:
                for k in range(2):
                    eq[k] = r.uniform(-10, 10), logu(r, 150, 9000), r.uniform(.5, 2)
            far_cut = logu(r, 2500, 16000) if r.random() < .3 else 0
            high, low = (logu(r, 60, 400) if r.random() < .55 else 0), (logu(r, 3000, 16000) if r.random() < .5 else 0)
            orders = [int(r.integers(1, 3)), int(r.integers(1, 5))]
            if r.random() < .5:
                for k in range(r.integers(1, 4)):
                    eq[2 + k] = r.uniform(-10, 10), logu(r, 150, 10000), r.uniform(.5, 3)
            if r.random() < .25:
                p.update(agc=1, attack=r.uniform(.003, .02), release=r.uniform(.1, 1.5), squeeze=r.uniform(.3, .9), span=r.uniform(6, 24))
            if r.random() < .15:
                p.update(clip=10 ** (r.uniform(1, 14) / 20), soft=r.random() < .5)
            if r.random() < .12:
                p['rate'] = r.choice([16000, 22050, 24000, 32000])
            if r.random() < .15:
                p['coarse'] = r.uniform(.03, .3)
            if r.random() < .05:
                p['fadein'] = 10 ** (-r.uniform(10, 60) / 20)
            p.update(bits=16 if r.random() < .95 else 10, peak=-logu(r, .5, 45))
        p.update(eq=eq.ravel(), far_cut=far_cut, high=high, low=low, orders=np.array(orders))
        return p
