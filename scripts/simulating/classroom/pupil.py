"""What a pupil does with a part: a walk through its bars, with faults.

Pure apart from the random generator handed in. All positions are in quarters; `play` turns them into seconds.
"""
from dataclasses import dataclass, field

import numpy as np

STICKS = ("centre", "rim", "click")
BODY = ("pat", "clap")


@dataclass(eq=False)
class Visit:
    """One bar, or part of one, as this pupil comes to it. `bar` is None while lost."""
    bar: int | None
    lo: float
    hi: float
    pause: float = 0.0                            # quarters of silence before it
    shifts: list = field(default_factory=list)    # (beat, quarters): all from that beat on moves
    extras: list = field(default_factory=list)    # (beat, class, gain dB, role, seconds after that beat)
    swaps: dict = field(default_factory=dict)     # stroke within the bar -> class struck instead
    drops: set = field(default_factory=set)       # strokes within the bar left out
    moved: dict = field(default_factory=dict)     # stroke within the bar -> quarters it is moved by
    busy: bool = False


@dataclass
class Plan:
    w: object
    visits: list
    faults: list = field(default_factory=list)
    neutral: list = field(default_factory=list)   # true but not asked for: neither demanded nor false
    drift: float = 0.0                            # change of ln(tempo) from first to last stroke
    uneven: bool = False                          # the drift comes in two uneven steps
    left_late_s: float = 0.0
    apart_s: float = 0.0
    flat: bool = False
    taps: tuple = ()                              # count-in: (number, spacing in quarters, class)
    slips: list = field(default_factory=list)


def straight(w):
    q = float(w.quarters)
    return Plan(w, [Visit(m, 0.0, q) for m in range(len(w.bars))])


def place(w, bars):
    """Where a finding may stand: one row for each pass that the bars belong to."""
    rows = {}
    for m in bars:
        b = w.bars[m]
        rows.setdefault((b.section, b.passing), []).append(b.number)
    return [{"section": s, "pass": p, "bars": sorted(set(n))} for (s, p), n in rows.items()]


def fault(plan, kinds, visit, beat, bars, size, unit, plain, **more):
    w = plan.w
    at = w.bars[bars[0]] if bars else None
    f = {"kind": kinds[0], "kinds": list(kinds), "section": at and at.section, "pass": at and at.passing,
         "bar": at and at.number, "beat": 1 + beat * w.meter[1] / 4, "size": round(float(size), 3), "unit": unit,
         "places": place(w, bars) if bars else None, "plain": bool(plain), "_visit": visit, "_beat": beat, **more}
    plan.faults.append(f)
    return f


def index(plan, visit):
    return next(i for i, v in enumerate(plan.visits) if v is visit)


def whole(plan, v):
    return v.bar is not None and v.lo == 0 and v.hi == float(plan.w.quarters)


def follows(plan, i):
    """Whether visit `i` goes on from the one before it as written."""
    a, b = plan.visits[i - 1], plan.visits[i]
    return i > 0 and whole(plan, a) and whole(plan, b) and b.bar == a.bar + 1 and not b.pause


def free(plan, i, reach=1):
    return all(not v.busy for v in plan.visits[max(0, i - reach):i + reach + 1])


def occupy(plan, i, reach=1):
    for v in plan.visits[max(0, i - reach):i + reach + 1]:
        v.busy = True


def pick(rng, rows):
    return rows[rng.integers(len(rows))] if rows else None


def rests(plan, least):
    """Rests that are really come to: (visit index, beat, visit index of the next stroke, its beat, length)."""
    q, out = float(plan.w.quarters), []
    for start, end in plan.w.rests:
        start, end = float(start), float(end)
        m, n = int(start // q), int(end // q)
        if end - start < least or n >= len(plan.w.bars):
            continue
        for i, v in enumerate(plan.visits):
            j = i + n - m
            if v.bar == m and j < len(plan.visits) and whole(plan, v) and all(follows(plan, k) for k in range(i + 1, j + 1)):
                if all(free(plan, k) for k in range(i, j + 1)):
                    out.append((i, start - m * q, j, end - n * q, end - start))
    return out


def rest_before(w, m, beat):
    """Length of the written rest that ends at `beat` of bar `m`."""
    at = m * float(w.quarters) + beat
    return max((float(b - a) for a, b in w.rests if abs(float(b) - at) < 1e-6), default=0.0)


def gap_before(w, m, k):
    """Quarters from the stroke before to stroke `k` of bar `m`."""
    at = [float(n * w.quarters + s.at) for n, b in enumerate(w.bars) for s in b.strokes]
    j = w.bars[m].first + k
    return at[j] - at[j - 1] if j else np.inf


def class_before(plan, i, beat):
    for v in plan.visits[i::-1]:
        for s in reversed(plan.w.bars[v.bar].strokes):
            if v is not plan.visits[i] or s.at < beat:
                return s.cls
    return "centre"


# ---- faults within the walk -------------------------------------------------------------------------------------

def rest_not_kept(plan, rng, how=None):
    how = how or pick(rng, ["one", "some", "all"])
    found = pick(rng, rests(plan, 2.0 if how == "all" and rng.random() < .6 else 1.0))
    if not found:
        return False
    i, beat, j, _, length = found
    w, q = plan.w, float(plan.w.quarters)
    start = plan.visits[i].bar * q + beat
    grid = [start + k / 2 for k in range(int(2 * length)) if k / 2 <= length - .5]
    if how == "one":
        on = [g for g in grid if abs(g - round(g)) < 1e-6]
        grid = [pick(rng, on or grid)]
    elif how == "some":
        n = int(rng.integers(2, max(3, min(5, len(grid) + 1))))
        first = int(rng.integers(0, max(1, len(grid) - n + 1)))
        grid = grid[first:first + n]
    cls = class_before(plan, i, beat)
    others = sorted({s.cls for b in w.bars for s in b.strokes} - {cls})
    for g in grid:
        k = i + int(g // q) - plan.visits[i].bar
        c = cls if rng.random() < .75 or not others else pick(rng, others)
        gain = rng.uniform(-4, -1) if how == "one" else rng.uniform(-8, -1)
        plan.visits[k].extras.append((g % q, c, gain, "rest", 0.0))
    for k in range(i, j + 1):
        occupy(plan, k)
    span = range(plan.visits[i].bar, int((start + length - 1e-6) // q) + 1)
    first = plan.visits[i + int(grid[0] // q) - plan.visits[i].bar]
    f = fault(plan, ["rest-not-kept"], first, grid[0] % q, list(span), len(grid), "strikes", len(grid) >= 2)
    f["beat"] = 1 + beat * w.meter[1] / 4
    return True


def entry(plan, rng, early):
    found = pick(rng, rests(plan, 1.0))
    if not found:
        return False
    i, beat, j, back, length = found
    if early:
        size = -min(length, float(pick(rng, [.5, .5, .75, 1.0, 1.0])))
    else:
        size = float(pick(rng, [.5, .75, 1.0, 1.0])) + rng.uniform(-.05, .15)
    v = plan.visits[j]
    v.shifts.append((back, size))
    for k in range(i, j + 1):
        occupy(plan, k)
    at_join = plan.w.bars[v.bar].number == 1 and back == 0
    kinds = ["early-re-entry" if early else "late-re-entry"]
    if at_join:
        kinds.append("join-rushed" if early else "join-gap")
    fault(plan, kinds, v, back, [v.bar, plan.visits[i].bar], abs(size), "beats", abs(size) >= .7)
    return True


def joins(plan, identical=False):
    w, out = plan.w, []
    for i, v in enumerate(plan.visits):
        if i and follows(plan, i) and w.bars[v.bar].number == 1 and w.bars[v.bar].strokes and free(plan, i):
            same = w.bars[v.bar].section == w.bars[v.bar - 1].section
            if same or not identical:
                out.append(i)
    return out


def join_gap(plan, rng, identical=False):
    i = pick(rng, joins(plan, identical))
    if i is None:
        return False
    v, size = plan.visits[i], rng.uniform(.7, 2.0)
    first = float(plan.w.bars[v.bar].strokes[0].at)
    v.shifts.append((0.0, size))
    occupy(plan, i)
    kinds = ["join-gap"] + (["late-re-entry"] if rest_before(plan.w, v.bar, first) >= 1 else [])
    fault(plan, kinds, v, first, [v.bar], size, "beats", size >= 1.1, identical=identical)
    return True


def join_rushed(plan, rng):
    rows = [i for i in joins(plan) if gap_before(plan.w, plan.visits[i].bar, 0) >= .75]
    i = pick(rng, rows)
    if i is None:
        return False
    v = plan.visits[i]
    first = float(plan.w.bars[v.bar].strokes[0].at)
    size = min(rng.uniform(.35, .7), gap_before(plan.w, v.bar, 0) - .35)
    v.shifts.append((0.0, -size))
    occupy(plan, i)
    kinds = ["join-rushed"] + (["early-re-entry"] if rest_before(plan.w, v.bar, first) >= 1 else [])
    fault(plan, kinds, v, first, [v.bar], size, "beats", size >= .6)
    return True


def paused(plan, rng, bounces=False):
    w, rows = plan.w, []
    for i, v in enumerate(plan.visits):
        if not whole(plan, v) or not free(plan, i) or i == 0 or not follows(plan, i):
            continue
        for k, s in enumerate(w.bars[v.bar].strokes):
            inside = w.bars[v.bar].number > 1 or k >= 2
            if inside and rest_before(w, v.bar, float(s.at)) == 0 and gap_before(w, v.bar, k) <= 1.01:
                rows.append((i, k))
    found = pick(rng, rows)
    if not found:
        return False
    i, k = found
    v = plan.visits[i]
    beat = float(w.bars[v.bar].strokes[k].at)
    size = rng.uniform(1.5, 6.0)
    v.shifts.append((beat, size))
    bars = [v.bar] + ([v.bar - 1] if k == 0 else [])
    if bounces:
        v.shifts[-1] = (beat, size := rng.uniform(2.5, 6.0))
        cls = class_before(plan, i, beat)
        last, gap, gain = .12, rng.uniform(.13, .2), rng.uniform(-7, -3)
        for _ in range(int(rng.integers(4, 8))):
            v.extras.append((beat, cls if rng.random() < .5 else pick(rng, list(STICKS)), gain, "bounce", last))
            last, gap, gain = last + gap, gap * rng.uniform(.68, .85), gain - rng.uniform(1.5, 3)
    occupy(plan, i)
    fault(plan, ["paused"], v, beat, bars, size, "beats", size >= 2.5, bounces=bounces)
    return True


def wrong_surface(plan, rng):
    w, rows = plan.w, []
    for p, bars in enumerate(w.passes()):
        mine = [v for v in plan.visits if v.bar in bars]
        if [v.bar for v in mine] != bars or not all(whole(plan, v) for v in mine) or any(v.busy for v in mine):
            continue
        for family in (STICKS, BODY):
            have = sorted({s.cls for b in w.bars for s in b.strokes} & set(family))
            for c in have:
                n = sum(s.cls == c for m in bars for s in w.bars[m].strokes)
                rows += [(p, bars, c, d, n) for d in have if d != c and n >= 4]
    found = pick(rng, rows)
    if not found:
        return False
    _, bars, c, d, _ = found
    n = 0
    for v in plan.visits:
        if v.bar in bars:
            for k, s in enumerate(w.bars[v.bar].strokes):
                if s.cls == c and rng.random() < .96:
                    v.swaps[k] = d
                    n += 1
            v.busy = True
    v = next(v for v in plan.visits if v.bar in bars)
    fault(plan, ["wrong-surface"], v, 0.0, bars, n, "strikes", n >= 5, whole_pass=True, surface=c, heard=d)
    return True


def lost(plan, rng):
    w, q = plan.w, float(plan.w.quarters)
    n = max(2, int(np.ceil(6 / q)))
    rows = [i for i in range(2, len(plan.visits) - n - 3) if all(free(plan, k) and follows(plan, k) for k in range(i, i + n + 1))]
    i = pick(rng, rows)
    if i is None:
        return False
    gone = plan.visits[i:i + n]
    away = Visit(None, 0.0, n * q)
    at, classes = rng.uniform(.2, .6), sorted({s.cls for b in w.bars for s in b.strokes})
    while at < n * q - .5:
        away.extras.append((at, pick(rng, classes), rng.uniform(-8, -1), "lost", 0.0))
        at += rng.choice([.31, .43, .62, .78, 1.13]) * rng.uniform(.9, 1.1)
    nxt = plan.visits[i + n]
    nxt.pause = rng.uniform(.6, 2.0)
    plan.visits[i:i + n] = [away]
    occupy(plan, i)
    bars = [v.bar for v in gone]
    fault(plan, ["lost"], away, 0.0, bars, n, "bars", True)
    near = ["paused", "restarted", "section-skipped", "repeat-missing", "late-re-entry", "early-re-entry", "join-gap",
            "join-rushed", "rest-not-kept", "strokes-missing"]
    plan.neutral.append({"kinds": near, "places": place(w, bars + [nxt.bar])})
    return True


# ---- faults of the walk itself ----------------------------------------------------------------------------------

def jump(plan, kinds, visit, bars, size, plain, **more):
    """A fault whose places follow from the walk: see `ties`."""
    return fault(plan, kinds, visit, 0.0, bars, size, "bars", plain, **more)


def restarted(plan, rng):
    w, rows = plan.w, []
    for i, v in enumerate(plan.visits):
        b = w.bars[v.bar] if v.bar is not None else None
        if b is None or not whole(plan, v) or not free(plan, i, 2) or len(b.strokes) < 2:
            continue
        if i and not follows(plan, i):
            continue
        for k in range(len(b.strokes)):
            if b.number > 1 or k >= 2:
                rows.append((i, k))
    found = pick(rng, rows)
    if not found:
        return False
    i, k = found
    v, q = plan.visits[i], float(w.quarters)
    b = w.bars[v.bar]
    to = 0 if rng.random() < .3 else v.bar - b.number + 1
    again = [Visit(m, 0.0, q) for m in range(to, v.bar + 1)]
    at = float(b.strokes[k].at)
    v.hi = float(b.strokes[k + 1].at) if k + 1 < len(b.strokes) else q
    # Broken off: the rest of the beat is not waited for.
    v.hi = min(v.hi, at + .5)
    again[0].pause = rng.uniform(.7, 3.0)
    plan.visits[i + 1:i + 1] = again
    occupy(plan, i + 1, 2)
    # Back from the very end of a section: a player who took it once too often does the same.
    ended = k + 1 == len(b.strokes) and any(v.bar == p[-1] for p in w.passes())
    jump(plan, ["restarted"] + (["repeat-extra"] if ended else []), again[0], [to], v.bar + 1 - to, True, source=v.bar)
    return True


def units(plan):
    """Stretches that are written more than once in a row: (visit indices, level), one row for each copy."""
    w, rows = plan.w, []
    by = {}
    for m, b in enumerate(w.bars):
        if b.unit[1] is not None:
            by.setdefault(b.unit, []).append(m)
    stretches = [(bars, "sign") for bars in by.values()] + [(bars, "pass") for bars in w.passes()]
    at = {v.bar: i for i, v in enumerate(plan.visits)}
    for bars, level in stretches:
        if all(m in at for m in bars):
            i = [at[m] for m in bars]
            if i == list(range(i[0], i[0] + len(i))) and all(whole(plan, plan.visits[k]) and not plan.visits[k].busy for k in i):
                rows.append((i, level))
    return rows


def repeat_extra(plan, rng):
    rows = [r for r in units(plan) if r[0][0] == 0 or follows(plan, r[0][0])]
    signs = [r for r in rows if r[1] == "sign"]
    found = pick(rng, signs if signs and rng.random() < .6 else rows)
    if not found:
        return False
    i, q = found[0], float(plan.w.quarters)
    again = [Visit(plan.visits[k].bar, 0.0, q) for k in i]
    plan.visits[i[-1] + 1:i[-1] + 1] = again
    occupy(plan, i[-1] + 1, 1)
    jump(plan, ["repeat-extra"], again[0], [v.bar for v in again], len(again), True)
    return True


def leave_out(plan, i, kinds):
    bars = [plan.visits[k].bar for k in i]
    nxt = plan.visits[i[-1] + 1]
    del plan.visits[i[0]:i[-1] + 1]
    occupy(plan, i[0], 1)
    jump(plan, kinds, nxt, bars, len(bars), True)


def repeat_missing(plan, rng):
    w, rows = plan.w, []
    for i, level in units(plan):
        bars = [plan.visits[k].bar for k in i]
        if i[-1] + 1 >= len(plan.visits) or i[0] == 0:
            continue
        if level == "sign":
            before = bars[0] - 1
            if w.bars[before].unit[:2] == w.bars[bars[0]].unit[:2]:
                rows.append((i, ["repeat-missing"]))
        elif w.bars[bars[0] - 1].section == w.bars[bars[0]].section:
            rows.append((i, ["repeat-missing", "section-skipped"]))
    found = pick(rng, rows)
    if not found:
        return False
    leave_out(plan, *found)
    return True


def section_skipped(plan, rng):
    w, rows = plan.w, []
    for i, level in units(plan):
        bars = [plan.visits[k].bar for k in i]
        if level == "pass" and i[0] > 0 and i[-1] + 1 < len(plan.visits):
            name = w.bars[bars[0]].section
            twin = name in (w.bars[bars[0] - 1].section, w.bars[bars[-1] + 1].section)
            rows.append((i, ["section-skipped"] + (["repeat-missing"] if twin else [])))
    found = pick(rng, rows)
    if not found:
        return False
    leave_out(plan, *found)
    return True


def started_late(plan, rng, section=False):
    w = plan.w
    first = len(w.passes()[0])
    to = first if section else int(rng.integers(1, first))
    if any(v.busy for v in plan.visits[:to + 2]) or plan.visits[to].bar != to:
        return False
    del plan.visits[:to]
    occupy(plan, 0)
    kinds = ["started-late"] + (["section-skipped", "repeat-missing"] if to == first else [])
    jump(plan, kinds, plan.visits[0], list(range(to + 1)), to, to >= 2 or section)
    return True


def stopped(plan, rng):
    """Stops half way: seen in the strokes not reached, so no finding is demanded."""
    n = len(plan.visits)
    rows = [i for i in range(int(.45 * n), int(.8 * n)) if free(plan, i) and plan.visits[i].bar is not None]
    i = pick(rng, rows)
    if i is None:
        return False
    gone = [v.bar for v in plan.visits[i:]]
    del plan.visits[i + 1:]
    inner = [float(s.at) for s in plan.w.bars[plan.visits[i].bar].strokes][2:]
    if inner and rng.random() < .5:
        plan.visits[i].hi = pick(rng, inner)
    plan.neutral.append({"kinds": ["section-skipped", "repeat-missing", "lost", "strokes-missing"], "places": place(plan.w, gone)})
    occupy(plan, i)
    plan.slips.append("stopped")
    return True


def bar_back(plan, rng):
    w = plan.w
    rows = [i for i, v in enumerate(plan.visits) if i and follows(plan, i) and free(plan, i) and w.bars[v.bar].number > 1
            and len(w.bars[v.bar].strokes) >= 3]
    i = pick(rng, rows)
    if i is None:
        return False
    v = plan.visits[i]
    again = Visit(v.bar, 0.0, v.hi)
    plan.visits.insert(i + 1, again)
    occupy(plan, i + 1)
    jump(plan, ["repeat-extra", "restarted"], again, [v.bar], 1, True)
    return True


# ---- faults of the whole take -----------------------------------------------------------------------------------

def drifting(plan, rng, sign, uneven=False):
    size = .12 if uneven else rng.uniform(.08, .20)
    plan.drift, plan.uneven = sign * np.log1p(size), uneven
    f = fault(plan, ["rushing" if sign > 0 else "dragging"], plan.visits[0], 0.0, [], 100 * size, "percent", size >= .119)
    f["uneven"] = uneven
    return True


def uneven_hands(plan, rng):
    hands = [s.hand for b in plan.w.bars for s in b.strokes]
    if min(hands.count("R"), hands.count("L")) < 12:
        return False
    size = rng.uniform(.025, .060)
    plan.left_late_s = float(size * pick(rng, [-1, 1, 1]))
    fault(plan, ["uneven-hands"], plan.visits[0], 0.0, [], 1e3 * size, "ms", size >= .045)
    return True


def not_together(plan, rng):
    n = sum(s.both for v in plan.visits if v.bar is not None for s in plan.w.bars[v.bar].strokes)
    if n < 4:
        return False
    plan.apart_s = float(rng.uniform(.030, .060))
    fault(plan, ["not-together"], plan.visits[0], 0.0, [], 1e3 * plan.apart_s, "ms", plan.apart_s >= .045 and n >= 6)
    return True


def level_flat(plan, rng):
    if not plan.w.levels:
        return False
    plan.flat = True
    fault(plan, ["level-flat"], plan.visits[0], 0.0, [], 0, "dB", True)
    return True


# ---- slips that are no findings ---------------------------------------------------------------------------------

def slips(plan, rng):
    w = plan.w
    spots = [(i, k) for i, v in enumerate(plan.visits) if 1 < i < len(plan.visits) - 2 and whole(plan, v) and not v.busy
             and follows(plan, i) for k in range(len(w.bars[v.bar].strokes))]
    for what in ("drop", "stray", "wrong"):
        for _ in range(int(rng.integers(0, 3))):
            found = pick(rng, spots)
            if not found:
                return
            i, k = found
            spots = [s for s in spots if abs(s[0] - i) > 1]
            v, s = plan.visits[i], w.bars[plan.visits[i].bar].strokes[k]
            have = sorted(({x.cls for b in w.bars for x in b.strokes} - {s.cls}) & set(STICKS))
            if what == "drop":
                v.drops.add(k)
            elif what == "wrong" and have:
                v.swaps[k] = pick(rng, have)
            elif what == "stray" and rest_before(w, v.bar, float(s.at)) == 0 and .5 <= gap_before(w, v.bar, k) <= 1 and s.at > .5:
                v.extras.append((float(s.at) - gap_before(w, v.bar, k) * rng.uniform(.35, .6), pick(rng, have or [s.cls]),
                                 rng.uniform(-12, -3), "stray", 0.0))
            else:
                continue
            plan.slips.append(what)


def count_in(plan, rng):
    spacing = 1.5 if plan.w.meter == (6, 8) else 1.0
    n = {2: 2, 3: 3, 4: 4, 6: 2}[plan.w.meter[0]] * (2 if plan.w.meter[0] in (2, 6) else 1)
    plan.taps = (n, spacing, pick(rng, ["click", "click", "rim"]))
    plan.slips.append("count-in")
