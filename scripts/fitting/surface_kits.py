"""Struck objects for the surface takes: recorded one-shots of the sound bank, more of them from Debian, made ones.

An *object* is one thing struck in one way: {"family", "source", "shots": [(samples from 5 ms before the attack, attack,
layer 0..1)]}. A *kit* gives each surface an object. Needs `scripts/simulating/sounds` (bank.py writes the bank).
"""
import json
import sys
from pathlib import Path

import numpy as np
import soundfile as sf

sys.path.append(str(Path(__file__).parent.parent / "simulating" / "sounds"))
import bank  # noqa: E402
import sources  # noqa: E402
import strikes  # noqa: E402

RATE = 44_100
CLASSES = ("centre", "rim", "click", "pat", "clap")
LENGTH = int(.5 * RATE)

# One-shots used for surfaces only; same form as `sources.SHOTS`. Licence as the package's copyright file states it.
MORE_LICENCE = {"lmms-common": ("debian", "GPL-2+")}
MORE = {
    "lmms-common": [("**/samples/drums/*.ogg", "file", [
        (r"(snare0[1-7]|snare_acoustic01|snare_muffled0[12]|snare_short01|snare_hiphop0[12])$", "lmms", "centre", r"\1", "1"),
        (r"(tom0[1-5]|tom_hi01|tom_low01|tom_mid01)$", "lmms", "centre", r"\1", "1"),
        (r"(rim01|sidestick01|snare_rim01|nasty_rim01)$", "lmms", "rim", r"\1", "1"),
        (r"(clav0[12]|wood01)$", "lmms", "click", r"\1", "1"),
        (r"(clap0[1-4])$", "lmms", "clap", r"\1", "1"),
    ])],
}


def entry(x, attack, layer):
    x = x[max(0, attack - 220):attack + LENGTH]
    attack = min(attack, 220)
    x = x / (np.abs(x).max() + 1e-12)
    x[-400:] *= np.linspace(1, 0, 400)
    return x, attack, layer


def recorded(folder, store=None):
    """Every object of the bank in `folder` and of `MORE`: list of objects with `class` and `split`."""
    by = {}
    for e in json.loads((folder / "bank.json").read_text()):
        x, _ = sf.read(folder / e["file"])
        o = by.setdefault((e["source"], e["class"]), {"family": e["kit"], "source": e["source"], "class": e["class"],
                                                      "split": e["split"], "package": e["package"], "shots": []})
        o["shots"].append(entry(x, e["attack"], e["layer"]))
    sources.LICENCE.update(MORE_LICENCE)
    for package in MORE:
        for name, x, row in bank.sounds(package, MORE, store or folder / "pk"):
            x, at, rise = bank.tidy(x)
            if rise > bank.SLOWEST_MS:
                continue
            by[(f"{row[1]}:{name}", row[2])] = {"family": row[1], "source": f"{row[1]}:{name}", "class": row[2], "split": "train",
                                                "package": package, "shots": [entry(x, at, 1.0)]}
    return list(by.values())


def made(cls, rng):
    """An invented object."""
    s = strikes.strike_set(cls, rng)
    return {"family": "made", "source": s["source"], "class": cls, "shots": [entry(v["x"], v["attack"], v["layer"]) for v in s["shots"]]}


class Cupboard:
    """Recorded objects by family and class, and where kits are drawn from."""

    def __init__(self, objects):
        self.objects = objects
        self.families = sorted({o["family"] for o in objects})

    def only(self, keep):
        """The objects whose family `keep` accepts."""
        return Cupboard([o for o in self.objects if keep(o)])

    def of(self, cls, family=None):
        return [o for o in self.objects if o["class"] == cls and (family is None or o["family"] == family)]

    def pick(self, cls, rng, family=None):
        """An object, each family as likely as any other."""
        mine = self.of(cls, family)
        if not mine:
            return None
        names = sorted({o["family"] for o in mine})
        name = names[rng.integers(len(names))]
        mine = [o for o in mine if o["family"] == name]
        return mine[rng.integers(len(mine))]

    def kit(self, rng, made_share=.3, one_family=.5):
        """An object for every surface; centre and rim of one family in a share of the kits that have one."""
        out = {}
        for cls in CLASSES:
            out[cls] = self.pick(cls, rng) if rng.random() >= made_share else None
        if out["centre"] is not None and rng.random() < one_family:
            both = [f for f in self.families if self.of("centre", f) and self.of("rim", f)]
            if both:
                f = both[rng.integers(len(both))]
                out["centre"], out["rim"] = self.pick("centre", rng, f), self.pick("rim", rng, f)
        return {cls: o if o is not None else made(cls, rng) for cls, o in out.items()}


class Whatever(Cupboard):
    """Kits of things nobody made for this: any five of one family stand for the surfaces."""

    def __init__(self, pack):
        """`pack`: a folder that scripts/ear/pack.py wrote."""
        flat = sf.read(pack / "shots.flac")[0]
        by = {}
        for s in json.loads((pack / "index.json").read_text())["shots"]:
            o = by.setdefault(s["source"], {"family": s["family"], "source": s["source"], "class": None, "shots": []})
            o["shots"].append(entry(flat[s["first"]:s["first"] + s["length"]].copy(), s["attack"], 1.0))
        super().__init__(list(by.values()))

    def pick(self, cls, rng, family=None):
        return self.objects[rng.integers(len(self.objects))]

    def kit(self, rng, made_share=0):
        family = self.families[rng.integers(len(self.families))]
        mine = [o for o in self.objects if o["family"] == family]
        return {cls: mine[k] for cls, k in zip(CLASSES, rng.permutation(len(mine)))}
