"""What is said of a set that was not read where a combination puts it, or that binds."""

import re

import numpy as np

from coilbench.analysis.curves.curve import fit_curve
from coilbench.analysis.engine import pairing_words
from coilbench.analysis.engine.placed_sets import PlacedSet, SetCurves, set_load
from coilbench.capture.strokes.sweep import Branch, Origin, Sweep
from coilbench.capture.units import Units


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
        springs, 40.0, 30.0, set_load(springs, 40.0), set_load(springs, 30.0), margin_mm
    )


def test_nothing_to_say() -> None:
    good = placed(50.0, 20.0, 50.0, 28.0)
    assert pairing_words.unread_reasons(good, Units()) == []
    assert pairing_words.bind_reasons(good, 1.2, Units()) == []


def test_the_depth_to_press_is_said() -> None:
    assert pairing_words.unread_reasons(placed(50.0, 35.0, 50.0), Units()) == [
        "larch was not read at 30.00 mm (at full lift) on larch-01: press to a depth of 20.00 mm, "
        "stop before coil bind"
    ]
    (words,) = pairing_words.unread_reasons(placed(50.0, 20.0, 38.0), Units("kg", "in"))
    assert re.search(r"\b1\.575 in", words)
    assert re.search(r"\b0\.394 in", words)


def test_the_longest_spring_says_how_deep() -> None:
    one, two = placed(50.0, 35.0, 50.0).springs, placed(50.5, 35.0, 50.0).springs
    both = SetCurves("larch", "outer", one.curves + two.curves, None)
    where = PlacedSet(both, 40.0, 30.0, set_load(both, 40.0), set_load(both, 30.0), None)
    (words,) = pairing_words.unread_reasons(where, Units())
    assert re.search(r"\b20\.50 mm", words)


def test_without_a_free_length_there_is_no_depth() -> None:
    (words,) = pairing_words.unread_reasons(placed(None, 35.0, 42.0), Units())
    assert re.search("unknown.*length", words)


def test_nobody_is_asked_to_press_beyond_solid() -> None:
    assert pairing_words.unread_reasons(placed(50.0, 35.0, 50.0, 31.0), Units()) == [
        "larch cannot be pressed to 30.00 mm (at full lift): it is solid at 31.00 mm"
    ]


def test_a_loose_spring() -> None:
    assert pairing_words.unread_reasons(placed(39.0, 20.0, 39.0), Units()) == [
        "larch would stand loose at 40.00 mm (with the valve shut): a spring of it is only "
        "39.00 mm long"
    ]
