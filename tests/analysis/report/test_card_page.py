"""The calibration card's page: self-contained, the user's words harmless, drawn by a browser."""

from __future__ import annotations

import re
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import pytest
from msgspec.structs import replace

from coilbench.analysis.cli.rig_card import _bar
from coilbench.analysis.curves.load_budget import typical_budget
from coilbench.analysis.report.card_page import card_page
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.card import Card
from coilbench.analysis.rig.check import ZeroMove
from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.calibration.model import Calibration
from support.tools import chromium

NOW = "2026-05-11T09:30:00+00:00"
NASTY = '<script>alert("1")</script>&.csv'
KG = Units("kg", "mm")


@pytest.fixture(scope="module")
def card() -> Card:
    masses = (0, 5, 10, 20, 40, 20, 10, 5, 0)
    ways = ("up",) * 5 + ("down",) * 4
    off = (3, -40, 25, -10, 8, 60, -5, 20, -30)
    points = [
        LoadPoint(m, 30_000 + 24_500 * m + o, w) for m, w, o in zip(masses, ways, off, strict=True)
    ]
    load = load_part(points, NASTY)
    travel = travel_part([GaugePoint(h, 14_000 - 200 * h) for h in (0, 20, 50)], "gauges.csv")
    pressed = [
        FlexPoint(30_000 + 60_000 * n, 9_000 + 12 * n) for n in (*range(1, 12), *range(11, 0, -1))
    ]
    flex = flex_part(pressed, load.fit, travel.fit, "block.csv")
    parts = [("p1", NOW, load), ("p2", NOW, travel), ("p3", NOW, flex)]
    budget = typical_budget(Calibration(load.fit, travel.fit, flex.fit, load.reference_u_relative))
    said = (Finding.of("control_closed", cause="folder_shared", path="<b>old</b>"),)
    return Card.of("c1", parts, NOW, budget=budget, warnings=said)


@pytest.fixture(scope="module")
def page(card: Card) -> str:
    return card_page(card, KG, NOW)


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.unclosed: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.seen.append(tag)
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: object) -> None:
        self.seen.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.open.pop() != tag:
            self.unclosed.append(tag)


def test_every_tag_is_closed_and_every_part_is_drawn(page: str) -> None:
    tags = Tags()
    tags.feed(page)
    assert tags.unclosed == []
    assert tags.open == []
    assert tags.seen.count("svg") == 3
    assert tags.seen.count("h2") == 5


def test_nothing_is_fetched_from_elsewhere(page: str) -> None:
    assert not re.search(r'(src|href)="(?!#)', page)
    assert "url(http" not in page
    assert "<script" not in page
    assert "<link" not in page


def test_the_users_words_stay_words(page: str) -> None:
    assert "&lt;script&gt;alert(" in page
    assert "<b>old</b>" not in page
    assert "&lt;b&gt;old&lt;/b&gt;" in page


def test_it_says_would_meet_and_no_certificate(page: str) -> None:
    assert "would meet" in page
    assert "not a certificate" in page
    assert "trust a steady load to" in page
    assert re.search("compared.*standard", page)


def test_a_legend_tells_up_from_down_where_both_were_read(page: str) -> None:
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    load, travel, _ = ({*re.findall(r"<text[^>]*>([^<]*)</text>", each)} for each in drawings)
    assert {"up", "down"} <= load
    assert not {"up", "down"} & travel  # gauges are read one way: there is nothing to tell apart


def test_the_same_card_gives_the_same_page(card: Card, page: str) -> None:
    assert card_page(card, KG, NOW) == page


def test_bars_reach_to_both_sides() -> None:
    assert _bar(-2.0, 2.0) == "o" + " " * 9 + "|"
    assert _bar(2.0, 2.0) == " " * 10 + "|" + " " * 9 + "o"
    assert _bar(0.0, 0.0) == " " * 10 + "o"  # a residual of nought lies on the line


def test_a_browser_draws_it(page: str, tmp_path: Path) -> None:
    browser = chromium()
    (tmp_path / "card.html").write_text(page, encoding="utf-8")
    shot = tmp_path / "card.png"
    subprocess.run(
        [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--window-size=420,900",
            f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=2000",
            f"--screenshot={shot}", f"file://{tmp_path / 'card.html'}",
        ],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    dump = subprocess.run(
        [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom",
            f"--user-data-dir={tmp_path / 'profile'}", f"file://{tmp_path / 'card.html'}",
        ],
        check=True, capture_output=True, text=True, timeout=120,
    ).stdout  # fmt: skip
    assert shot.stat().st_size > 5000
    assert dump.count("<svg") == 3
    assert "<script" not in dump


def test_zeros_of_a_session_are_drawn_where_there_are_some(card: Card, page: str) -> None:
    assert "Zero of the newest session" not in page
    course = tuple(ZeroMove(float(n), 0.1 * n) for n in range(30))
    drawn = card_page(replace(card, zeros=course), KG, NOW)
    assert drawn.count("<svg") == page.count("<svg") + 1
    assert "Zero of the newest session" in drawn
