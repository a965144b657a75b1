"""A walk in time: the moment, level and hand of every strike."""
import numpy as np

import people


def perform(plan, rng, bpm, sd_s, ghosts=0.0, wander=.035, nature=None):
    """With a `nature` (`people`) its drift, settling, bent ratios and deviations; else jitter of `sd_s` and a wave of `wander`.

    Events in seconds (`t_s`, `class`, `gain_db`, `role`, `hand`, `stroke`, `accept`, `group`) and the faults' times."""
    w = plan.w
    rows, where, u = [], {}, 0.0
    for k in range(plan.taps[0] if plan.taps else 0):
        rows.append((u, plan.taps[2], rng.uniform(-6, -2), "count-in", "R", None, [], 0.0, None))
        u += plan.taps[1]
    for v in plan.visits:
        u += v.pause
        where[id(v)] = u

        def at(beat, strict=False, v=v, u=u):
            return u + beat - v.lo + sum(d for b, d in v.shifts if (b < beat if strict else b <= beat))
        if v.bar is not None:
            bar = w.bars[v.bar]
            for k, s in enumerate(bar.strokes):
                if not v.lo <= s.at < v.hi or k in v.drops:
                    continue
                beat = float(s.at) + v.moved.get(k, 0.0)
                accept = sorted({w.bars[m].first + k for m in v.may})
                accent = k == 0 or s.both
                gain = s.level_db if s.level_db is not None else (-1.5 if accent else -5.0)
                gain = -4.0 if plan.flat else gain + (1.0 if accent and s.level_db is not None else 0)
                rows.append((at(beat), v.swaps.get(k, s.cls), gain, "stroke", s.hand or ("B" if s.both else "RL"[len(rows) % 2]),
                             bar.first + k, accept, 0.0, s))
        for beat, cls, gain, role, after in v.extras:
            rows.append((at(beat, strict=True), cls, gain, role, "R", None, [], after, None))
        u += v.hi - v.lo + sum(d for _, d in v.shifts)
    rows.sort(key=lambda r: (r[0], r[7]))
    end = u + 1
    grid = np.arange(0, end + .05, .05)
    wave = sum(a * np.sin(2 * np.pi * grid / p + f) for a, p, f in
               zip(rng.uniform(.4, 1, 2), rng.uniform(9, 26, 2), rng.uniform(0, 6.3, 2)))
    wave = wave - np.polyval(np.polyfit(grid, wave, 1), grid)
    wave = wave / np.abs(wave).max() * wander
    x = grid / end
    rise = x if not plan.uneven else .3 * x + .3 * np.clip((x - .2) / .12, 0, 1) + .4 * np.clip((x - .62) / .1, 0, 1)
    on = [r[0] for r in rows if r[3] == "stroke"]
    if nature:
        first = (grid >= on[0]) & (grid < on[min(people.SETTLE_GAPS, len(on) - 1)])
        wave = nature.settle * first - nature.drift * (x - .5)
    period = 60 / bpm * np.exp(wave - plan.drift * rise)
    times = np.r_[0, np.cumsum(.05 * .5 * (period[1:] + period[:-1]))]
    t0 = rng.uniform(.6, 3.0)

    def clock(q):
        return t0 + float(np.interp(q, grid, times))
    rho, e, events, group = rng.uniform(-.35, .4), 0.0, [], 0
    if nature:
        seconds = np.array([clock(q) for q in on])
        own = iter(people.deviations(nature, np.diff(seconds), rng, people.bends(list(np.diff(on)), nature, w.meter[1] == 8)))
        sd_s = people.scaled(nature.alone_s, people.INTERVAL_S / 2)
    for q, cls, gain, role, hand, stroke, accept, after, s in rows:
        t, off = clock(q) + after, 0.0
        if role == "stroke":
            if nature:
                t += (off := float(next(own)))
            else:
                e = rho * e + np.sqrt(1 - rho ** 2) * rng.normal()
                t += sd_s * float(np.clip(e, -2.5, 2.5))
            gain += rng.normal(0, 1.5)
            if hand == "L":
                t += plan.left_late_s
                gain -= .8
            if not plan.flat and not s.both and rng.random() < ghosts:
                gain, role = rng.uniform(-24, -17), "ghost"
        elif role in ("rest", "count-in", "stray", "lost"):
            t += sd_s * float(np.clip(rng.normal(), -2, 2))
        group += 1
        one = {"t_s": t, "class": cls, "gain_db": float(min(0, gain)), "role": role, "hand": "L" if hand == "L" else "R",
               "stroke": stroke, "accept": accept, "group": group, "_q": q, "_off": off * bpm / 60}
        events.append(one)
        if s is not None and s.both:
            gap = plan.apart_s * rng.uniform(.85, 1.15) if plan.apart_s else abs(np.clip(rng.normal(0, .005), -.012, .012))
            # Each hand has its share, so that the pair's middle stays where the stroke was meant.
            first = rng.random() < (.85 if plan.apart_s else .5)
            one["t_s"] -= gap / 2
            events.append(dict(one, t_s=one["t_s"] + gap, hand="L" if first else "R", gain_db=float(min(0, gain + rng.normal(-.5, 1.2)))))
            one["hand"] = "R" if first else "L"
    events.sort(key=lambda ev: ev["t_s"])
    for f in plan.faults:
        v = f["_visit"]
        f["t_s"] = round(clock(where[id(v)] + f["_beat"] + sum(d for b, d in v.shifts if b <= f["_beat"])), 3)
    return events
