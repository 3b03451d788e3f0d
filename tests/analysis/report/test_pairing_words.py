"""What is said of springs that were not read where a combination puts them, or that bind."""

import pytest

from coilbench.analysis.engine.placed import PlacedSet, SetCurves
from coilbench.analysis.engine.reasons import HeightUnread, Loose, Need, ValvesOutside
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.pairing_text import needs_lines
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.unit_factors import KGF_N


def test_a_set_far_from_solid_has_nothing_to_say() -> None:
    springs = SetCurves("larch", "outer", (), 28.0)
    assert list(PlacedSet(springs, 40.0, 30.0, 30.0).bind_risks(1.2)) == []


@pytest.mark.parametrize(("depth_mm", "said"), [(20.0, "pressed by 20.00 mm"), (None, "unknown")])
def test_the_depth_to_press_is_said_where_it_is_known(depth_mm: float | None, said: str) -> None:
    text = describe(HeightUnread("larch", ("larch-01",), 30.0, depth_mm), SI)
    assert "larch was not read at 30.00 mm on larch-01" in text
    assert said in text


def test_words_are_in_the_units_chosen() -> None:
    reason = HeightUnread("larch", ("larch-01",), 40.0, 10.0)
    text = describe(reason, Units("kg", "in"))
    assert "at 1.575 in" in text
    assert "pressed by 0.394 in" in text


def test_a_loose_spring() -> None:
    text = describe(Loose("larch", ("larch-01",), 40.0, 39.0), SI)
    for words in ("loose at 40.00 mm", "larch-01", "39.00 mm long"):
        assert words in text


def test_what_keeps_valves_outside_is_said() -> None:
    reason = ValvesOutside("seat", 6.0, 2, 8, 31.75 * KGF_N, 34.53 * KGF_N, 1.6)
    text = describe(reason, Units())
    for words in ("6.0 of 8 valves", "valve shut", "31.75 kg to 34.53 kg", "differ by 1.60 mm"):
        assert words in text
    alike = ValvesOutside("seat", 6.0, 2, 8, 31.75 * KGF_N, 34.53 * KGF_N, 0.0)
    assert "differ" not in describe(alike, Units())


def test_needs_of_one_height_are_said_together() -> None:
    needs = [Need("reading", "larch", f"larch-0{n}", 27.5, 25.0 + n) for n in (1, 2)]
    needs += [Need("solid_height", "heron", None, None, None)]
    assert list(needs_lines(needs, SI)) == [
        "larch: larch-01, larch-02 at 27.50 mm (pressed by 27.00 mm)",
        "heron: its solid height",
    ]


def test_a_reason_in_json_has_its_kind_its_numbers_and_a_text() -> None:
    assert document(HeightUnread("larch", ("larch-01",), 30.0, 20.0)) == {
        "kind": "not_read",
        "set": "larch",
        "springs": ["larch-01"],
        "height_mm": 30.0,
        "depth_mm": 20.0,
        "text": "larch was not read at 30.00 mm on larch-01 (pressed by 20.00 mm)",
    }
