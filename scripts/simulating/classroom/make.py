"""Takes of a simulated class: what each pupil does (`pupil`), as sound (`sounds/takes`), with its ground truth."""
import json
import sys
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.signal import butter, fftconvolve, sosfilt

import by_nature
import people
import play
import pupil
import ties
import written

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "sounds"))
import noises  # noqa: E402
import phone as phones  # noqa: E402
import takes  # noqa: E402

RATE = takes.RATE
SHARE = {"clean": 30, "fault": 60, "second": 40}
ONE_FAULT = [
    ("rest-not-kept", lambda p, r: pupil.rest_not_kept(p, r, "one")),
    ("rest-not-kept", lambda p, r: pupil.rest_not_kept(p, r, "some")),
    ("rest-not-kept", lambda p, r: pupil.rest_not_kept(p, r, "all")),
    ("early-re-entry", lambda p, r: pupil.entry(p, r, True)),
    ("late-re-entry", lambda p, r: pupil.entry(p, r, False)),
    ("join-gap", pupil.join_gap),
    ("join-rushed", pupil.join_rushed),
    ("wrong-surface", pupil.wrong_surface),
    ("repeat-extra", pupil.repeat_extra),
    ("repeat-missing", pupil.repeat_missing),
    ("section-skipped", pupil.section_skipped),
    ("restarted", pupil.restarted),
    ("paused", pupil.paused),
    ("rushing", lambda p, r: pupil.drifting(p, r, 1)),
    ("dragging", lambda p, r: pupil.drifting(p, r, -1)),
    ("uneven-hands", pupil.uneven_hands),
    ("not-together", pupil.not_together),
    ("level-flat", pupil.level_flat),
    ("started-late", pupil.started_late),
    ("lost", pupil.lost),
]
# The walk first, then what happens within it, then what concerns the whole take.
WALK = [pupil.restarted, pupil.repeat_extra, pupil.repeat_missing, pupil.section_skipped, pupil.bar_back,
        lambda p, r: pupil.started_late(p, r, True), pupil.stopped, pupil.lost]
WITHIN = [pupil.rest_not_kept, lambda p, r: pupil.rest_not_kept(p, r, "one"), lambda p, r: pupil.rest_not_kept(p, r, "all"),
          lambda p, r: pupil.entry(p, r, True), lambda p, r: pupil.entry(p, r, False), pupil.join_gap,
          lambda p, r: pupil.join_gap(p, r, True), pupil.join_rushed, pupil.paused,
          lambda p, r: pupil.paused(p, r, True), pupil.wrong_surface]
WHOLE = [lambda p, r: pupil.drifting(p, r, 1, True), lambda p, r: pupil.drifting(p, r, int(r.choice([-1, 1]))),
         pupil.uneven_hands, pupil.not_together, pupil.level_flat]


def plan_for(kind, k, w, rng):
    """The plan of take `k` of a class, or None where this part does not admit it."""
    plan = pupil.straight(w)
    if kind == "fault":
        if not ONE_FAULT[k % len(ONE_FAULT)][1](plan, rng):
            return None
    elif kind == "second" and k % 10 not in (2, 5, 8):
        n = int(rng.integers(2, 5))
        steps = [f for f in (WALK[i] for i in rng.permutation(len(WALK))[:int(rng.integers(0, 3))])]
        done = 0
        for f in steps:
            done += bool(f(plan, rng))
        inside = [WITHIN[i] for i in rng.permutation(len(WITHIN))]
        for f in inside:
            if done < n - 1:
                done += bool(f(plan, rng))
        last = WHOLE[rng.integers(len(WHOLE))] if rng.random() < .45 else inside[-1]
        done += bool(last(plan, rng))
        if done < 2:
            return None
        pupil.slips(plan, rng)
    if kind == "second" and rng.random() < .35:
        pupil.count_in(plan, rng)
    return plan if ties.settle(plan) else None


# ---- sound ------------------------------------------------------------------------------------------------------

def levels_by_band(x, at):
    """Third-octave levels of a one-shot's first 60 ms, loudness taken out."""
    y = np.abs(np.fft.rfft(x[at:at + int(.06 * RATE)] * np.hanning(2 * int(.06 * RATE))[int(.06 * RATE):][:len(x[at:at + int(.06 * RATE)])], 8192)) ** 2
    hz = np.fft.rfftfreq(8192, 1 / RATE)
    edges = 100 * 2 ** (np.arange(0, 22) / 3)
    rows = np.array([y[(hz >= a) & (hz < b)].sum() for a, b in zip(edges, edges[1:])])
    rows = 10 * np.log10(rows + 1e-6 * rows.max())
    return rows - rows.mean()


def distance(kit, classes):
    """How far apart the surfaces of a kit sound: dB between class means, least over pairs, over the spread within."""
    vec = {c: np.array([levels_by_band(s["x"], s["attack"]) for s in kit[c]["shots"]]) for c in classes}
    rms = [float(np.sqrt(np.mean((vec[a].mean(0) - vec[b].mean(0)) ** 2))) for i, a in enumerate(classes) for b in classes[:i]]
    return min(rms, default=99.0)


def brightness(kit, cls):
    """Mean centroid of a surface's one-shots over the first 60 ms, Hz."""
    out = []
    for s in kit[cls]["shots"]:
        p = np.abs(np.fft.rfft(s["x"][s["attack"]:][:int(.06 * RATE)], 8192))
        out.append((p * np.fft.rfftfreq(8192, 1 / RATE)).sum() / p.sum())
    return float(np.mean(out))


# Which of two sounds darker: what a bucket and a body do.
DARKER = (("centre", "rim"), ("centre", "click"), ("pat", "clap"))


def draw_kit(bank, rng, classes, odd):
    """A kit whose surfaces a listener tells apart: at least 6 dB rms between their third-octave spectra.

    6 dB rms over 21 bands is our own choice; strokes on one surface differ by 1 to 3 dB. The middle of a bucket's
    bottom sounds darker than its rim and than two sticks, a pat darker than a clap: kits where not are `odd`, and few.
    """
    for _ in range(80):
        kit = takes.draw_kit(bank, rng, True, takes.MADE[bank.testing], classes)
        far = distance(kit, classes)
        bright = {c: brightness(kit, c) for c in classes}
        dark = all(bright[a] * 1.1 <= bright[b] for a, b in DARKER if a in bright and b in bright)
        if far >= 6 and (dark or odd):
            return kit, far, not dark
    raise RuntimeError(f"no kit for {classes} whose surfaces differ by 6 dB")


def lay(events, kit, n, rng):
    """The dry sum; each event's true time; the power of its first 20 ms in three bands (for `hidden`)."""
    dry = np.zeros(n + 2 * RATE)
    for e in events:
        whole = int(e["t_s"] * RATE) - int(.1 * RATE)
        one = dict(e, t_s=e["t_s"] - whole / RATE)
        y = takes.lay([one], kit, int(1.5 * RATE), rng)
        lo = max(0, whole)
        dry[lo:whole + len(y)] += y[lo - whole:]
        e["t_s"] = one["t_s"] + whole / RATE
        e["source"] = one["source"]
        k = int(one["t_s"] * RATE)
        e["_own"] = y[k:k + int(.02 * RATE)]
    return dry[:n]


BANDS = [butter(2, b, "bp", fs=RATE, output="sos") for b in ((200, 800), (800, 3200), (3200, 10_000))]


def over_db(own, beside):
    """How far a strike's 20 ms stand over what sounds beside them (one stretch for each of three bands), in the best band."""
    m = int(.02 * RATE)
    power = [np.mean(sosfilt(b, np.r_[own, np.zeros(m)])[:m] ** 2) for b in BANDS]
    return max(-99.0, *[10 * np.log10(p / (np.mean(other ** 2) + 1e-12) + 1e-12) for p, other in zip(power, beside)])


def hide(events, wet, noise):
    """Marks strikes that no ear could find: under 0 dB against what else sounds, in each of three bands."""
    around = [sosfilt(b, wet + noise) for b in BANDS]
    m = int(.02 * RATE)
    for e in events:
        k = int(e["t_s"] * RATE)
        best = over_db(e.pop("_own"), [rest[max(0, k - m):k] if k > m else np.zeros(1) for rest in around])
        e["over_db"] = round(float(best), 1)
        e["hidden"] = bool(best < 0)


def sunk(events, y, rate):
    """Marks strikes that the phone took out: nowhere a rise of 1.5 dB from 20 ms before to 20 ms after."""
    m = int(.02 * rate)
    bands = [butter(2, b, "bp", fs=rate, output="sos") for b in ((200, 800), (800, 3200), (3200, .45 * rate))]
    power = [np.r_[0, np.cumsum(sosfilt(b, y) ** 2)] for b in bands]
    for e in events:
        # Codecs and filters smear: the best of a few places around it counts.
        rise = -99.0
        for shift in (-.003, 0, .003):
            k = int((e["t_s"] + shift) * rate)
            if m < k < len(y) - m:
                rise = max(rise, *[10 * np.log10((p[k + m] - p[k] + 1e-12) / (p[k] - p[k - m] + 1e-12)) for p in power])
        e["rise_db"] = round(float(rise), 1)
        e["hidden"] = bool(e["hidden"] or rise < 1.5)


def kit_classes(events, body):
    """What a kit for these strikes must have."""
    usual = ["pat", "clap"] if body else ["centre", "rim", "click"]
    return sorted({e["class"] for e in events} | (set() if body else {"centre", "rim"}), key=takes.CLASSES.index) or usual


def sound(bank, plan, events, rng, body, against=None):
    classes = kit_classes(events, body)
    kit, far, odd = draw_kit(bank, rng, classes, rng.random() < .12)
    n = int((max(e["t_s"] for e in events) + 2.0) * RATE)
    cond = str(rng.choice(["room", "room30", "room25", "room20"], p=[.35, .25, .2, .2] if against is None else [0, .4, .3, .3]))
    dry = lay(events, kit, n, rng)
    wet = fftconvolve(dry, takes.draw_room(bank, rng))[:n]
    noise, name = np.zeros(n), None
    for e in events:
        e["role"], e["_role"] = {"stroke": "plain"}.get(e["role"], e["role"]), e["role"]
    if cond != "room":
        noise, name = ((noises.unit(noises.MADE[against](n, rng)), "made:" + against) if against else
                       takes.draw_noise(bank, n, rng, .3))
        noise = noise[:n] * np.sqrt(takes.strike_power(wet, events) * 10 ** (-float(cond[4:]) / 10))
    else:
        noise = rng.normal(0, 1e-4 * np.abs(wet).max(), n)
    for e in events:
        e["role"] = e.pop("_role")
    hide(events, wet, noise)
    phone = phones.draw(rng) if rng.random() < .6 else None
    if phone and plan.flat:
        phone["agc"] = phone["clip"] = phone["drift"] = None
    x = wet + noise
    y, rate = (x * .7 / np.abs(x).max(), RATE) if phone is None else phones.apply(x, phone)
    sunk(events, y, rate)
    return y, rate, {"cond": cond, "noise": name, "phone": phone, "surfaces_apart_db": round(far, 1), "odd_kit": odd}


def make_one(bank, kind, k, part, seed, against=None):
    """Samples, rate and the description of one take; the draw goes on until the part admits the plan."""
    for attempt in range(60):
        rng = np.random.default_rng([seed, ["clean", "fault", "second"].index(kind), k, attempt])
        turn = np.random.default_rng([seed, len(kind)]).permutation(len(part))
        path = part[turn[(k + attempt) % len(part)]]
        w = written.read(path)
        form = None
        names = sorted(set(b.section for b in w.bars))
        if len(w.passes()) > 3 and rng.random() < .15:
            order = [w.bars[p[0]].section for p in w.passes()]
            form = " ".join(order[:-1])
            if set(order[:-1]) == set(names):
                w = written.read(path, form)
            else:
                form = None
        plan = plan_for(kind, k, w, rng)
        if plan is None:
            continue
        asked = float(np.round(rng.uniform(*w.bpm)))
        # Pupils are 5 to 12; as with a model or as with a partner, or between.
        nature = people.draw(rng, float(rng.integers(5, 13)), float(rng.uniform(0, 1)))
        ratio = nature.tempo
        short = min(float(b - a) for a, b in zip(*(lambda ts: (ts, ts[1:]))(sorted(
            m * w.quarters + s.at for m, bar in enumerate(w.bars) for s in bar.strokes))))
        # No child plays alternate strokes faster than about 8 a second.
        ratio = min(ratio, 60 * short / .125 / asked)
        by_nature.natural(plan, rng, nature)
        events = play.perform(plan, rng, asked * ratio, 0.0, ghosts=float(pupil.pick(rng, [0, 0, .02, .04])), nature=nature)
        if min(b["t_s"] - a["t_s"] for a, b in zip(events, events[1:]) if a["group"] != b["group"]) < .03:
            continue
        by_nature.truths(plan, events, asked, ratio)
        body = any(s.cls in pupil.BODY for bar in w.bars for s in bar.strokes)
        y, rate, heard = sound(bank, plan, events, rng, body, against)
        return y, rate, describe(kind, k, path, form, w, plan, events, asked, ratio, nature, heard, seed)
    raise RuntimeError(f"no part admits {kind} {k}: {ONE_FAULT[k % len(ONE_FAULT)][0]}")


def describe(kind, k, path, form, w, plan, events, asked, ratio, nature, heard, seed):
    played, hidden = {}, {}
    for e in events:
        if e["stroke"] is not None:
            played[e["stroke"]] = True
            hidden[e["stroke"]] = hidden.get(e["stroke"], True) and e["hidden"]
    reached = {v.bar for v in plan.visits}
    strokes = []
    for m, b in enumerate(w.bars):
        for i in range(len(b.strokes)):
            j = b.first + i
            strokes.append("hidden" if hidden.get(j) else "played" if j in played else "missed" if m in reached else "not-reached")
    for e in events:
        e.pop("_q"), e.pop("_off")
        e["t_s"], e["gain_db"] = round(e["t_s"], 6), round(e["gain_db"], 2)
    faults = [{k: v for k, v in f.items() if not k.startswith("_")} for f in plan.faults]
    return {"class": kind, "number": k, "seed": seed, "part": path.name, "form": form, "bpm": asked, "ratio": round(ratio, 3),
            "played_bpm": round(asked * ratio, 2), "age": nature.age,
            "nature": {n: v if isinstance(v, bool) else np.round(v, 4).tolist() for n, v in vars(nature).items()}, **heard, "level_row": bool(w.levels), "slips": plan.slips,
            "faults": faults, "neutral": plan.neutral, "strokes": strokes, "strikes": events}


def prepare(out, bank_dir, which, split, extra=False):
    """The folder with the parts in it, the bank, the parts' paths. Without `extra` only of sounds that anyone can install."""
    out = Path(out)
    (out / "parts").mkdir(parents=True, exist_ok=True)
    bank = takes.Bank(bank_dir, split)
    if not extra:
        bank.rooms = []
        bank.noise = [r for r in bank.noise if r["package"] != "extra"]
        for c in bank.sources:
            bank.sources[c] = {s: r for s, r in bank.sources[c].items() if r[0]["package"] != "extra"}
    parts = sorted((HERE / "parts").glob({"tuning": "t-*.toml", "final": "f-*.toml"}[which]))
    for p in parts:
        (out / "parts" / p.name).write_text(p.read_text())
    return out, bank, parts


def make(out, bank_dir, seed, counts, which, split, extra, only=None, against=None):
    if against and against not in noises.MADE:
        raise SystemExit(f"`{against}` is no made noise; there are: {', '.join(sorted(noises.MADE))}")
    out, bank, parts = prepare(out, bank_dir, which, split, extra)
    for kind, n in counts.items():
        for k in range(n):
            name = f"{kind}-{k:03d}"
            if only and name not in only.split(","):
                continue
            y, rate, truth = make_one(bank, kind, k, parts, seed, against)
            sf.write(out / f"{name}.wav", y, rate, subtype="PCM_16")
            (out / f"{name}.json").write_text(json.dumps({"name": name, **truth}, indent=0))
            print(name, truth["part"], truth["cond"], *[f["kind"] for f in truth["faults"]], *truth["slips"], flush=True)
