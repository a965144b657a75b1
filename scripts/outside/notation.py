#!/usr/bin/env python3
"""Holds what `pailbeat convert` writes against others' readers, and reads others' scores.

    notation.py [--binary target/release/pailbeat] [--scores DIR ...]

Written scores: the W3C's schema of MusicXML 4.0 (PyPI's `musicxml` carries it), music21 (durations, repeats expanded, lines,
noteheads, sticking, rehearsal marks), verovio (engraved; times with repeats played out), MIDI by music21's reader.
Scores of others: those in music21 and verovio, and every file below the --scores folders; counted are those that hold one
percussion line, and how many of them are read. Needs lxml, music21, verovio, musicxml (all from PyPI).
"""
import argparse
import collections
import glob
import json
import os
import re
import subprocess
import sys
import tempfile
import tomllib
import zipfile

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
LINES = {'centre': 'C5', 'rim': 'C5', 'click': 'G5', 'pat': 'F4', 'clap': 'A4'}
HEADS = {'centre': 'normal', 'rim': 'x', 'click': 'cross', 'pat': 'square', 'clap': 'diamond'}
KEYS = {'centre': 41, 'rim': 37, 'click': 75, 'pat': 28, 'clap': 39}

# What the classroom's parts do not have: triplets, tied notes, swells over bar lines, odd meters, words.
ODD = {
    'triplets': ('4/4', 66, 'A B A', {'A': 'strokes = "|: oox o.x ..o --- | o.......  :|3 ...x o--- |"\nlevel = "|: p<< <<< <<. ... | ........ :| .... f... |"\nhands = "|: RL. L.R ..R ... | ........ :| ...L B... |"',
                                      'B': 'strokes = "oooooo o.o.o. xxxxxx +..... | c.p. C.P."'}),
    'six-eight': ('6/8', 54, 'A A', {'A': 'strokes = "|: o.xo.x | o.o.o. :| x----- | O..... |"'}),
    'five-eight': ('5/8', 90, 'A', {'A': 'strokes = "o.x.. | oxoxo | oo--------"'}),
    'words': ('4/4', 60, 'A B', {'A': 'syllables = "ta ti-ti tri-pl-et sh | syn-co-pa (ti) tika ta | ti tri-pl-et ta-a ti"', 'B': 'strokes = "o.xxx.o. ...x.... | ----"'}),
}


def part_text(meter, bpm, form, sections):
    text = f'title = "Odd & <bits>"\nmeter = "{meter}"\nbpm = {{ start = {bpm}, goal = {bpm + 20} }}\nform = "{form}"\n'
    return text + ''.join(f'[sections.{name}]\n{rows}\n' for name, rows in sections.items())


def run(*command):
    return subprocess.run(command, capture_output=True, text=True)


def schema():
    """The official schema of MusicXML 4.0 (PyPI's `musicxml` carries it); the two small ones that it fetches are replaced."""
    from lxml import etree
    import importlib.util
    package = importlib.util.find_spec('musicxml').submodule_search_locations[0]
    text = open(os.path.join(package, 'generate_classes', 'musicxml_4_0.xsd'), 'rb').read()
    folder = tempfile.mkdtemp()
    for name, space, attributes in (('xlink', 'http://www.w3.org/1999/xlink', ('href', 'type', 'role', 'title', 'show', 'actuate')),
                                    ('xml', 'http://www.w3.org/XML/1998/namespace', ('lang', 'space'))):
        small = f'<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace="{space}">'
        small += ''.join(f'<xs:attribute name="{a}" type="xs:string"/>' for a in attributes) + '</xs:schema>'
        open(os.path.join(folder, name + '.xsd'), 'w').write(small)
    path = os.path.join(folder, 'score.xsd')
    open(path, 'wb').write(re.sub(rb'schemaLocation="[^"]*/(xlink|xml).xsd"', rb'schemaLocation="\1.xsd"', text))
    return etree.XMLSchema(etree.parse(path))


def by_music21(path):
    """Every stroke with its time in quarters, line, head and hand, repeats played out and ties joined; rehearsal marks."""
    import music21 as m21
    score = m21.converter.parse(path, forceSource=True)
    part = score.parts[0].expandRepeats()
    flat = part.stripTies().flatten()
    out = []
    for n in flat.notes:
        finger = [a.fingerNumber for a in n.articulations if isinstance(a, m21.articulations.Fingering)]
        out.append((float(n.offset), n.displayName, n.notehead, finger[0] if finger else None))
    marks = [m.content for m in score.parts[0].recurse().getElementsByClass(m21.expressions.RehearsalMark)]
    return out, marks, float(part.highestTime)


def by_verovio(text):
    import verovio
    kit = verovio.toolkit()
    kit.setOptions({'expandAlways': True} if 'expandAlways' in kit.getAvailableOptions() else {})
    if not kit.loadData(text):
        return None
    times = [(e['qstamp'], len(e.get('on', []))) for e in kit.renderToTimemap({'includeMeasures': False}) if e.get('on')]
    pages = [kit.renderToSVG(i + 1) for i in range(kit.getPageCount())]
    return times, pages, kit.getLog()


def written(a, row):
    parts = {os.path.basename(p)[:-5]: open(p).read() for p in sorted(glob.glob(os.path.join(ROOT, 'scripts/simulating/classroom/parts/*.toml')))}
    parts['lantern'] = open(os.path.join(ROOT, 'reference_takes/lantern-parade.toml')).read()
    parts.update({name: part_text(*odd) for name, odd in ODD.items()})
    rules = schema()
    from lxml import etree
    import music21 as m21
    bad = collections.defaultdict(list)
    strokes = 0
    with tempfile.TemporaryDirectory() as d:
        for name, text in parts.items():
            path = os.path.join(d, name + '.toml')
            open(path, 'w').write(text)
            xml, mid = path[:-5] + '.musicxml', path[:-5] + '.mid'
            for out in (xml, mid, path[:-5] + '.mxl'):
                done = run(a.binary, 'convert', path, out)
                if done.returncode:
                    bad['written'].append(f'{name}: {done.stderr}')
            ours = json.loads(run(a.binary, 'check', path, '--json').stdout)
            bpm = tomllib.loads(text)['bpm']['start']
            at = [(s['at_s'] * bpm / 60, s) for s in ours['strokes']]
            strokes += len(at)
            if not rules.validate(etree.parse(xml)):
                bad['schema'].append(f'{name}: {rules.error_log.last_error}')
            theirs, marks, end = by_music21(xml)
            hand = {'right': 'R', 'left': 'L', 'R': 'R', 'L': 'L', 'both': 'B', 'B': 'B'}
            want = [(round(t, 4), LINES[s['surface']], HEADS[s['surface']], hand.get(s['hands'])) for t, s in at]
            got = [(round(t, 4), line, head, finger) for t, line, head, finger in theirs]
            if want != got:
                k = next((i for i, (w, g) in enumerate(zip(want, got)) if w != g), min(len(want), len(got)))
                bad['music21'].append(f'{name}: {len(want)} strokes, {len(got)} read, first difference {want[k:k+1]} {got[k:k+1]}')
            form = re.search(r'^form\s*=\s*"(.*?)"', text, re.M).group(1).split()
            if marks != form:
                bad['marks'].append(f'{name}: {form} {marks}')
            engraved = by_verovio(open(xml).read())
            if not engraved:
                bad['verovio'].append(f'{name}: not engraved')
            else:
                times, pages, log = engraved
                # A tied note is on once more in the timemap where it goes on.
                missing = [t for t, _ in at if not any(abs(t - q) < 1e-3 for q, _ in times)]
                if missing:
                    bad['verovio'].append(f'{name}: {len(missing)} strokes of {len(at)} not played, first at {missing[0]:.2f}; {log.strip()}')
                if a.pages:
                    os.makedirs(a.pages, exist_ok=True)
                    for i, page in enumerate(pages):
                        open(os.path.join(a.pages, f'{name}-{i + 1}.svg'), 'w').write(page)
            flat = m21.converter.parse(mid, forceSource=True, quantizePost=False).stripTies().flatten()
            notes = sorted((round(float(n.offset), 3)) for n in flat.notes)
            if notes != sorted(round(t, 3) for t, _ in at):
                bad['midi'].append(f'{name}: {len(notes)} of {len(at)}')
    n = f'{len(parts)} parts, {strokes} strokes'
    for what, against in (('schema', 'musicxml.xsd 4.0, lxml'), ('music21', 'music21: expandRepeats, stripTies, lines, heads, fingering'),
                          ('marks', 'music21: rehearsal marks'), ('verovio', 'verovio: engraved, timemap'), ('midi', 'music21: MIDI'), ('written', 'exit status')):
        for line in bad[what]:
            print('   ', line)
        row(f'{what} of {n}', against, f'{len(bad[what])} parts differ', '0', not bad[what])


def lines_of(path):
    """How many percussion lines a MusicXML file holds, and notes in it; None where it is no score."""
    from lxml import etree
    try:
        data = open(path, 'rb').read()
        if path.endswith('.mxl'):
            z = zipfile.ZipFile(path)
            data = z.read(next(n for n in z.namelist() if not n.startswith('META-INF') and n.endswith(('.xml', '.musicxml'))))
        root = etree.fromstring(data, etree.XMLParser(load_dtd=False, no_network=True, huge_tree=True))
    except Exception:
        return None
    if root.tag == 'score-partwise':
        parts = root.findall('part')
        return sum(1 for p in parts if p.find('.//unpitched') is not None)
    if root.tag == 'score-timewise':
        ids = {p.get('id') for p in root.iter('part') if p.find('.//unpitched') is not None}
        return len(ids)
    return None


def others(a, row):
    import music21
    folders = [os.path.dirname(music21.__file__)] + a.scores
    files = sorted({f for folder in folders for e in ('xml', 'musicxml', 'mxl', 'mid') for f in glob.glob(os.path.join(glob.escape(folder), '**', '*.' + e), recursive=True)})
    read, refused, crashed, one, one_read, why = 0, 0, [], 0, 0, collections.Counter()
    with tempfile.TemporaryDirectory() as d:
        for i, path in enumerate(files):
            out = os.path.join(d, f'{i}.toml')
            count = None if path.endswith('.mid') else lines_of(path)
            if not path.endswith('.mid') and count is None:
                continue
            done = run(a.binary, 'convert', path, out)
            if done.returncode == 0:
                read += 1
            elif done.returncode == 2 and 'panicked' not in done.stderr:
                refused += 1
            else:
                crashed.append(path)
            if count == 1:
                one += 1
                one_read += done.returncode == 0
                if done.returncode:
                    said = done.stderr.strip().splitlines()
                    why[said[0].split(': ', 2)[-1] if said else '?'] += 1
                    print('   ', os.path.relpath(path, folders[0]), '|', said[0].split(': ', 2)[-1] if said else '?')
            # Any line can be asked for by its number.
            asked = run(a.binary, 'convert', path, os.path.join(d, f'{i}-1.toml'), '--line', '1')
            if asked.returncode not in (0, 2) or 'panicked' in asked.stderr:
                crashed.append(path + ' --line 1')
    row(f'{read + refused + len(crashed)} scores of others read or refused in words', 'music21 corpus and tests' + ''.join(' ' + os.path.basename(s) for s in a.scores), f'{read} read, {refused} refused, {len(crashed)} crashed {crashed[:3]}', '0 crashed', not crashed)
    row('of those, with one percussion line', 'lxml: parts with unpitched notes', f'{one_read} of {one} read', '.95', one_read >= .95 * one)


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument('--binary', default=os.path.join(ROOT, 'target/release/pailbeat'))
    p.add_argument('--scores', nargs='*', default=[])
    p.add_argument('--pages', help='keep the engraved pages in this folder')
    p.add_argument('--only', choices=['written', 'others'])
    a = p.parse_args()
    met = []

    def row(what, against, measured, bound, ok):
        met.append(bool(ok))
        print(f"{'ok ' if ok else 'MISSED'} {what}: {measured} (bound {bound}; {against})", flush=True)

    for check in (written, others):
        if a.only in (None, check.__name__):
            check(a, row)
    sys.exit(0 if all(met) else 1)


if __name__ == '__main__':
    main()
