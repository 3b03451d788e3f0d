"""The sheet's drawing: whatever is in it is told apart by name and, without colour, by look."""

from __future__ import annotations

import html
import re
from collections.abc import Callable

import pytest
from msgspec.structs import replace

from coilbench.analysis.inputs.sheet import Sheet
from coilbench.analysis.report.sheet_page import sheet_page
from coilbench.analysis.report.units import Units

MakeSheet = Callable[..., Sheet]
KG = Units("kg", "mm")
OUTER = {f"larch-{n}": (50.0, 20.0) for n in range(1, 4)}
INNER = {f"heron-{n}": (48.0, 10.0) for n in range(1, 4)}
CARD = """
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
"""
HEAD = '[head]\ninstalled_height = "40 mm"\nvalves = 2\n'
PAIR = f'[cam]{CARD}{HEAD}inner_offset = "2 mm"\n[springs]\nouter = ["larch"]\ninner = ["heron"]\n'
SINGLE = f'[cam]{CARD}{HEAD}[springs]\nouter = ["larch"]\n'
KINDS = ("pair", "pair with nothing read of both together", "single", "solid height unknown")


@pytest.fixture(scope="module", params=KINDS)
def sheet(make_a_sheet: MakeSheet, request: pytest.FixtureRequest) -> Sheet:
    if request.param == "single":
        return make_a_sheet(SINGLE, {"larch": OUTER})
    solid_mm = None if "unknown" in request.param else 20.0
    made = make_a_sheet(PAIR, {"larch": OUTER, "heron": INNER}, solid_mm=solid_mm)
    if "nothing" in request.param:
        return replace(made, lines=tuple(one for one in made.lines if one.role != "together"))
    return made


@pytest.fixture(scope="module")
def page(sheet: Sheet) -> str:
    return sheet_page(sheet, KG)


@pytest.fixture(scope="module")
def svg(page: str) -> str:
    return page[page.index("<svg") : page.index("</svg>")]


def look(svg: str, part: str) -> tuple[str, ...]:
    """What of a part of the drawing is seen without colour: dash, hatching, mark."""
    dashes = re.findall(r"stroke-dasharray: ([0-9.,]+)", part)
    hatched = ["hatched"] if "url(#" in part else []
    marks = {
        re.sub(r"\s+", " ", path)
        for used in re.findall(r'xlink:href="#(\w+)"', part)
        for path in re.findall(rf'id="{used}" d="([^"]+)"', svg)
    }
    return (*dashes, *hatched, *marks)


def legend(svg: str) -> list[tuple[str, tuple[str, ...]]]:
    """Name and look of each entry."""
    entries = re.findall(r"(.*?)<text[^>]*>(.*?)</text>", svg.split('id="legend_1"')[1], re.DOTALL)
    return [(html.unescape(name), look(svg, part)) for part, name in entries]


def test_no_two_entries_have_one_name_or_one_look(svg: str) -> None:
    entries = legend(svg)
    names, looks = zip(*entries, strict=True)
    assert len(set(names)) == len(names) >= 4
    assert len(set(looks)) == len(looks), entries


def test_each_springs_line_is_drawn_as_the_legend_says(sheet: Sheet, svg: str) -> None:
    dashes = {name: seen[0] for name, seen in legend(svg) if name.startswith(("outer", "inner"))}
    pair = any(line.role == "inner" for line in sheet.lines)
    solids = sum(margin.solid is not None for margin in sheet.margins) if pair else 0
    assert len(dashes) == (2 if pair else 0) + solids
    for name, dash in dashes.items():
        lines = [line for line in sheet.lines if line.role == name.split(",")[0]]
        assert svg.count(f"stroke-dasharray: {dash};") == 1 + (len(lines) or 1), name


def test_what_stands_below_names_the_sets_and_their_solid_heights(sheet: Sheet, page: str) -> None:
    """The inner's 20 mm stand at 22 mm of the outer's height, by the head's 2 mm."""
    (words,) = re.findall(r"<figcaption[^>]*>(.*?)</figcaption>", page)
    inner = "inner: heron, solid at 20.00 mm, drawn at 22.00 mm of the outer's height."
    assert html.unescape(words) in (
        f"Outer: larch, solid at 20.00 mm; {inner}",
        "Outer: larch, solid height unknown; inner: heron, solid height unknown.",
        "Spring: larch, solid at 20.00 mm.",
    )
    unknown = all(margin.solid is None for margin in sheet.margins)
    assert ("unknown" in words) == unknown
    assert ("heron" in words) == (len(sheet.margins) == 2)
