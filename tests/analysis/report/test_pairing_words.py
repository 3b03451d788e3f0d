"""What is said of a set that was not read where a combination puts it, or that binds."""

import numpy as np
import pytest

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.placed import PlacedSet, SetCurves
from coilbench.analysis.engine.reasons import HeightUnread
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.strokes.sweep import Branch, Origin, Sweep


def placed(
    free_mm: float | None, low_mm: float, high_mm: float, solid_mm: float | None = None
) -> PlacedSet:
    """A set of one spring read from high to low, put at 40 mm shut and 30 mm open."""
    read = Branch(np.array([high_mm, low_mm]), np.array([10.0, 400.0]))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", "larch-01", Origin.KEYED, read, none, 1.0, 0.0, 0.0)
    springs = SetCurves(
        "larch", "outer", (fit_curve("larch-01", [sweep], "mean", free_mm),), solid_mm
    )
    margin_mm = None if solid_mm is None else 30.0 - solid_mm
    return PlacedSet(
        springs, 40.0, 30.0, springs.load_at(40.0, {}), springs.load_at(30.0, {}), margin_mm
    )


def unread(where: PlacedSet) -> HeightUnread:
    (reason,) = where.unread_heights()
    return reason


def test_nothing_to_say() -> None:
    good = placed(50.0, 20.0, 50.0, 28.0)
    assert list(good.unread_heights()) == []
    assert list(good.bind_risks(1.2)) == []


def test_the_depth_to_press_is_said() -> None:
    deep = unread(placed(50.0, 35.0, 50.0))
    assert deep == HeightUnread("not_read", "larch", "open", 30.0, ("larch-01",), 20.0, None)
    text = describe(deep, SI)
    for words in ("larch was not read at 30.00 mm", "depth of 20.00 mm", "stop before coil bind"):
        assert words in text
    shallow = unread(placed(50.0, 20.0, 38.0))
    assert (shallow.at, shallow.height_mm, shallow.depth_mm) == ("seat", 40.0, 10.0)
    text = describe(shallow, Units("kg", "in"))
    assert "at 1.575 in (with the valve shut)" in text
    assert "press to a depth of 0.394 in" in text


def test_the_longest_spring_says_how_deep() -> None:
    one, two = placed(50.0, 35.0, 50.0).springs, placed(50.5, 35.0, 50.0).springs
    both = SetCurves("larch", "outer", one.curves + two.curves, None)
    where = PlacedSet(both, 40.0, 30.0, both.load_at(40.0, {}), both.load_at(30.0, {}), None)
    assert unread(where).depth_mm == pytest.approx(20.5)


def test_without_a_free_length_there_is_no_depth() -> None:
    reason = unread(placed(None, 35.0, 42.0))
    assert reason.depth_mm is None
    assert "the depth is unknown until the free length is measured" in describe(reason, SI)


def test_nobody_is_asked_to_press_beyond_solid() -> None:
    reason = unread(placed(50.0, 35.0, 50.0, 31.0))
    assert (reason.kind, reason.limit_mm, reason.depth_mm) == ("beyond_solid", 31.0, None)
    assert "it is solid at 31.00 mm" in describe(reason, SI)


def test_a_loose_spring() -> None:
    reason = unread(placed(39.0, 20.0, 39.0))
    assert (reason.kind, reason.height_mm, reason.limit_mm) == ("loose", 40.0, 39.0)
    assert "39.00 mm long" in describe(reason, SI)


def test_a_reason_in_json_has_its_kind_its_numbers_and_a_text() -> None:
    assert document(unread(placed(50.0, 35.0, 50.0, 31.0))) == {
        "kind": "beyond_solid",
        "set": "larch",
        "at": "open",
        "height_mm": 30.0,
        "springs": ["larch-01"],
        "depth_mm": None,
        "limit_mm": 31.0,
        "text": "larch cannot be pressed to 30.00 mm (at full lift): it is solid at 31.00 mm",
    }
