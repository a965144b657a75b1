"""Players by age: how loosely, how steadily and with which slips they play by nature.

`TABLE` holds figures of real people, measured on DORA's onset times (211 children of 5 to 8 years and adults, even series of
33 taps and rhythms of 4 to 8 strokes by heart). A pair is the figure with a model and with a partner. What is not in it is
derived from it (the formula stands beside it), fitted so that `hold.py` finds the table's figure again, or assumed: each
constant says which.
"""
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

ADULT = 18
# Age -> figures (DORA); shares in percent. Where the source gives one value for both, it stands twice; of adults' ranges the middle.
TABLE = {
    5: {"cv": (11, 10), "asynchrony_ms": (93, 77), "drift5": (52, 41), "drift10": (22, 17), "lag1": (0, -.17), "far": (2.9, 2.9),
        "whole": (29, 56), "wrong": 71, "missing": .62, "extra": .95, "right": 14, "mean_ms": -34, "tempo": 1.14, "tempo95": 1.68},
    6: {"cv": (10, 8), "asynchrony_ms": (79, 64), "drift5": (32, 48), "drift10": (12, 14), "lag1": (-.16, -.04), "far": (2.4, 2.4),
        "whole": (61, 77), "wrong": 76, "missing": .85, "extra": .67, "right": 12},
    7: {"cv": (8.5, 8), "asynchrony_ms": (62, 55), "drift5": (34, 34), "drift10": (8, 8), "lag1": (-.11, -.11), "far": (2.6, 2.6),
        "whole": (63, 79), "wrong": 48, "missing": .33, "extra": .56, "right": 33},
    8: {"cv": (8, 7), "asynchrony_ms": (48, 51), "drift5": (32, 32), "drift10": (11, 3), "lag1": (-.15, -.15), "far": (2.3, 2.3),
        "whole": (62, 86), "wrong": 46, "missing": .26, "extra": .51, "right": 38, "mean_ms": -26, "tempo": 1.12},
    ADULT: {"cv": (4.5, 4.5), "asynchrony_ms": (26, 26), "drift5": (8.5, 8.5), "drift10": (3, 3), "lag1": (-.15, -.15), "far": (2.6, 2.6),
            "whole": (76, 76), "wrong": 15, "missing": .09, "extra": .13, "right": 76, "mean_ms": -18, "tempo": 1.04, "tempo95": 1.43},
}
# The interval at which the series are held to have been tapped. Not given; with it the table's asynchrony SD, interval CV and
# lag-1 correlation agree with one another (see `timing`), and children tap best at it (Sasaki 1997).
INTERVAL_S = .5
# Below this interval the spread no longer shrinks with it, from it to INTERVAL_S it is in proportion. Assumed from what is
# heard: the just noticeable displacement is 2.5 % above 240 ms and constant below (Friberg & Sundberg 1995). Longer ones are
# taken to be counted in beats of INTERVAL_S whose errors are independent: the spread goes with the root.
SHORTEST_IN_PROPORTION_S = .24
# Degrees of freedom of each stroke's deviation (Student's t). Fitted: `hold.py`, gaps beyond 3 robust SD.
TAIL = 8.0
# A deviation beyond this share of the gap before it would be a pause or a rushed entry; those are planted. Assumed.
MAX_DEVIATION = .3
# Tempo drift of a whole take, scale of a Student t with 2 degrees of freedom, by age. Fitted: `hold.py`, takes drifting more
# than 5 and 10 % (what the spread of single gaps shows as drift comes on top). Assumed to be the same over a whole piece.
DRIFT = {5: .022, 6: .014, 7: .016, 8: .020, ADULT: .013}
DRIFT_FREEDOM = 2
# The first four gaps against the rest, logarithm: 10 % and more shorter in 17 to 26 % of children's takes, longer in 8 to 15 %
# (DORA). The middles of both as quantiles of a normal distribution. Adults: not given, taken as none.
SETTLE_MEAN, SETTLE_SD, SETTLE_GAPS = -.021, .100, 4
# A stroke of three quarters of a dotted pair lasts .80 to .83 of what it should, the short one 1.19 to 1.24, in one of ten
# 1.8 and more; triplets 1.14 (DORA, all ages; the middles). Spread: ln(1.8 / 1.215) / 1.28, less that of single gaps.
BEND_LONG, BEND_SHORT, BEND_TRIPLET, BEND_SPREAD = .815, 1.215, 1.14, .26
# The table is taken to hold medians over takes. What the median take shows of the variance that settling makes on average
# (fitted: `hold.py`, interval CV and lag-1 correlation; the square of a normal deviation alone would give .455); the
# median of the asynchrony SD of 33 taps over its root mean square (simulated with `deviations`, all ages).
MEDIAN_SQUARE, MEDIAN_SD = .75, .90
# One rhythm in five of the 5 and 6-year-olds comes out evened (DORA). At 7 half of it, from 8 on none: assumed.
EVENED = {5: .2, 6: .2, 7: .1, 8: 0, ADULT: 0}
# Two thirds of the gaps that strokes leave are one stroke (DORA), the others taken as two: variance over mean of left-out
# strokes is then 1.5 (DORA 1.2 to 1.7).
ONE_STROKE = 2 / 3
# Variance over mean of doubles a take (DORA: 1.9 to 3.7; the middle).
DOUBLES_CLUSTER = 2.8
SERIES = 33


def figure(name, age, company=0.0):
    """A figure of the table at an age, `company` of the way from with a model (0) to with a partner (1).

    Ages that have none are interpolated between their neighbours, 9 to 17 between 8 and adults: in geometric proportion, signed
    figures in a straight line. So asynchronies of 9 to 12-year-olds come to 38 to 45 ms (planning value: 30 to 50).
    """
    have = [a for a in TABLE if name in TABLE[a]]
    age = min(max(age, min(have)), ADULT)
    at = [np.interp(company, (0, 1), TABLE[a][name]) if isinstance(TABLE[a][name], tuple) else TABLE[a][name] for a in have]
    if min(at) <= 0:
        return float(np.interp(age, have, at))
    return float(np.exp(np.interp(age, have, np.log(at))))


def by_age(rows, age):
    return float(np.interp(age, list(rows), list(rows.values())))


@dataclass
class Nature:
    """One player in one take."""
    age: float
    company: float
    alone_s: float            # each stroke's own deviation at INTERVAL_S, gone with the next; standard deviation
    step_s: float             # what one INTERVAL_S adds to the slow deviation
    phi: float                # share of the slow deviation that is still there one INTERVAL_S later
    drift: float = 0.0        # change of ln(tempo) over the take
    settle: float = 0.0       # ln of the first four gaps against the rest
    tempo: float = 1.0        # against the one asked for
    bend: tuple = (1.0, 1.0, 1.0)   # long and short stroke of a dotted pair, triplet
    evened: bool = False      # one section's uneven rhythms come out even
    missing: float = 0.0      # left-out strokes to be expected a stroke
    extra: float = 0.0        # doubles to be expected a stroke


def scaled(sd_s, gap_s):
    x = max(gap_s, SHORTEST_IN_PROPORTION_S) / INTERVAL_S
    return sd_s * min(x, np.sqrt(x))


def slip_rates(age, company=0.0):
    """Left-out strokes and doubles to be expected in a series of 33.

    Their proportion is that of the rhythms; their number follows from the share of takes without either,
    `-ln P = missing / (2 - ONE_STROKE) + extra ln F / (F - 1)`: runs that are Poisson, doubles that are negative binomial with variance
    over mean F.
    """
    a, b = figure("missing", age), figure("extra", age)
    a, b = a / (a + b), b / (a + b)
    f = DOUBLES_CLUSTER
    n = -np.log(figure("whole", age, company) / 100) / (a / (2 - ONE_STROKE) + b * np.log(f) / (f - 1))
    return a * n, b * n


@lru_cache
def timing(age, company):
    """`(alone_s, step_s, phi)` from the interval CV, the asynchrony SD and the gaps' lag-1 correlation.

    A stroke stands off its pulse by `a + m`, with `a' = phi a + e` slow and `m` white. Then, G the variance of a gap and C the
    covariance of successive gaps,

    `G = 2 Var m + 2 Var e / (1 + phi)`, `C = -Var m - Var e (1 - phi) / (1 + phi)`,
    `A = Var m + (1 - V) Var e / (1 - phi^2)`, V the share of the variance that the mean of 33 takes out.

    `phi` is the least for which A is what the table has; where none reaches it, the greatest allowed. What settling
    adds to G and C is taken off before; what drift adds is little beside it.
    """
    cv, asynchrony = figure("cv", age, company) / 100, figure("asynchrony_ms", age, company) / 1e3
    _, settle = settling(age, cv)
    share = SETTLE_GAPS / (SERIES - 1)
    slow = settle ** 2 * share * (1 - share)
    total, slow = (cv * INTERVAL_S) ** 2, MEDIAN_SQUARE * min(slow, cv ** 2) * INTERVAL_S ** 2
    gap = total - slow
    # A correlation estimated from 32 gaps comes out low by about 1 / n.
    successive = (figure("lag1", age, company) + 1 / (SERIES - 1)) * total - slow

    def solve(phi):
        alone = min(max(0, -(successive + gap * (1 - phi) / 2) / phi), .5 * gap)
        step = (gap - 2 * alone) * (1 + phi) / 2
        k = np.arange(1, SERIES)
        lost = (1 + 2 * np.sum((1 - k / SERIES) * phi ** k)) / SERIES
        return alone, step, alone * (1 - 1 / SERIES) + (1 - lost) * step / (1 - phi ** 2)
    grid = np.linspace(.3, .98, 137)
    phi = next((p for p in grid if solve(p)[2] >= (asynchrony / MEDIAN_SD) ** 2), grid[-1])
    alone, step, _ = solve(phi)
    return float(np.sqrt(alone)), float(np.sqrt(step)), float(phi)


def settling(age, cv):
    """Mean and standard deviation of ln of the first four gaps against the rest, less what single gaps make of it."""
    child = float(np.interp(age, (8, ADULT), (1, 0)))
    return child * SETTLE_MEAN, child * np.sqrt(max(0, SETTLE_SD ** 2 - (cv / 2) ** 2))


def draw(rng, age, company):
    """A player of an age in one take."""
    alone, step, phi = timing(age, company)
    mean, settle = settling(age, figure("cv", age, company) / 100)
    tempo, over = figure("tempo", age), figure("tempo95", age)
    push = rng.normal(0, BEND_SPREAD)
    missing, extra = slip_rates(age, company)
    return Nature(
        age, company, alone, step, phi,
        # Not beyond a fifth: more is another kind of take.
        drift=float(np.clip(by_age(DRIFT, age) * rng.standard_t(DRIFT_FREEDOM), -.2, .2)),
        settle=float(rng.normal(mean, settle)),
        tempo=float(np.exp(rng.normal(np.log(tempo), np.log(over / tempo) / 1.645))),
        bend=(BEND_LONG * np.exp(-push / 3), BEND_SHORT * np.exp(push), BEND_TRIPLET * np.exp(push / 3)),
        evened=bool(rng.random() < by_age(EVENED, age)), missing=missing / SERIES, extra=extra / SERIES)


def bends(gaps, nature, compound=False):
    """For each gap (quarters, from stroke to stroke) its factor, and whether it belongs to a bent figure."""
    out = [(1.0, False)] * len(gaps)
    for k, (g, nxt) in enumerate(zip(gaps, gaps[1:])):
        if g <= 1.51 and abs(g - 3 * nxt) < 1e-6:
            out[k], out[k + 1] = (nature.bend[0], True), (nature.bend[1], True)
    if not compound:
        out = [(nature.bend[2], True) if abs(g - 1 / 3) < 1e-6 else o for g, o in zip(gaps, out)]
    return out


def deviations(nature, gaps_s, rng, bent=None):
    """Seconds off the pulse of each stroke; `gaps_s` from stroke to stroke (one fewer)."""
    def stray(sd_s, g):
        e = scaled(sd_s, g) * rng.standard_t(TAIL) / np.sqrt(TAIL / (TAIL - 2))
        return float(np.clip(e, -MAX_DEVIATION * g, MAX_DEVIATION * g))
    a = nature.step_s / np.sqrt(1 - nature.phi ** 2) * float(np.clip(rng.normal(), -2, 2))
    b, out = 0.0, [a + stray(nature.alone_s, INTERVAL_S)]
    for k, g in enumerate(gaps_s):
        factor, inside = bent[k] if bent else (1.0, False)
        phi = nature.phi ** (g / INTERVAL_S)
        a = phi * a + stray(nature.step_s, g)
        # What a figure lost or gained is made up for after it, not in it.
        b = b + (factor - 1) * g if inside else phi * b
        out.append(a + b + stray(nature.alone_s, min(g, INTERVAL_S)))
    return np.array(out)


def runs(rng, strokes, rate):
    """Lengths of the gaps that left-out strokes make among so many strokes."""
    n = rng.poisson(rate * strokes / (2 - ONE_STROKE))
    return [1 if rng.random() < ONE_STROKE else 2 for _ in range(n)]


def doubles(rng, strokes, rate):
    """How many strikes too many: negative binomial with variance over mean DOUBLES_CLUSTER."""
    mean = rate * strokes
    p = 1 / DOUBLES_CLUSTER
    return int(rng.negative_binomial(mean * p / (1 - p), p)) if mean > 0 else 0
