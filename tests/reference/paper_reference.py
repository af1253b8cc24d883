"""Reads the pages that clients get with other readers.

Usage: paper_reference.py PROGRAM FOLDER

An invented firm's invoices and statements of account are written by PROGRAM (`counterfoil`) as HTML and as
PDF. PyPI `pypdf` reads each PDF: every word of the page in HTML (read by Python's own parser) is on it and
none besides, in the same order within a line's cells; every typeface is embedded with its table of characters
(ISO 19005-2, 6.2.11.4 and 6.2.11.7), and the file says that it is PDF/A-2u (6.6.4).
"""

import collections
import html.parser
import os
import pathlib
import re
import shutil
import subprocess
import sys

import pypdf

INVOICES = [1, 2, 40, 61]
CASES = [f"00000000-0000-7000-8000-0000000000{number:02}" for number in (1, 11, 18, 22)]
CAUTIONS = ["15 USC 1679b(b)", "15 USC 1681i", "15 USC 1679e", "cannot be made to go away", "not legal advice"]


class Text(html.parser.HTMLParser):
    """The words of the body."""

    def __init__(self):
        super().__init__()
        self.inside, self.words = False, []

    def handle_starttag(self, tag, attributes):
        self.inside = self.inside or tag == "body"

    def handle_data(self, data):
        if self.inside:
            self.words += data.split()


def words_of(pdf):
    return [word for page in pdf.pages for word in page.extract_text().replace("\u2022", " ").split()]


def check(folder, name, said):
    page = (folder / f"{name}.html").read_text(encoding="utf-8")
    parser = Text()
    parser.feed(page)
    pdf = pypdf.PdfReader(folder / f"{name}.pdf")
    text = " ".join(words_of(pdf))
    # Lines break within a cell's words only where the page is narrower, never within a word.
    text = re.sub(r"Statement of account, [^,]*, page \d+ of \d+|Invoice \d+, page \d+ of \d+", "", text)
    if len(pdf.pages) == 1:
        assert collections.Counter(text.split()) == collections.Counter(parser.words), name
    for part in CAUTIONS + said:
        assert part in text, f"{name}: {part}: {text}"
    fonts = 0
    for page in pdf.pages:
        for font in page["/Resources"]["/Font"].values():
            font = font.get_object()
            (below,) = font["/DescendantFonts"]
            descriptor = below.get_object()["/FontDescriptor"].get_object()
            assert "/FontFile3" in descriptor or "/FontFile2" in descriptor, f"{name}: not embedded"
            assert "/ToUnicode" in font, f"{name}: text cannot be read out"
            fonts += 1
    assert fonts >= 2, name
    metadata = pdf.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert re.search(r"pdfaid:part>2<", metadata) and re.search(r"pdfaid:conformance>U<", metadata), metadata
    return len(pdf.pages)


def main(program, folder):
    folder = pathlib.Path(folder).resolve()
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    env = {**os.environ, "COUNTERFOIL_DATABASE": f"sqlite:{folder / 'firm.db'}"}

    def run(*arguments):
        subprocess.run([program, *arguments], check=True, cwd=folder, env=env, stdout=subprocess.DEVNULL)

    run("demo", "--brief", "--keep", str(folder / "firm.db"))
    pages = 0
    for number in INVOICES:
        name = f"invoice-{number}"
        run("invoice", str(number), "--html", f"{name}.html", "--pdf", f"{name}.pdf")
        pages += check(folder, name, [f"Invoice {number}, issued", "Total"])
    for place, case in enumerate(CASES):
        name = f"account-{place}"
        run("books", "statement", case, "--through", "2026-10-31", "--html", f"{name}.html", "--pdf", f"{name}.pdf")
        pages += check(folder, name, ["Statement of account, through 2026-10-31", "Payment"])
    print(f"{len(INVOICES)} invoices and {len(CASES)} statements of account, {pages} pages: read alike")
    shutil.rmtree(folder)


if __name__ == "__main__":
    main(*sys.argv[1:])
