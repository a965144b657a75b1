#!/usr/bin/env python3
"""How many sheets each page takes when it is printed, on A4 and on US Letter.

    scripts/measuring/measure_sheets.py PAGE.html ...

Needs chromium. Prints a row a page; the last row is the most sheets of any page."""
import argparse
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

PAPERS = {"A4": "A4", "Letter": "letter"}


def sheets(chromium, page, paper, folder):
    """Sheets of a page on a paper: Chromium prints it, the PDF's page objects are counted."""
    text = page.read_text(encoding="utf-8")
    copy = folder / "page.html"
    copy.write_text(text.replace("</head>", f"<style>@page{{size:{PAPERS[paper]}}}</style></head>", 1), encoding="utf-8")
    pdf = folder / "page.pdf"
    pdf.unlink(missing_ok=True)
    subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--print-to-pdf={pdf}", copy.as_uri()],
        check=True, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL, timeout=120)
    return len(re.findall(rb"/Type\s*/Page[^s]", pdf.read_bytes()))


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("pages", nargs="+", type=pathlib.Path)
    args = parser.parse_args()
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        sys.exit("error: chromium is not installed\nhint: `apt-get install chromium`")
    most = dict.fromkeys(PAPERS, 0)
    print("| page | " + " | ".join(PAPERS) + " |\n|---|" + "---|" * len(PAPERS))
    with tempfile.TemporaryDirectory() as folder:
        for page in args.pages:
            counts = {paper: sheets(chromium, page, paper, pathlib.Path(folder)) for paper in PAPERS}
            most = {paper: max(most[paper], counts[paper]) for paper in PAPERS}
            print(f"| {page.name} | " + " | ".join(str(n) for n in counts.values()) + " |", flush=True)
    print("| most | " + " | ".join(str(n) for n in most.values()) + " |")


if __name__ == "__main__":
    main()
