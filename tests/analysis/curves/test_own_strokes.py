"""A spring whose own strokes lie apart by far more than the others': where that begins."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.own_strokes import APART_SHARE, APART_TIMES, strokes_apart
from coilbench.analysis.report.curve_text import set_notes
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

HEIGHTS_MM = (38.5, 28.0)
FREE_MM, RATE_N_PER_MM = 52.0, 16.0


def curve(label: str, *shares: float) -> SpringCurve:
    """Return a spring of strokes that push so much harder than its first one."""
    down = np.linspace(50.0, 26.0, 400)
    up = down[::-1]
    sweeps = [
        Sweep(
            f"{label}/{at}", label, Origin.CONVERTED_FILE,
            Branch(down, (1.0 + share) * RATE_N_PER_MM * (FREE_MM - down)),
            Branch(up, (1.0 + share) * RATE_N_PER_MM * (FREE_MM - up)),
            0.1, 0.001, 0.01,
        )
        for at, share in enumerate((0.0, *shares))
    ]  # fmt: skip
    return fit_curve(label, sweeps)


def named(*curves: SpringCurve) -> list[str]:
    return [one.label for one in strokes_apart(curves, HEIGHTS_MM)]


@pytest.mark.parametrize(("times", "said"), [(0.97, False), (1.03, True), (-1.03, True)])
@pytest.mark.parametrize("others", [1e-5, 1e-3])
def test_it_is_named_from_so_many_times_what_the_others_differ_by_on(
    others: float, times: float, said: bool
) -> None:
    limit = max(APART_SHARE, APART_TIMES * others)
    fine = [curve(f"larch-0{n}", others) for n in (1, 2, 3)]
    found = strokes_apart([*fine, curve("larch-04", times * limit)], HEIGHTS_MM)
    assert [one.label for one in found] == (["larch-04"] if said else [])
    if said:
        assert found[0].apart_share == pytest.approx(abs(times) * limit, rel=0.02)
        assert found[0].others_share == pytest.approx(others, rel=0.02)


def test_one_bad_spring_of_several_hides_no_other_one() -> None:
    fine = [curve(f"larch-0{n}", 1e-4) for n in (1, 2, 3)]
    assert named(*fine, curve("a", 0.02), curve("b", -0.01)) == ["a", "b"]


def test_with_nothing_to_go_by_nothing_is_said() -> None:
    assert named(curve("a", 0.02)) == []
    assert named(curve("a", 0.02), curve("b"), curve("c")) == []
    assert named(curve("a", 0.02), curve("b", 0.01)) == []


def test_the_note_says_by_how_much_and_which_press_settles_it() -> None:
    curves = [curve("larch-01", 1e-4), curve("larch-02", -0.0075)]
    (note,) = (one for one in set_notes(curves, HEIGHTS_MM, Units("kg", "mm")) if "apart" in one)
    assert note.startswith("larch-02: its 2 strokes lie ")
    assert "(0.8%) apart at " in note
    assert "those of the others 0.01%" in note
    assert "Press it again: those that agree show the odd one" in note
