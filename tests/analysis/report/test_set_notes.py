"""What a set's notes say, and of whom. The sentences themselves are ours."""

from __future__ import annotations

import re

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.report.curve_text import set_notes
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

KG = Units("kg", "mm")


def keyed(
    label: str, up_to_mm: float, *, too_fast: bool = False, load_u_relative: float = 0.001
) -> SpringCurve:
    down, up = np.array([38.0, 30.0]), np.array([38.0, up_to_mm])
    sweep = Sweep(
        f"{label}/1",
        label,
        Origin.KEYED,
        Branch(down, 220.0 + (38.0 - down)),
        Branch(up, 210.0 + (38.0 - up)),
        1.0,
        load_u_relative,
        0.0,
        too_fast=too_fast,
    )
    return fit_curve(label, [sweep])


def test_a_note_of_every_spring_stands_once_and_alone() -> None:
    curves = [keyed(f"larch-{n:02d}", 30.0, too_fast=True) for n in range(1, 4)]
    (note,) = set_notes(curves, [38.0], KG)
    assert note.startswith("all strokes were too fast")


def test_a_note_of_some_springs_names_them_or_counts_them() -> None:
    fine = [keyed("larch-01", 30.0)]
    two = [keyed(f"larch-{n:02d}", 30.0, too_fast=True) for n in (2, 3)]
    (note,) = set_notes([*fine, *two], [38.0], KG)
    assert note.startswith("larch-02, larch-03: all strokes")
    six = [keyed(f"larch-{n:02d}", 30.0, too_fast=True) for n in range(2, 8)]
    (note,) = set_notes([*fine, *six], [38.0], KG)
    assert re.search(r"larch-02.*larch-03.*larch-04.*larch-05.*\b2\b.*strokes", note)


def test_a_note_of_one_height_names_it() -> None:
    curves = [keyed("larch-01", 30.0), keyed("larch-02", 34.0)]
    assert set_notes(curves, [38.0, 30.0], KG) == (
        "larch-02: at 30.00 mm: only the loading branch was measured there",
    )
    assert set_notes(curves, [38.0, 20.0], KG) == ()  # not measured: the table says so


@pytest.mark.parametrize(("height_mm", "where"), [(34.0, "between"), (39.4, "outside")])
def test_a_load_that_was_not_read_there_is_said_to_be_where_it_is(
    height_mm: float, where: str
) -> None:
    branch = Branch(np.array([38.0, 30.0]), np.array([220.0, 348.0]))
    none = Branch(np.empty(0), np.empty(0))
    sweep = Sweep("a/1", "a", Origin.KEYED, branch, none, 0.01, 0.0, 0.0)
    notes = " ".join(set_notes([fit_curve("a", [sweep])], [height_mm], KG))
    assert [word for word in ("between", "outside") if f"it lies {word}" in notes] == [where]
