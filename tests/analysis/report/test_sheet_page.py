"""The build sheet's page: self-contained, black on white, whole on paper as a browser prints it."""

from __future__ import annotations

import html
import json
import re
import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest
from msgspec.structs import replace

from coilbench.analysis.inputs.sheet import RigPart, Sheet
from coilbench.analysis.report.sheet_page import sheet_page
from coilbench.analysis.report.sheet_text import CAUTIONS
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from support.tools import chromium

MakeSheet = Callable[..., Sheet]
KG = Units("kg", "mm")
LONG = "пружина-弹簧-" + "w" * 48
NASTY = '<script>alert("1")</script>& =1+1 $\\frac$'
BUILD = """
[cam]
name = {name}
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
[[shims]]
thickness = "0.4 mm"
[limits]
coil_bind_margin = "1.2 mm"
[springs]
outer = ["larch"]
inner = ["heron"]
[head]
inner_offset = "2 mm"
[head.valves]
"""
VALVES = 16
WIDTHS_PX = {
    "desk's screen": (1200, False),
    "narrow screen": (420, False),
    "A4 within its margins": (695, True),  # (210 - 26) mm at 96 px an inch
    "Letter within its margins": (717, True),
}


def text(name: str, valves: int) -> str:
    lines = [f'"{n} {NASTY[:8]}" = "{40.0 + 0.05 * (n % 3)} mm"' for n in range(1, valves + 1)]
    return BUILD.format(name=json.dumps(name, ensure_ascii=False)) + "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def sheet(make_a_sheet: MakeSheet) -> Sheet:
    """Sixteen valves; the longest of names; two tired springs that are used all the same."""
    rates = {n: 20.0 + 0.02 * n for n in range(1, VALVES + 2)} | {3: 17.0, 5: 17.5}
    sets = {
        "larch": {f"larch-{n:02}": (50.0, rate) for n, rate in rates.items()}
        | {LONG: (50.0, 20.0)},
        "heron": {f"heron-{n:02}": (48.0, 10.0 - 0.02 * n) for n in range(1, VALVES + 3)},
    }
    made = make_a_sheet(text(f"{NASTY} {LONG}", VALVES), sets)
    assert made.named
    warned = RigPart(
        None, (), (Finding.of("scale_old", scale="hall", age_days=400.0, limit_days=180.0),)
    )
    # every name on the page, a long and a nasty one in the first row
    first = made.valves[0]
    rows = (replace(first, outer=replace(first.outer, spring=LONG)), *made.valves[1:])
    return replace(made, rig=warned, valves=rows, left_out=(NASTY,))


@pytest.fixture(scope="module")
def page(sheet: Sheet) -> str:
    return sheet_page(sheet, KG)


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.seen.append(tag)
        if tag not in ("meta", "br", "col"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: object) -> None:
        self.seen.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_every_tag_is_closed_and_nothing_is_fetched(page: str) -> None:
    tags = Tags()
    tags.feed(page)
    assert tags.open == []
    assert tags.seen.count("svg") == 1
    assert not re.search(r'(src|href)="(?!#)', page)
    assert "url(http" not in page
    for tag in ("script", "link", "img", "iframe"):
        assert tag not in tags.seen


def test_every_row_has_as_many_cells_as_its_head(page: str) -> None:
    for table in re.findall(r"<table.*?</table>", page, flags=re.DOTALL):
        counts = {len(re.findall(r"<t[hd][ >]", row)) for row in table.split("<tr")[1:]}
        assert len(counts) == 1


def test_the_users_words_stay_words(page: str) -> None:
    assert html.escape(NASTY, quote=False).replace('"', "&#34;") in page
    assert "alert(" not in re.sub(r"&lt;script&gt;alert\(", "", page)
    assert LONG in page


def test_cautions_and_warnings_come_first(page: str) -> None:
    top = page[: page.index("<h2")]
    assert all(words in html.unescape(top) for words in CAUTIONS)
    assert "the scale hall is 400 days old" in top


def test_the_drawing_is_grey_and_told_apart_by_dash(page: str) -> None:
    svg = page[page.index("<svg") : page.index("</svg>")]
    colours = set(re.findall(r"#[0-9a-f]{6}\b", svg))
    assert colours
    assert all(c[1:3] == c[3:5] == c[5:7] for c in colours)
    dashes = set(re.findall(r"stroke-dasharray: ([0-9. ,]+)", svg))
    assert len(dashes) >= 4  # outer, inner, and where each is solid; together is drawn through
    assert "the card's windows" in svg


def test_the_same_sheet_gives_the_same_bytes(sheet: Sheet, page: str) -> None:
    assert sheet_page(sheet, KG) == page


def test_pounds_and_inches(sheet: Sheet) -> None:
    """300 N are 67.4 lbf, 10 mm are 0.394 in (exact factors, by hand)."""
    page = sheet_page(sheet, Units("lbf", "in"))
    assert "67.4 lbf" in page
    assert "0.394 in" in page


def test_nothing_known_says_unknown(make_a_sheet: MakeSheet, sheet: Sheet) -> None:
    row = sheet.valves[0]
    bare = replace(
        row, seat=None, open=None, verdict=None,
        outer=replace(row.outer, margin_mm=None),
    )  # fmt: skip
    page = sheet_page(replace(sheet, valves=(bare,), lines=(), budget=None), KG)
    unknown = '<span class="small">unknown</span>'
    assert page.count(f"<td>{unknown}<br></td>") == 2
    assert f'<td class="bad">{unknown}</td>' in page
    assert "there is no curve to draw" in page
    assert re.search("Unknown.*nothing", page)
    assert ">None<" not in page


@pytest.fixture(scope="module")
def browser() -> str:
    return chromium()


def look(browser: str, folder: Path, page: str, *asked: str) -> str:
    (folder / "page.html").write_text(page, encoding="utf-8")
    command = [
        browser, "--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=5000",
        f"--user-data-dir={folder / 'profile'}", *asked, f"file://{folder / 'page.html'}",
    ]  # fmt: skip
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout


MEASURE = """
const found = {};
for (const frame of document.querySelectorAll("iframe")) {
  const page = frame.contentDocument, cut = [];
  for (const cell of page.querySelectorAll("td, th, dd, dt, p, h1, h2, li, svg")) {
    const scrolled = cell.closest(".scroll, .valves-scroll");
    const right = cell.getBoundingClientRect().right;
    const over = cell.scrollWidth - cell.clientWidth > 1 && cell.tagName != "svg";
    if (over || (right > frame.clientWidth && !(scrolled && frame.title.includes("screen"))))
      cut.push(cell.tagName + ": " + cell.textContent.slice(0, 40));
  }
  if (!frame.title.includes("screen")) {
    for (const row of page.querySelectorAll("tr"))
      if (getComputedStyle(row).breakInside != "avoid") cut.push("a row may be split");
    for (const head of page.querySelectorAll("thead"))
      if (getComputedStyle(head).display != "table-header-group") cut.push("a head isn't repeated");
  }
  const last = page.querySelector("table.valves tbody tr:last-child").querySelectorAll("td.words");
  for (const cell of last) {
    const name = page.createRange();
    name.selectNodeContents(cell.lastChild);
    if (name.getClientRects().length > 1) cut.push("a short name is broken: " + cell.textContent);
  }
  found[frame.title] = [page.documentElement.scrollWidth - frame.clientWidth, cut];
}
document.body.textContent = JSON.stringify(found);
"""


def test_nothing_is_cut_on_screen_or_paper(
    browser: str, sheet: Sheet, page: str, tmp_path: Path
) -> None:
    """What runs over is measured in the browser, in frames as wide as screens and as paper."""
    frames, pages = "", {"kg, mm": page, "N, in": sheet_page(sheet, Units("N", "in"))}
    for shown, text_of in pages.items():
        for title, (width, paper) in WIDTHS_PX.items():
            html_of = text_of.replace("@media print", "@media all") if paper else text_of
            frames += (
                f'<iframe title="{shown}, {title}" style="border:0;width:{width}px;height:3000px" '
                f'srcdoc="{html.escape(html_of)}"></iframe>'
            )
    harness = f"<!doctype html><body>{frames}<script>onload = () => {{{MEASURE}}}</script>"
    dump = look(browser, tmp_path, harness, "--dump-dom", "--window-size=1300,900")
    found = json.loads(html.unescape(re.sub(r"<[^>]+>", "", dump)))
    assert len(found) == len(pages) * len(WIDTHS_PX)
    for title, (over_px, cut) in found.items():
        assert cut == [], title
        assert over_px <= 0, title


@pytest.mark.parametrize(("paper", "size_pt"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_it_prints(
    browser: str, page: str, tmp_path: Path, paper: str, size_pt: tuple[int, int]
) -> None:
    """Skia writes each page's object plainly: pages and their size are counted in the file."""
    printed = tmp_path / "page.pdf"
    sized = page.replace("@page {", f"@page {{ size: {paper};")
    look(browser, tmp_path, sized, "--no-pdf-header-footer", f"--print-to-pdf={printed}")
    pdf = printed.read_bytes().decode("latin-1")
    pages = re.findall(r"/Type /Page\b[^s].*?endobj", pdf, flags=re.DOTALL)
    assert 3 <= len(pages) <= 8
    for one in pages:
        box = re.search(r"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", one)
        assert box is not None
        assert [round(float(side)) for side in box.groups()] == list(size_pt)
