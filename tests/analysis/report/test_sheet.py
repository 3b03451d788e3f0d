"""The build sheet's content against the engine's own numbers and straight springs by hand."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.engine.reasons import MarginObstacle, TooFewSprings
from coilbench.analysis.inputs.sheet import RigPart, Sheet
from coilbench.analysis.report.sheet_page import sheet_page
from coilbench.analysis.report.sheet_text import sheet_document, sheet_text
from coilbench.analysis.report.units import SI
from coilbench.analysis.rig.card import Card
from coilbench.analysis.rig.check import PastCheck, warnings
from coilbench.analysis.sets.judge import check_set
from coilbench.analysis.sets.rulings import Nominal
from coilbench.capture.calibration.fit import load_part
from coilbench.capture.calibration.known_points import LoadPoint

MakeSheet = Callable[..., Sheet]
Straight = tuple[float, float]
HEIGHTS = {"1 in": 40.0, "1 ex": 40.4, "2 in": 40.0}
NOW = "2026-05-11T09:30:00+00:00"
HEAD = """
[cam]
name = "Lake twin"
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "{open_tolerance} N"
[[shims]]
thickness = "0.4 mm"
count = 3
[limits]
coil_bind_margin = "{margin} mm"
[springs]
outer = ["larch"]
inner = ["heron"]
[head]
inner_offset = "2 mm"
{head}
"""
VALVES = '[head.valves]\n"1 in" = "40.0 mm"\n"1 ex" = "40.4 mm"\n"2 in" = "40.0 mm"\n'


def text(head: str = VALVES, margin: float = 1.2, open_tolerance: float = 30.0) -> str:
    return HEAD.format(head=head, margin=margin, open_tolerance=open_tolerance)


def springs(outers: int = 4, inners: int = 4) -> Mapping[str, Mapping[str, Straight]]:
    return {
        "larch": {f"larch-{n}": (50.0, 20.0 + 0.05 * n) for n in range(1, outers + 1)},
        "heron": {f"heron-{n}": (48.0, 10.0 - 0.03 * n) for n in range(1, inners + 1)},
    }


def test_rows_add_up_by_hand(make_a_sheet: MakeSheet) -> None:
    """Hooke's law by hand: each spring's rate times its compression at the valve's own height."""
    sets = springs()
    sheet = make_a_sheet(text(), sets)
    assert [row.valve for row in sheet.valves] == list(HEIGHTS)
    for row in sheet.valves:
        assert row.inner is not None
        assert row.outer.spring is not None
        assert row.inner.spring is not None
        outer, inner = sets["larch"][row.outer.spring], sets["heron"][row.inner.spring]
        shut_mm = HEIGHTS[row.valve] - sum(row.choice.shims_mm) + row.choice.seat_cut_mm
        assert row.outer.height_mm == pytest.approx(shut_mm)
        assert row.inner.height_mm == pytest.approx(shut_mm - 2.0)
        assert row.seat.load_n == pytest.approx(
            outer[1] * (outer[0] - shut_mm) + inner[1] * (inner[0] - shut_mm + 2.0), abs=0.1
        )
        assert row.open.load_n == pytest.approx(
            outer[1] * (outer[0] - shut_mm + 10.0) + inner[1] * (inner[0] - shut_mm + 12.0), abs=0.1
        )
        assert row.margin_mm == pytest.approx(shut_mm - 2.0 - 10.0 - 20.0)
        assert row.fits is True
        assert row.sure is True
    used = {row.outer.spring for row in sheet.valves} | {
        None if row.inner is None else row.inner.spring for row in sheet.valves
    }
    assert used | {spring.name for spring in sheet.assignment.chosen.spares} == {
        label for each in sets.values() for label in each
    }
    assert len(used) == 6


def test_the_tightest_valve_is_the_margin(make_a_sheet: MakeSheet) -> None:
    sheet = make_a_sheet(text(), springs(), effort="none")
    by_set = {margin.set_name: margin for margin in sheet.margins}
    assert by_set["larch"].margin_mm == pytest.approx(40.0 - 10.0 - 20.0)
    assert by_set["larch"].valve in ("1 in", "2 in")
    assert by_set["heron"].margin_mm == pytest.approx(40.0 - 2.0 - 10.0 - 20.0)
    assert by_set["heron"].kept is True
    assert sheet.build.clearance_mm is None
    unknown = make_a_sheet(text(), springs(), solid_mm=None)
    assert [(m.margin_mm, m.valve, m.kept) for m in unknown.margins] == [(None, None, None)] * 2
    assert all(row.margin_mm is None for row in unknown.valves)


def test_lines_are_the_springs_and_their_sum(make_a_sheet: MakeSheet) -> None:
    sets = springs()
    sheet = make_a_sheet(text(), sets)
    for line in sheet.lines:
        heights = np.array(line.heights_mm)
        assert (np.diff(heights) > 0.0).all()
        if line.role == "together":
            continue
        free_mm, rate = sets["larch" if line.role == "outer" else "heron"][line.name]
        own = heights - (2.0 if line.role == "inner" else 0.0)
        np.testing.assert_allclose(line.loads_n, rate * (free_mm - own), atol=0.2)
    together = [line for line in sheet.lines if line.role == "together"]
    assert [line.name for line in together] == list(HEIGHTS)
    for line, row in zip(together, sheet.valves, strict=True):
        at = line.heights_mm.index(row.outer.height_mm)
        assert line.loads_n[at] == pytest.approx(row.seat.load_n)
        down = line.heights_mm.index(round(row.outer.height_mm - 10.0, 6))
        assert line.loads_n[down] == pytest.approx(row.open.load_n)


def test_too_few_springs_fall_back_on_the_pair(make_a_sheet: MakeSheet) -> None:
    """The sets' means by hand, each valve at its own height."""
    sets = springs(outers=2, inners=4)
    sheet = make_a_sheet(text(), sets)
    assert not sheet.named
    assert "best pair of sets: larch with heron" in sheet_text(sheet, SI).verdict
    assert TooFewSprings("outer", 2, 3) in sheet.reasons
    outer, inner = 20.0 + 0.05 * 1.5, 10.0 - 0.03 * 2.5
    for row in sheet.valves:
        assert row.outer.spring is None
        shut_mm = row.outer.height_mm
        assert row.seat.load_n == pytest.approx(
            outer * (50.0 - shut_mm) + inner * (48.0 - shut_mm + 2.0), abs=0.1
        )
    assert [line.name for line in sheet.lines if line.role == "together"] == ["mean"]


def test_an_infeasible_build_says_which_limit(make_a_sheet: MakeSheet) -> None:
    sheet = make_a_sheet(text(margin=9.5), springs())
    assert not sheet.named
    assert MarginObstacle(9.5, 40.0 - 2.0 - 10.0 - 20.0) in sheet.reasons
    assert [margin.kept for margin in sheet.margins] == [True, False]


def test_an_uncertainty_that_reaches_over_is_said(make_a_sheet: MakeSheet) -> None:
    """At 30 N the window is 20 times the loads' uncertainty, at 0.5 N a fraction of it."""
    assert all(row.sure for row in make_a_sheet(text(), springs()).valves)
    narrow = make_a_sheet(text(open_tolerance=0.5), springs()).valves
    assert not any(row.sure for row in narrow)


def test_the_document_is_json_in_newtons(make_a_sheet: MakeSheet) -> None:
    sheet = make_a_sheet(text(), springs(), solid_mm=None)
    document = json.loads(json.dumps(sheet_document(sheet), allow_nan=False))
    assert [valve["valve"] for valve in document["valves"]] == list(HEIGHTS)
    assert document["valves"][0]["coil_bind_margin_mm"] is None
    assert document["retainer_clearance_mm"] is None
    assert document["calibration"]["calibration_id"] is None
    assert {"Loads", "Choice", "Flags", "Uncertainty"} <= set(document["method"])


def test_the_tolerances_that_were_applied_are_said_for_each_set(make_a_sheet: MakeSheet) -> None:
    """The middle's are 5 %; a nominal may have its own, here 24 N of 300 N."""
    sheet = make_a_sheet(text(), springs())
    said = sheet_text(sheet, SI).method["Flags"]
    assert "within 5% of its set's middle (median), with" in said
    assert "nominal" not in said
    larch, heron = sheet.sets
    nominals = [Nominal(24.0 / 0.08, 24.0)] * 2
    aimed = check_set("larch", larch.curves, larch.heights_mm, nominals=nominals)
    own = replace(sheet, sets=(replace(larch, check=aimed), heron))
    said = sheet_text(own, SI).method["Flags"]
    assert "larch: 5% of its set's middle (median) and 8% of its nominal" in said
    assert "heron: 5% of its set's middle (median), with" in said


def test_springs_counted_in_though_unsure_are_named(make_a_sheet: MakeSheet) -> None:
    sheet = replace(make_a_sheet(text(), springs()), unsure=("heron-1",))
    assert sheet_document(sheet)["unsure"] == ["heron-1"]
    assert "Counted in, though their check is unsure: heron-1." in sheet_page(sheet, SI)


def test_a_failed_check_is_carried(make_a_sheet: MakeSheet) -> None:
    points = [LoadPoint(m, 1_000 + 24_500 * m, "up") for m in (0, 5, 10, 20, 40)]
    failed = PastCheck(NOW, 20.0, 9.80665, 9.0, 1.0, 2.0, False)
    said = warnings("2025-01-01T00:00:00+00:00", [failed], NOW, 180.0)
    card = Card.of(
        "c1", [("p1", "2025-01-01T00:00:00+00:00", load_part(points, "masses.csv"))], NOW,
        check=failed, warnings=said,
    )  # fmt: skip
    sheet = make_a_sheet(text(), springs(), rig=RigPart(card, (), said))
    document = sheet_document(sheet)
    assert [one["kind"] for one in document["warnings"]] == ["check_failed", "calibration_old"]
    assert "FAILED" in document["warnings"][0]["text"]
    assert document["calibration"]["check"]["passed"] is False


def test_what_the_limits_need_is_named_where_it_is_not_given(make_a_sheet: MakeSheet) -> None:
    sheet = make_a_sheet(text(), springs())
    limits = sheet_text(sheet, SI).limits
    assert {each.severity for one in sheet.limits for each in one.findings} == {"unknown"}
    assert all("MPa" not in words for _, found in limits.found for words in found)
    assert any("wire and active coils of larch" in words for words in limits.not_given)


def test_labels_that_two_sets_share(make_a_sheet: MakeSheet) -> None:
    """Both outer sets have a spring 1: the sheet says whose, and adds the right one's load."""
    sets = {
        "larch": {"1": (50.0, 20.0)},
        "rowan": {"1": (50.0, 21.0), "2": (50.0, 20.4)},
        "heron": {f"heron-{n}": (48.0, 10.0) for n in (1, 2, 3)},
    }
    both = text().replace('outer = ["larch"]', 'outer = ["larch", "rowan"]')
    sheet = make_a_sheet(both, sets)
    outers = [row.outer for row in sheet.valves]
    assert sorted(str(outer.spring) for outer in outers) == ["2", "larch/1", "rowan/1"]
    together = [line for line in sheet.lines if line.role == "together"]
    for line, row in zip(together, sheet.valves, strict=True):
        at = line.heights_mm.index(row.outer.height_mm)
        assert line.loads_n[at] == pytest.approx(row.seat.load_n)
    assert sheet.budget is not None
    assert sheet.budget.spring == "rowan/1"  # the stiffest: its load is the least sure
