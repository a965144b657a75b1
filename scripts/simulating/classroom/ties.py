"""What nobody could tell apart: the readings of a walk that sound the same."""
from pupil import place


def content(w, v, m):
    """Which strokes of bar `m` lie inside visit `v`, as sound."""
    return tuple((s.at, s.cls, s.both) for s in w.bars[m].strokes if v.lo <= s.at < v.hi)


def settle(plan):
    """Works out, for each visit, the bars it may be taken for, and the places of faults of the walk.

    Every reading of the walk that sounds the same and needs no more breaks (jumps, pauses, a later start, an
    earlier end) than any other is accepted. Returns False where a reading needs fewer breaks than what was done,
    so that the faults planned could not be told from sound at all.
    """
    w, nb = plan.w, len(plan.w.bars)
    q = float(w.quarters)
    if any(all(v is not f["_visit"] for v in plan.visits) for f in plan.faults):
        return False                              # cut off by a later one
    walk = [v for v in plan.visits if v.bar is not None]
    after_lost = {id(b) for a, b in zip(plan.visits, plan.visits[1:]) if a.bar is None}
    may = [[m for m in range(nb) if content(w, v, m) == content(w, v, v.bar)] for v in walk]

    def broken(i):
        v = walk[i]
        first = min((s.at for s in w.bars[v.bar].strokes), default=0)
        return v.pause >= .35 or id(v) in after_lost or any(b <= first and abs(d) >= .35 for b, d in v.shifts)

    def step(i, m, n):
        """Breaks needed to come from bar m (visit i) to bar n (visit i + 1)."""
        a, b = walk[i], walk[i + 1]
        on = n == m + 1 and a.hi == q and b.lo == 0
        return 1 if broken(i + 1) or not on else 0

    inf = 10 ** 6
    to = [{m: inf for m in ms} for ms in may]
    frm = [{m: inf for m in ms} for ms in may]
    for m in may[0]:
        to[0][m] = int(m != 0)
    for i in range(len(walk) - 1):
        for m, c in to[i].items():
            for n in may[i + 1]:
                to[i + 1][n] = min(to[i + 1][n], c + step(i, m, n))
    for m in may[-1]:
        frm[-1][m] = int(m != nb - 1)
    for i in reversed(range(len(walk) - 1)):
        for m in may[i]:
            frm[i][m] = min(step(i, m, n) + frm[i + 1][n] for n in may[i + 1])
    best = min(to[-1][m] + frm[-1][m] for m in may[-1])
    true = int(walk[0].bar != 0) + sum(step(i, walk[i].bar, walk[i + 1].bar) for i in range(len(walk) - 1)) \
        + int(walk[-1].bar != nb - 1)
    if true > best:
        return False
    for i, v in enumerate(walk):
        v.may = [m for m in may[i] if to[i][m] + frm[i][m] == best]
    # Jumps on any best reading, with how far they go.
    jumps = [(i, m, n) for i in range(len(walk) - 1) for m in walk[i].may for n in walk[i + 1].may
             if to[i][m] + step(i, m, n) + frm[i + 1][n] == best and not (n == m + 1 and walk[i].hi == q)]
    own = [i for i in range(len(walk) - 1) if walk[i + 1].bar != walk[i].bar + 1 or walk[i].hi != q]
    for f in plan.faults:
        if f["unit"] != "bars" or f["kind"] == "lost":
            continue
        e = next(i for i, v in enumerate(walk) if v is f["_visit"]) - 1
        start = e < 0
        far = walk[0].bar if start else walk[e + 1].bar - walk[e].bar - 1
        low = max([i for i in own if i < e], default=-1)
        high = min([i for i in own if i > e], default=len(walk))
        bars = set()
        for i, m, n in jumps:
            if not low < i < high or n - m - 1 != far:
                continue
            if start:
                f["kinds"] += [k for k in ("repeat-missing", "section-skipped") if k not in f["kinds"]]
            if far >= 0:
                bars |= set(range(m + 1, n))
            elif f["kind"] == "restarted":
                bars |= {n, m}
            else:
                bars |= set(range(n, m + 1))
        if far > 0:
            if low == -1 and far in walk[0].may:
                bars |= set(range(0, far + 1))
                f["kinds"] += [k for k in ("started-late",) if k not in f["kinds"]]
                if w.bars[far].number == 1 or w.bars[far].unit[2]:
                    f["kinds"] += [k for k in ("section-skipped", "repeat-missing") if k not in f["kinds"]]
            if high == len(walk) and nb - 1 - far in walk[-1].may:
                bars |= set(range(nb - far, nb))
                f["kinds"] += [k for k in ("section-skipped", "repeat-missing") if k not in f["kinds"]]
        f["places"] = place(w, sorted(bars)) if bars else f["places"]
    # A pause that may as well have been a jump.
    for f in plan.faults:
        if f["kind"] in ("paused", "join-gap") and f["_beat"] == 0:
            e = next((i for i, v in enumerate(walk) if v is f["_visit"]), 0) - 1
            more = [(m, n) for i, m, n in jumps if i == e]
            if more:
                f["kinds"] += ["restarted"]
                f["places"] += place(w, sorted({x for mn in more for x in mn}))
    return True
