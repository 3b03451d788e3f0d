"""Solid heights of springs that were not measured, and one judgement of coil bind for all."""

import itertools
import math

import pytest
from msgspec.structs import replace
from scipy.stats import t
from tests.support.straight_springs import plan, spring_set

from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.engine.build_file import WireGiven
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.placed import SetCurves, place
from coilbench.analysis.engine.press_contest import binds_with_any
from coilbench.analysis.engine.reasons import SolidContradicted, SomeBind
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.engine.solid_heights import SPREAD_U_MM, UNSTATED_U_MM, SolidHeight
from coilbench.analysis.limits.limits import set_findings
from coilbench.analysis.limits.spring_limits import SetLimits
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import SI

LABELS = ("a", "b", "c", "d", "e", "f")


def larch(registered_mm: float | None = 25.5, **measured: tuple[float, float]) -> SetCurves:
    """Six springs without curves, some with a solid height and its uncertainty by hand."""
    by_hand = {label: FoundHeight(*found) for label, found in measured.items()}
    return SetCurves("larch", "outer", (), registered_mm, missing=LABELS, solid_by_hand=by_hand)


def test_measured_sisters_outvote_a_lower_registered_height_on_the_spring_not_measured() -> None:
    five = {label: (26.2 + 0.01 * at, 0.05) for at, label in enumerate(LABELS[:5])}
    sixth = larch(**five).solid_of("f")
    assert sixth is not None
    assert (sixth.height_mm, sixth.known_from) == (pytest.approx(26.24), "sisters")
    spread_mm = t.ppf(0.97725, 4) * math.sqrt(sum(0.0001 * (at - 2) ** 2 for at in range(5)) / 4)
    assert sixth.height_u_mm == pytest.approx(math.hypot(0.05, spread_mm), rel=0.06)


def test_a_higher_registered_height_holds_for_those_not_measured_alone() -> None:
    springs = larch(27.0, a=(26.2, 0.05))
    assert springs.solid_of("f") == SolidHeight(27.0, UNSTATED_U_MM, "registered")
    assert springs.solid_of("a") == SolidHeight(26.2, 0.05, "own")


def test_the_highest_reaches_as_far_up_as_any_of_them_may() -> None:
    springs = larch(None, a=(25.5, 0.05), b=(25.4, 0.9))
    assert springs.solid is not None
    assert springs.solid.height_mm == 25.5
    assert springs.solid.top_mm == pytest.approx(25.4 + math.hypot(0.9, SPREAD_U_MM))


@pytest.mark.parametrize(("off_mm", "said"), [(0.29, False), (0.31, True), (-0.31, True)])
def test_a_measured_height_off_the_registered_one_is_said(off_mm: float, said: bool) -> None:
    found = larch(25.5, b=(25.5 + off_mm, 0.0)).solid_contradicted
    wanted = SolidContradicted("larch", ("b",), 25.5, 25.5 + off_mm) if said else None
    assert found == wanted


@pytest.mark.parametrize(("low_mm", "said"), [(24.9, True), (25.2, False)])
def test_a_spring_pressed_through_the_registered_height_disproves_it(
    low_mm: float, said: bool
) -> None:
    """No spring is shorter than its solid height: 0.3 each of the height read and the told one."""
    springs = spring_set("larch", "outer", [(50.0, 20.0)] * 2, None, low_mm)
    springs = replace(springs, solid_height_mm=25.5)
    found = springs.solid_contradicted
    assert (found is not None) == said
    assert (springs.solid is None) == said
    (one,) = place(BUILD, springs, None, SeatChoice())
    kinds = [risk.kind for risk in one.bind_risks(1.2)]
    assert ("solid_contradicted" in kinds) == said
    assert ("binds" in kinds or "margin_low" in kinds) is False
    if found is not None:
        assert (found.measured_mm, found.pressed_mm) == (None, low_mm)
        assert "24.9" in describe(found, SI)
        assert "None" not in describe(found, SI)
        assert kinds == ["solid_contradicted", "solid_unknown"]


def test_a_spring_not_pressed_keeps_the_registered_height_and_a_computed_one_is_no_better() -> None:
    springs = spring_set("larch", "outer", [(50.0, 20.0)], None, 24.0)
    told = replace(springs, solid_height_mm=29.0, missing=("larch-02",), coil=Coil(4.0, 5.0, 28.0))
    assert told.solid_of("larch-02") == SolidHeight(29.0, UNSTATED_U_MM, "registered")
    assert told.coil is not None
    assert told.coil.solid_height_mm == 28.0
    assert told.solid_of("larch-01") is None  # 24.0 is below what wire and coils make, too
    low = replace(told, coil=Coil(3.4, 5.0, 28.0))
    solid = low.solid_of("larch-01")
    assert solid is not None
    assert solid.known_from == "computed"


def test_nothing_known_is_nothing_guessed() -> None:
    assert larch(None).solid is None
    assert larch(None).solid_contradicted is None


BUILD = plan((37.3, 37.6, 38.0, 38.4), inner=False, limits='coil_bind_margin = "1.2 mm"')


def risks(springs: SetCurves, **bare_mm: float) -> list[str]:
    """Kinds of what is found with any spring under any valve, else each at its own."""
    at = {("larch", label): mm for label, mm in bare_mm.items()}
    chosen = springs.of_springs(list(bare_mm)) if at else springs
    (one,) = place(BUILD, chosen, None, SeatChoice(), at or None)
    return [risk.kind for risk in one.bind_risks(1.2)]


def test_the_solid_height_of_a_spare_is_no_limit_of_those_that_are_chosen() -> None:
    known = dict.fromkeys(LABELS, (25.5, 0.05)) | {"d": (26.3, 0.05)}
    springs = larch(25.5, **known)
    assert risks(springs) == ["solid_contradicted", "some_bind"]
    assert risks(springs, a=37.3, b=37.6, c=38.0, e=38.4) == ["solid_contradicted"]
    on_the_lowest = risks(springs, d=37.3, b=37.6, c=38.0, e=38.4)
    assert on_the_lowest == ["solid_contradicted", "margin_low"]  # 27.3 - 26.3 = 1.0
    assert risks(springs, d=37.6, b=37.3, c=38.0, e=38.4) == ["solid_contradicted"]  # 1.3


def test_limits_hold_every_finding_of_coil_bind_with_its_facts() -> None:
    known = dict.fromkeys(LABELS, (25.5, 0.05)) | {"d": (26.3, 0.05)}
    (one,) = place(BUILD, larch(25.5, **known), None, SeatChoice())
    given = SetLimits("larch", WireGiven(), None, None, None, False, None, None, ())
    found = {each.kind: each for each in set_findings(given, one, 1.2)}
    assert not any(each.severity == "fails" for each in found.values())
    assert found["some_bind"].facts["springs"] == ("d",)
    for kind in ("some_bind", "solid_contradicted"):
        assert "larch" in describe(found[kind], SI)


def test_all_too_near_bind_and_some_are_left_out() -> None:
    all_near = larch(None, **dict.fromkeys(LABELS, (26.3, 0.0)))
    assert risks(all_near) == ["margin_low"]
    (one,) = place(BUILD, all_near, None, SeatChoice())
    assert not any(isinstance(risk, SomeBind) for risk in one.bind_risks(1.2))


@pytest.mark.parametrize(("u_mm", "found"), [(0.29, []), (0.31, ["margin_unsure"])])
def test_the_least_sure_spring_makes_the_margin_unsure(u_mm: float, found: list[str]) -> None:
    known = dict.fromkeys(LABELS, (25.8, 0.05)) | {"c": (25.8, u_mm)}
    assert risks(larch(None, **known)) == found


@pytest.mark.parametrize(("solids_mm", "binds"), [
    ((26.1, 26.4, 26.8, 27.2, 28.0, 28.0), False),
    ((26.1, 26.5, 26.8, 27.2, 28.0, 28.0), True),
    ((26.2, 26.4, 26.8, 27.2, 28.0, 28.0), True),
])  # fmt: skip
def test_springs_bind_where_no_way_of_giving_them_keeps_the_margin(
    solids_mm: tuple[float, ...], binds: bool
) -> None:
    springs = larch(None, **dict(zip(LABELS, ((mm, 0.0) for mm in solids_mm), strict=True)))
    assert binds_with_any(BUILD, springs, "outer", SeatChoice()) == binds
    kept = [
        all(
            open_mm - springs.own_solids[label].height_mm >= 1.2 - 1e-6
            for open_mm, label in zip((27.3, 27.6, 28.0, 28.4), order, strict=True)
        )
        for order in itertools.permutations(LABELS, 4)
    ]
    assert any(kept) != binds  # every way of giving them, tried
