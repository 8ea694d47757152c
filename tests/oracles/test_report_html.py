"""The report and the comparison of runs, read by html5lib's strict parser, which shares no code with the program.

Source: HTML Living Standard, 13.2 (parsing: what is a parse error); a document without one is what a browser takes it for.
"""

import re
import subprocess

import html5lib
import pytest


def made(wattproof, *words):
    done = subprocess.run(
        [wattproof, *words], capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def run(wattproof, tmp_path_factory):
    """The folder of a whole run on the virtual bench."""
    out = tmp_path_factory.mktemp("results")
    made(wattproof, "demo", "--amplifier", "sagging", "--out", out)
    (folder,) = [path for path in out.iterdir() if path.is_dir()]
    return folder


def pages(wattproof, run, where):
    report, compared = where / "report.html", where / "compared.html"
    made(wattproof, "report", run, "--out", report)
    made(wattproof, "compare", run, run, "--html", compared)
    return [page.read_text(encoding="utf-8") for page in (report, compared)]


def test_no_parse_error(wattproof, run, tmp_path):
    for page in pages(wattproof, run, tmp_path):
        tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
        assert tree.find("head/title").text and tree.find("head/meta").get("charset") == "utf-8"
        figures = tree.findall(".//{http://www.w3.org/2000/svg}svg")
        assert figures and all(figure.get("role") == "img" and figure.get("aria-label") for figure in figures)
        # Headings don't skip a level (WCAG 2.1, technique G141).
        levels = [int(node.tag[1]) for node in tree.iter() if re.fullmatch("h[1-6]", str(node.tag))]
        assert levels[0] == 1 and all(after - before <= 1 for before, after in zip(levels, levels[1:], strict=False))
        # A name stands once (HTML Living Standard, 3.2.6).
        names = [node.get("id") for node in tree.iter() if node.get("id")]
        assert len(names) == len(set(names))


def test_nothing_is_loaded(wattproof, run, tmp_path):
    # Elements and attributes by which a browser loads something (HTML Living Standard, 4).
    for page in pages(wattproof, run, tmp_path):
        tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
        for node in tree.iter():
            assert node.tag not in {"script", "link", "img", "iframe", "object", "embed", "form"}
            assert not {"src", "srcset", "href", "data", "style"} & set(node.keys()), node.attrib
            assert not any(name.startswith("on") for name in node.keys())


def test_every_cell_has_its_column(wattproof, run, tmp_path):
    # A table whose rows are of one width can be read aloud by its headers (WCAG 2.1, 1.3.1).
    for page in pages(wattproof, run, tmp_path):
        tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
        for table in tree.iter("table"):
            widths = {len([cell for cell in row if cell.tag in {"td", "th"}]) for row in table.iter("tr")}
            assert len(widths) == 1, widths
            assert all(head.get("scope") in {"row", "col"} for head in table.iter("th"))
