"""A part file -> what is written, stroke by stroke: an expansion of its own, not the program's parser."""
import re
import tomllib
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

LETTERS = {"o": "centre", "x": "rim", "+": "click", "p": "pat", "c": "clap"}
LEVELS = {"p": -11.0, "m": -6.0, "f": -1.0}  # dB re a pupil's hardest stroke: our own guess at a child's range


@dataclass
class Stroke:
    at: Fraction          # quarters from the beginning of its bar
    cls: str
    both: bool
    hand: str             # "R", "L", "B" or "" where none is written
    level_db: float | None


@dataclass
class Bar:
    section: str
    passing: int          # which appearance of the section, from 1
    number: int           # within the section as played out, from 1
    unit: tuple           # (index of the pass, sign, time through); sign is None outside a repeat
    strokes: list = field(default_factory=list)
    first: int = 0        # index of its first stroke in the whole form
    cells: list = field(default_factory=list)   # (from, length, is a rest), in quarters
    sign: tuple = ()      # what it sounds like: equal for bars nobody could tell apart


@dataclass
class Written:
    title: str
    meter: tuple
    bpm: tuple
    bars: list
    rests: list           # (from, to) in quarters from the beginning of the form, at least an eighth
    hands: bool
    levels: list          # sections with a level row that changes

    @property
    def quarters(self):
        return Fraction(4 * self.meter[0], self.meter[1])

    def stroke(self, j):
        """(bar index, Stroke) of stroke `j` of the form."""
        m = max(k for k, b in enumerate(self.bars) if b.first <= j and b.strokes)
        return m, self.bars[m].strokes[j - self.bars[m].first]

    @property
    def total(self):
        return self.bars[-1].first + len(self.bars[-1].strokes)

    def passes(self):
        """Bar indices of each pass, in order."""
        out = []
        for m, b in enumerate(self.bars):
            if b.number == 1:
                out.append([])
            out[-1].append(m)
        return out


def unrolled(row):
    """The bars of a row as played out: (cells, sign, time through)."""
    out, sign, inside, marked = [], -1, None, False
    for token in re.findall(r"\|:|:\|\d*|\||[^|:]+", row):
        if token == "|:":
            inside, sign = [], sign + 1
        elif token.startswith(":|"):
            for time in range(int(token[2:] or 2)):
                out += [(cells, sign, time) for cells in inside]
            inside = None
        elif token.strip() and token != "|":
            cells = re.sub(r"\s", "", token)
            if inside is None:
                out.append((cells, None, 0))
            else:
                inside.append(cells)
    return out


def level_curve(marks):
    """Level in dB of each cell of a section from its marks; swells run from one dynamic to the next."""
    now, levels, k = LEVELS["m"], [], 0
    while k < len(marks):
        m = marks[k]
        if m in "<>":
            end = k
            # A dot inside or after a run of the same sign does not end the run while the sign comes again.
            while end < len(marks) and (marks[end] == m or marks[end] == "." and m in marks[end:end + 3]):
                end += 1
            rest = [x for x in marks[end:] if x in LEVELS or x in "<>"]
            goal = LEVELS[rest[0]] if rest and rest[0] in LEVELS else now + (7.0 if m == "<" else -7.0)
            for i in range(end - k):
                levels.append(now + (goal - now) * (i + 1) / (end - k + 1))
            now, k = goal, end
            continue
        if m in LEVELS:
            now = LEVELS[m]
        levels.append(now)
        k += 1
    return levels


def read(path, form=None):
    """Reads a part file; `form` overrides its form."""
    text = tomllib.loads(Path(path).read_text())
    beats, unit = map(int, text["meter"].split("/"))
    quarters = Fraction(4 * beats, unit)
    bars, count, rests, levels = [], {}, [], []
    for passing, name in enumerate((form or text["form"]).split()):
        count[name] = count.get(name, 0) + 1
        section = text["sections"][name]
        rows = unrolled(section["strokes"])
        hands = unrolled(section["hands"]) if "hands" in section else [(None, s, t) for _, s, t in rows]
        curve = None
        if "level" in section:
            marks = [cells for cells, _, _ in unrolled(section["level"])]
            curve = level_curve([c for cells in marks for c in cells])
            if max(curve) - min(curve) > 4 and name not in levels:
                levels.append(name)
        seen = 0
        for number, ((cells, sign, time), (hand, _, _)) in enumerate(zip(rows, hands, strict=True), 1):
            bar = Bar(name, count[name], number, (passing, sign, time))
            bar.first = bars[-1].first + len(bars[-1].strokes) if bars else 0
            assert hand is None or len(hand) == len(cells), (path, name, number)
            assert quarters / len(cells) * 960 % 1 == 0, (path, name, number)
            for k, c in enumerate(cells):
                at = quarters * k / len(cells)
                bar.cells.append((at, quarters / len(cells), c == "-"))
                if c in ".-":
                    continue
                both = c.isupper()
                h = "B" if both else (hand[k].strip(".") if hand else "")
                bar.strokes.append(Stroke(at, LETTERS[c.lower()], both, h, curve[seen + k] if curve else None))
            seen += len(cells)
            bar.sign = tuple((s.at, s.cls, s.both) for s in bar.strokes)
            bars.append(bar)
    for m, bar in enumerate(bars):
        for at, length, silent in bar.cells:
            start = m * quarters + at
            if silent and rests and rests[-1][1] == start:
                rests[-1] = (rests[-1][0], start + length)
            elif silent:
                rests.append((start, start + length))
    return Written(text["title"], (beats, unit), (text["bpm"]["start"], text["bpm"]["goal"]), bars, rests,
                   any("hands" in s for s in text["sections"].values()), levels)
