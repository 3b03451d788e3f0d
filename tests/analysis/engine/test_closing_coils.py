"""Coils that were seen to begin to close, or not to, where the solid height is not known."""

import pytest
from msgspec.structs import replace

from coilbench.analysis.curves.wall import CoilBind
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.depths import depth_rows
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from support.straight_springs import plan, spring_set

PLAN = plan((40.0,), inner=False)  # full lift at 30 mm, a margin of 1.2 mm


def seen(coils: CoilBind, solid_mm: float | None = None) -> SetCurves:
    springs = spring_set("larch", "single", [(50.0, 30.0)], solid_mm=solid_mm)
    return replace(springs, curves=tuple(replace(c, coils=coils) for c in springs.curves))


def best(springs: SetCurves):
    return pair_sets(PLAN, {"larch": springs}).combinations[0]


@pytest.mark.parametrize(("free_to_mm", "verdict"), [(28.8, "fits"), (28.81, "fits_bind_unknown")])
def test_coils_seen_free_to_the_margin_below_full_lift_do_not_bind(
    free_to_mm: float, verdict: str
) -> None:
    one = best(seen(CoilBind("not_reached", free_to_mm)))
    assert one.verdict == verdict
    assert [need.kind for need in one.needs] == (["solid_height"] if "unknown" in verdict else [])


def test_coils_that_begin_to_close_are_named_and_not_to_be_pressed_further() -> None:
    one = best(seen(CoilBind("beginning", 31.0)))
    assert one.verdict == "fits_bind_unknown"
    assert [reason.kind for reason in one.reasons] == ["closing"]
    rows = depth_rows(PLAN, {"larch": SpringSize(50.0, None, 31.0)})
    (full,) = (row for row in rows if row.at == "open")
    assert (full.heights_mm, full.too_low_mm) == ((), 30.0)


def test_coils_that_close_far_below_are_not_named() -> None:
    assert best(seen(CoilBind("beginning", 28.8), 20.0)).reasons == ()
    assert [r.kind for r in best(seen(CoilBind("beginning", 28.81), 20.0)).reasons] == ["closing"]
