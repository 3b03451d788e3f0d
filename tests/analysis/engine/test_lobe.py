"""A cam's lobe by hand: base circle, core, nose, and what a reground one takes up."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.cam import Lobe
from coilbench.analysis.report.phrases import describe
from coilbench.analysis.report.units import SI
from coilbench.capture.errors import CoilbenchError

TEXT = """\
[cam]
{cam}
seat_load = "34 kg"
open_load = "72 kg"
[head]
installed_height = "39 mm"
[springs]
outer = ["larch"]
{rest}
"""
BY_LOBE = 'lobe_lift = "7.27 mm"\nrocker_ratio = 1.5\nlash = 0\n'
BY_VALVE = 'valve_lift = "10.9 mm"\n'


def lobe_of(cam: str, rest: str = "") -> Lobe:
    return parse_build(TEXT.format(cam=cam, rest=rest), "six.toml").cam.lobe


def refused(cam: str) -> str:
    with pytest.raises(CoilbenchError) as caught:
        lobe_of(cam)
    return str(caught.value)


def test_a_reground_lobe_by_hand() -> None:
    """39.00 mm over heel and nose less 7.27 mm of lift is a base circle of 31.73 mm. A core of
    31.50 mm is 0.23 mm less, so that the heel stands 0.23 / 2 = 0.115 mm proud and the nose
    0.115 + 7.27 = 7.385 mm. Before it was 33.00 mm: 1.27 mm more, so that a lifter sits 1.27 / 2 =
    0.635 mm lower, at a valve with a 1.5 rocker 0.635 * 1.5 = 0.9525 mm.
    """
    lobe = lobe_of(
        f'{BY_LOBE}lobe_height = "39.00 mm"\ncore_diameter = "31.50 mm"\n'
        'old_base_circle = "33.00 mm"\n'
    )
    assert lobe.base_circle_mm == pytest.approx(31.73)
    assert lobe.base_proud_mm == pytest.approx(0.115)
    assert lobe.nose_proud_mm == pytest.approx(7.385)
    assert lobe.lower_mm == pytest.approx(0.635)
    assert lobe.lower_at_valve_mm == pytest.approx(0.9525)
    proud, changed = lobe.findings()
    assert (proud.kind, changed.kind) == ("lobe_proud", "base_circle_changed")
    assert "more by 0.95 mm" in describe(changed, SI)
    assert "longer by 0.6" in describe(changed, SI)  # 0.635 mm


def test_a_base_circle_given_itself() -> None:
    """A diameter of 32 mm over a core of 31 mm: 0.5 mm proud. Without the lobe's lift the nose
    isn't known; the rocker ratio of the valve train, 1.6, makes 0.25 mm lower 0.4 mm at the valve.
    """
    lobe = lobe_of(
        f'{BY_VALVE}base_circle = "32 mm"\ncore_diameter = "31 mm"\nold_base_circle = "32.5 mm"\n',
        "[valve_train]\nrocker_ratio = 1.6",
    )
    assert (lobe.base_proud_mm, lobe.nose_proud_mm) == (0.5, None)
    assert (lobe.lower_mm, lobe.lower_at_valve_mm) == pytest.approx((0.25, 0.4))
    without = lobe_of(f'{BY_VALVE}base_circle = "32 mm"\nold_base_circle = "32.5 mm"\n')
    assert without.lower_at_valve_mm is None
    assert "rocker ratio" in describe(list(without.findings())[1], SI)


@pytest.mark.parametrize(
    ("base_mm", "kind"),
    [(31.51, "lobe_proud"), (31.50, "lobe_not_proud"), (31.49, "lobe_not_proud")],
)
def test_just_proud_flush_and_just_below(base_mm: float, kind: str) -> None:
    lobe = lobe_of(f'{BY_VALVE}base_circle = "{base_mm} mm"\ncore_diameter = "31.50 mm"\n')
    (found,) = lobe.findings()
    assert found.kind == kind
    said = describe(found, SI)
    assert ("do not run it" in said) == (kind == "lobe_not_proud")
    assert ("grinder" in said) == (kind == "lobe_not_proud")


@pytest.mark.parametrize(
    "cam",
    ["", 'base_circle = "32 mm"\n', 'core_diameter = "31 mm"\n', 'old_base_circle = "33 mm"\n'],
)
def test_what_is_unknown_is_one_line_that_says_whom_to_ask(cam: str) -> None:
    (found,) = lobe_of(BY_VALVE + cam).findings()
    assert found.kind == "lobe_unknown"
    assert "grinder" in describe(found, SI)
    assert "unknown" in describe(found, SI)


def test_a_larger_and_an_equal_base_circle() -> None:
    larger = Lobe(given_base_circle_mm=33.0, old_base_circle_mm=32.0, rocker_ratio=1.5)
    said = describe(list(larger.findings())[1], SI)
    assert "higher" in said
    assert "less by 0.75 mm" in said  # (33 - 32) / 2 * 1.5
    assert "shorter by 0.50 mm" in said
    equal = Lobe(given_base_circle_mm=32.0, old_base_circle_mm=32.0)
    assert "as before" in describe(list(equal.findings())[1], SI)


@given(base=st.floats(20.0, 60.0), lift=st.floats(1.0, 15.0), core=st.floats(15.0, 60.0))
def test_height_and_base_circle_are_two_ways_to_say_one_lobe(
    base: float, lift: float, core: float
) -> None:
    given_itself = Lobe(given_base_circle_mm=base, lift_mm=lift, core_mm=core)
    by_height = Lobe(height_mm=base + lift, lift_mm=lift, core_mm=core)
    assert by_height.base_proud_mm == pytest.approx(given_itself.base_proud_mm, abs=2e-6)
    nose_mm = (base / 2.0 + lift) - core / 2.0  # radii from the cam's axis
    assert by_height.nose_proud_mm == pytest.approx(nose_mm, abs=2e-6)


@pytest.mark.parametrize(
    ("cam", "says"),
    [
        (
            BY_LOBE + 'lobe_height = "39 mm"\nbase_circle = "32 mm"\n',
            ["lobe_height", "base_circle"],
        ),
        (BY_VALVE + 'lobe_height = "39 mm"\n', ["cam.lobe_height", "'39 mm'", "lobe_lift"]),
        (BY_LOBE + 'lobe_height = "7.27 mm"\n', ["cam.lobe_height", "'7.27 mm'", "not above"]),
        (BY_LOBE + 'lobe_height = "39"\n', ["cam.lobe_height", "no unit"]),
        (BY_LOBE + 'base_circle = "0 mm"\n', ["cam.base_circle", "above 0"]),
        (BY_LOBE + "core_diameter = 31\n", ["cam.core_diameter", "no unit"]),
        (BY_LOBE + 'old_base_circle = "33 kg"\n', ["cam.old_base_circle", "kg"]),
    ],
)
def test_a_lobe_that_cannot_be(cam: str, says: list[str]) -> None:
    message = refused(cam)
    assert len(message.splitlines()) == 1
    for word in says:
        assert word in message, message


def test_a_lobe_just_higher_than_its_lift_is_taken() -> None:
    assert lobe_of(BY_LOBE + 'lobe_height = "7.28 mm"\n').base_circle_mm == pytest.approx(0.01)
