"""Runs `assess` on a class and compares its answers with what was played."""
import json
import math
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

HEARD = .05        # s: a strike is heard when an answer lies this near; mir_eval's onset window
DOUBLE = .075      # s: two strikes this near, one of them not written, may change places
WHOLE = ("rushing", "dragging", "uneven-hands", "not-together", "level-flat", "tempo-apart")
# One finding tells all of them at its place; it is told twice only when all of them have been told before.
MANY = ("strokes-missing",)


# ---- running ----------------------------------------------------------------------------------------------------

def answer(folder, truth, binary):
    """The program's JSON for one take, or {"error": ...}."""
    part, wav = folder / "parts" / truth["part"], folder / f"{truth['name']}.wav"
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as tmp:
        cmd = [binary, "assess", str(part), str(wav), "--bpm", f"{truth['bpm']:g}", "--json"]
        if truth["form"]:
            cmd += ["--form", truth["form"]]
        if binary.endswith(".py"):
            cmd = [sys.executable] + sketch(tmp, part, wav, truth, binary)
        run = subprocess.run(cmd, capture_output=True, text=True)
    try:
        out = json.loads(run.stdout)
    except json.JSONDecodeError:
        out = {"error": f"exit {run.returncode}: {(run.stderr or run.stdout).strip()[-300:]}"}
    out["seconds"] = round(time.monotonic() - began, 3)
    return out


def sketch(tmp, part, wav, truth, script):
    """A script that reads only 44.1 kHz and knows no `--form`."""
    import soundfile as sf
    from scipy.signal import resample_poly
    x, rate = sf.read(wav)
    if rate != 44_100:
        g = math.gcd(44_100, rate)
        wav = Path(tmp) / "take.wav"
        sf.write(wav, resample_poly(x, 44_100 // g, rate // g), 44_100)
    if truth["form"]:
        text = part.read_text()
        old = next(line for line in text.splitlines() if line.startswith("form"))
        part = Path(tmp) / "part.toml"
        part.write_text(text.replace(old, f'form = "{truth["form"]}"'))
    return [script, "assess", str(part), str(wav), "--bpm", f"{truth['bpm']:g}", "--json"]


# ---- strikes ----------------------------------------------------------------------------------------------------

def pairs(true, said):
    """One-to-one pairs (index, index) of times, nearest first, within `HEARD`."""
    rows = sorted((abs(t - s), i, j) for i, t in enumerate(true) for j, s in enumerate(said) if abs(t - s) <= HEARD)
    out, left, right = {}, set(), set()
    for _, i, j in rows:
        if i not in left and j not in right:
            out[i] = j
            left.add(i)
            right.add(j)
    return out


def judge_strikes(truth, out):
    events, said = truth["strikes"], out.get("strikes", [])
    of = pairs([e["t_s"] for e in events], [s["t_s"] for s in said])
    given = [said[of[i]].get("stroke") if i in of else None for i in range(len(events))]
    groups = {}
    for i, e in enumerate(events):
        groups.setdefault(e["group"], []).append(i)
    rows = []
    for i, e in enumerate(events):
        if i not in of:
            continue
        mates = [k for k in groups[e["group"]] if k != i]

        def right(allowed, i=i, e=e, mates=mates):
            if e["stroke"] is not None:
                if given[i] in allowed(e):
                    return True
                if given[i] is not None:
                    return False
                # Of two hands one stands for the stroke; a double's other strike may.
                near = [k for k in range(len(events)) if k != i and abs(events[k]["t_s"] - e["t_s"]) < DOUBLE]
                return any(given[k] in allowed(e) for k in mates) or any(
                    events[k]["stroke"] is None and given[k] in allowed(e) for k in near)
            if given[i] is None:
                return True
            return any(events[k]["stroke"] is not None and abs(events[k]["t_s"] - e["t_s"]) < DOUBLE
                       and given[i] in allowed(events[k]) and given[k] is None for k in range(len(events)))
        s = said[of[i]]
        rows.append({"t_s": e["t_s"], "role": e["role"], "stroke": e["stroke"], "given": given[i],
                     "strict": right(lambda x: [x["stroke"]]), "tie": right(lambda x: x["accept"] + [x["stroke"]]),
                     "surface": s["surface"] == e["class"], "said": s["surface"], "class": e["class"],
                     "p": s.get("surface_p") if not isinstance(s.get("surface_p"), list) else max(s["surface_p"])})
    false = [s for j, s in enumerate(said) if j not in of.values()]
    wanted = [i for i, e in enumerate(events) if not e["hidden"]]
    # Strokes that were played and are said to have been missed.
    status = [s.get("status") for s in out.get("strokes", [])]
    blamed = set()
    for i, e in enumerate(events):
        j = e["stroke"]
        if j is None or j >= len(status) or status[j] != "missed":
            continue
        if not any(given[k] in e["accept"] + [j] for k in groups[e["group"]]):
            blamed.add(j)
    hidden = [j for j in blamed if truth["strokes"][j] == "hidden"]
    ghost = {e["stroke"] for e in events if e["role"] == "ghost"}
    seen = [j for j, s in enumerate(truth["strokes"]) if s == "missed"]
    return {"rows": rows, "false": len(false), "false_given": sum(s.get("stroke") is not None for s in false),
            "wanted": len(wanted), "found": sum(any(abs(events[i]["t_s"] - s["t_s"]) <= HEARD for s in said) for i in wanted), "played_s": events[-1]["t_s"] - events[0]["t_s"],
            "blamed": sorted(blamed), "blamed_hidden": sorted(hidden), "blamed_ghost": sorted(blamed & ghost),
            "missed": len(seen), "missed_said": sum(j < len(status) and status[j] == "missed" for j in seen),
            "error_ms": [1e3 * (said[of[i]]["t_s"] - events[i]["t_s"]) for i in of]}


# ---- findings ---------------------------------------------------------------------------------------------------

def stands(finding, places, kind):
    """Whether a finding's place is one of `places`."""
    if kind in WHOLE or places is None:
        return True
    for p in places:
        if finding.get("section") != p["section"] or finding.get("pass") not in (None, p["pass"]):
            continue
        lo, hi = finding.get("bars") or [finding.get("bar")] * 2
        if lo is None and finding.get("bar") is not None:
            lo = hi = finding["bar"]
        if lo is None:
            if kind in ("wrong-surface", "section-skipped", "repeat-missing", "repeat-extra"):
                return True
            continue
        at = finding.get("bar")
        if any(lo <= b <= hi or b == at for b in p["bars"]):
            return True
    return False


def judge_findings(truth, out):
    """Each fault with what was found of it, each finding with its verdict."""
    found = [dict(f) for f in out.get("findings", [])]
    faults = [dict(f, hit=None, near=None) for f in truth["faults"]]
    for f in found:
        f["verdict"] = "false"
        kind = f["kind"]
        if kind in MANY:
            here = [t for t in faults if kind in t["kinds"] and (f.get("section") is None or stands(f, t["places"], kind))]
            if here:
                f["verdict"] = "true" if any(t["hit"] is None for t in here) else "again"
            for t in here:
                t["hit"] = t["hit"] or f
            for t in faults if not here else ():
                t["near"] = t["near"] or (f if kind in t["kinds"] else None)
        for t in faults if kind not in MANY else ():
            if kind not in t["kinds"]:
                continue
            if stands(f, t["places"], kind) and (kind != "wrong-surface" or f.get("section") == t["section"]):
                spot = [f.get(k) for k in ("section", "pass", "bar", "bars")]
                told = [g for g in found if g.get("verdict") in ("true", "again") and g.get("of") is t]
                apart = kind in WHOLE and all([g.get(k) for k in ("section", "pass", "bar", "bars")] != spot for g in told)
                f["verdict"], f["of"] = "true" if not told or apart else "again", t
                t["hit"] = t["hit"] or f
                break
            t["near"] = t["near"] or f
        if f["verdict"] == "false" and any(kind in n["kinds"] and stands(f, n["places"], kind) for n in truth["neutral"]):
            f["verdict"] = "neutral"
    for f in found:
        f.pop("of", None)
    return faults, found


# ---- figures ----------------------------------------------------------------------------------------------------

def ece(rows):
    """Expected calibration error of (said, true) pairs in ten equal bins, and its bins."""
    if not rows:
        return None, []
    bins = {}
    for p, ok in rows:
        bins.setdefault(min(9, int(10 * p)), []).append((p, ok))
    total = sum(len(b) * abs(np.mean([p for p, _ in b]) - np.mean([ok for _, ok in b])) for b in bins.values())
    return total / len(rows), [(k / 10, len(b), float(np.mean([p for p, _ in b])), float(np.mean([ok for _, ok in b])))
                               for k, b in sorted(bins.items())]


def share(rows):
    rows = list(rows)
    return f"{sum(rows) / len(rows):.4f} of {len(rows)}" if rows else "-"


def score(folder, binary, only, every, rows_file, again):
    folder = Path(folder)
    truths = [json.loads(p.read_text()) for p in sorted(folder.glob("*-[0-9][0-9][0-9].json"))]
    if only:
        truths = [t for t in truths if t["class"] in only.split(",")]
    truths = truths[::every]
    if binary.endswith(".py"):
        # The sketch knows no pats and claps.
        truths = [t for t in truths if not {"pat", "clap"} & {e["class"] for e in t["strikes"]}]
    if again:
        kept = {r["name"]: r["answer"] for r in map(json.loads, Path(again).read_text().splitlines())}
        truths = [t for t in truths if t["name"] in kept]
        answers = [kept[t["name"]] for t in truths]
    else:
        with ThreadPoolExecutor(1) as pool:
            answers = list(pool.map(lambda t: answer(folder, t, binary), truths))
    results = []
    for t, out in zip(truths, answers):
        r = {"name": t["name"], "class": t["class"], "part": t["part"], "age": t.get("age"), "cond": t["cond"], "odd_kit": t["odd_kit"], "error": out.get("error"),
             "seconds": out["seconds"], "flawless": not t["faults"] and not {"stopped"} & set(t["slips"])}
        r["strikes"] = judge_strikes(t, out)
        r["faults"], r["findings"] = judge_findings(t, out)
        results.append(r)
        if rows_file:
            with open(rows_file, "w" if len(results) == 1 else "a") as f:
                f.write(json.dumps({**r, "answer": out}) + "\n")
    table(results)


def table(results):
    classes = ("clean", "fault", "second")
    by = {c: [r for r in results if r["class"] == c] for c in classes}
    lines = []

    def row(name, figure, goal=""):
        lines.append((name, *[figure(by[c]) if by[c] else "" for c in classes], goal))

    def strikes(rs):
        return [s for r in rs for s in r["strikes"]["rows"]]

    def findings(rs, *verdicts):
        return [f for r in rs for f in r["findings"] if f["verdict"] in verdicts]

    def faults(rs, plain=False):
        return [f for r in rs for f in r["faults"] if not f.get("natural") and (f["plain"] or not plain)]

    def natural(rs):
        return [f for r in rs for f in r["faults"] if f.get("natural")]
    row("takes / refused or failed", lambda rs: f"{len(rs)} / {sum(bool(r['error']) for r in rs)}", "0")
    row("  said not to be of this part", lambda rs: str(sum(not r["error"] and bool(r["strikes"]["rows"]) and all(
        s["given"] is None for s in r["strikes"]["rows"]) for r in rs)), "0")
    row("strike to its stroke, tie-aware", lambda rs: share(s["tie"] for s in strikes(rs)), ".999 / .997 / .99")
    row("strike to its stroke, strict", lambda rs: share(s["strict"] for s in strikes(rs)))
    row("surface right", lambda rs: share(s["surface"] for s in strikes(rs)), ".997 / .985")
    row("  the same, without odd kits", lambda rs: share(s["surface"] for s in strikes([r for r in rs if not r["odd_kit"]])))
    row("faults found, kind and place", lambda rs: share(f["hit"] is not None for f in faults(rs)), "- / .98")
    row("  kind right, place wrong", lambda rs: str(sum(f["hit"] is None and f["near"] is not None for f in faults(rs))))
    row("faults nobody could overlook, found", lambda rs: share(f["hit"] is not None for f in faults(rs, True)), "- / - / .85")
    row("true by nature (not planted), found", lambda rs: share(f["hit"] is not None for f in natural(rs)), "- / - / .92")
    row("false findings a take", lambda rs: f"{len(findings(rs, 'false')) / len(rs):.3f}", "0 / .05 / .10")
    row("  told twice, a take", lambda rs: f"{len(findings(rs, 'again')) / len(rs):.3f}")
    row("flawless takes with a finding", lambda rs: "{} of {}".format(
        sum(r["flawless"] and any(f["verdict"] == "false" for f in r["findings"]) for r in rs), sum(r["flawless"] for r in rs)), "0")
    row("played, but called missed", lambda rs: "{} in {} takes ({} hidden, {} soft)".format(
        sum(len(r["strikes"]["blamed"]) for r in rs), len(rs), sum(len(r["strikes"]["blamed_hidden"]) for r in rs),
        sum(len(r["strikes"]["blamed_ghost"]) for r in rs)), "- / - / 10 in 60")
    row("not played, and called missed", lambda rs: "{} of {}".format(
        sum(r["strikes"]["missed_said"] for r in rs), sum(r["strikes"]["missed"] for r in rs)))
    row("strikes heard (not hidden)", lambda rs: share(k < r["strikes"]["found"] for r in rs for k in range(r["strikes"]["wanted"])))
    row("false strikes a minute (given a stroke)", lambda rs: "{:.2f} ({:.2f})".format(
        *[60 * sum(r["strikes"][k] for r in rs) / sum(r["strikes"]["played_s"] for r in rs) for k in ("false", "false_given")]))
    row("timing error, median / 95 % ms", lambda rs: "{:.2f} / {:.2f}".format(
        *np.quantile(np.abs([e for r in rs for e in r["strikes"]["error_ms"]] or [0]), [.5, .95])))
    row("calibration error, findings", lambda rs: (lambda e: "-" if e is None else f"{e:.3f}")(
        ece([(f["confidence"], f["verdict"] != "false") for f in findings(rs, "true", "again", "false")])[0]))
    row("calibration error, surfaces", lambda rs: (lambda e: "-" if e is None else f"{e:.3f}")(
        ece([(s["p"], s["surface"]) for s in strikes(rs) if s["p"] is not None])[0]))
    row("seconds a take, median", lambda rs: f"{np.median([r['seconds'] for r in rs]):.2f}")
    print("| figure | clean | one fault | second classroom | goal |\n|---|---|---|---|---|")
    for x in lines:
        print("| " + " | ".join(x) + " |")
    kinds = {}
    for c in classes:
        for r in by[c]:
            for f in r["faults"]:
                k = kinds.setdefault(f["kind"] + (" (by nature)" if f.get("natural") else ""), {c: [] for c in classes})
                k[c].append(f["hit"] is not None)
    print("\nfound by kind (clean, one fault, second): " + "; ".join(
        f"{k} " + ", ".join(f"{sum(v[c])}/{len(v[c])}" for c in classes) for k, v in sorted(kinds.items())))
    ages = sorted({r["age"] for r in results if r.get("age")})
    for what, figure in (("false findings a take", lambda rs: f"{len(findings(rs, 'false')) / len(rs):.2f}"),
                         ("at their stroke", lambda rs: share(s["tie"] for s in strikes(rs))),
                         ("played, but called missed", lambda rs: str(sum(len(r["strikes"]["blamed"]) for r in rs)))):
        print(f"{what} by age: " + "; ".join(f"{a:g}: " + figure([r for r in results if r.get("age") == a]) for a in ages))
    for name, figure in (("strikes heard", lambda r: (r["strikes"]["found"], r["strikes"]["wanted"])),
                         ("at their stroke", lambda r: (sum(x["tie"] for x in r["strikes"]["rows"]), len(r["strikes"]["rows"]))),
                         ("surface right", lambda r: (sum(x["surface"] for x in r["strikes"]["rows"]), len(r["strikes"]["rows"])))):
        cells = []
        for cond in ("room", "room30", "room25", "room20"):
            got = [figure(r) for r in results if r["cond"] == cond]
            if sum(b for _, b in got):
                cells.append(f"{cond} {sum(a for a, _ in got) / sum(b for _, b in got):.4f}")
        print(f"{name} by condition: " + ", ".join(cells))
    bins = ece([(f["confidence"], f["verdict"] != "false") for r in results for f in r["findings"] if f["verdict"] != "neutral"])[1]
    print("findings said / true: " + "; ".join(f"{lo:.1f}+ n {n} {p:.2f} / {t:.2f}" for lo, n, p, t in bins))
    print("\nfalse findings:")
    for r in results:
        for f in r["findings"]:
            if f["verdict"] in ("false", "again"):
                print(f"  {r['name']} {r['part']} {r['cond']}: {f['kind']} {where(f)} {f.get('size')} {f.get('unit', '')} "
                      f"confidence {f['confidence']:.2f}" + (" (odd kit)" if r["odd_kit"] else "") + (" (told twice)" if f["verdict"] == "again" else ""))
    print("faults not found:")
    for r in results:
        for f in r["faults"]:
            if f["hit"] is None:
                near = f" (said: {f['near']['kind']} {where(f['near'])})" if f["near"] else ""
                print(f"  {r['name']} {r['part']} {r['cond']}: {f['kind']} {where(f)} {f['size']} {f['unit']}"
                      f"{' plain' if f['plain'] else ''}{' by nature' if f.get('natural') else ''}{near}")
    worst = sorted(results, key=lambda r: sum(not s["tie"] for s in r["strikes"]["rows"]))[::-1][:8]
    print("takes with most strikes at a wrong stroke: " + "; ".join(
        f"{r['name']} {sum(not s['tie'] for s in r['strikes']['rows'])} of {len(r['strikes']['rows'])}" for r in worst
        if any(not s["tie"] for s in r["strikes"]["rows"])))
    for r in results:
        if r["error"]:
            print(f"failed: {r['name']}: {r['error']}")


def where(f):
    bars = f.get("bars")
    bar = f"bars {bars[0]}-{bars[1]}" if bars and bars[0] != bars[1] else f"bar {f.get('bar')}"
    return f"{f.get('section')}{f.get('pass') or ''} {bar}" if f.get("section") else "whole take"
