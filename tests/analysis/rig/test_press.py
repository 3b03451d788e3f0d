"""Wired backwards or not, on strokes of the simulated rig with its wires swapped in the data."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from coilbench.analysis.rig.press import (
    Rest,
    at_rest,
    moved,
    press_findings,
    running_finding,
)
from coilbench.capture.calibration import Calibration, PolynomialFit
from coilbench.capture.virtual.bench import Bench
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER
from coilbench.capture.virtual.steps import PressSpring
from coilbench.capture.virtual.steps import Rest as RestStep


@pytest.fixture(scope="module")
def stroke() -> tuple[NDArray[np.void], NDArray[np.void]]:
    """A sound rig at rest, and pressed: positive load and travel counts on the way down."""
    steps = [RestStep(2.0), PressSpring(OUTER, OUTER.solid_height_mm + 5.0), RestStep(1.0)]
    resting, pressed, _ = Bench(RigModel(), steps, seed=5).blocks()
    return resting.samples, pressed.samples


def wired(samples: NDArray[np.void], load: int, travel: int) -> NDArray[np.void]:
    turned = samples.copy()
    turned["load_counts"] *= load
    turned["travel_counts"] *= travel
    return turned


def calibrated(load: int, travel: int) -> Calibration:
    """As it would be calibrated when wired so: load grows and height falls as the quill goes."""

    def line(slope: float) -> PolynomialFit:
        return PolynomialFit((0.0, slope), ((0.0, 0.0), (0.0, 0.0)), 0.0, -1e6, 1e6, 5)

    return Calibration(line(load * 4e-4), line(-travel * 0.005), None, 0.0)


def told(
    stroke: tuple[NDArray[np.void], NDArray[np.void]],
    load: int,
    travel: int,
    calibration: Calibration | None = None,
) -> list[str]:
    resting, pressed = (wired(samples, load, travel) for samples in stroke)
    rest = at_rest(resting)
    assert rest is not None
    return [f.what for f in press_findings(moved(pressed, rest, 5.0), calibration)]


def test_a_rig_wired_right_says_nothing(stroke) -> None:
    assert told(stroke, 1, 1) == []


def test_each_wiring_mistake_is_named(stroke) -> None:
    (cell,) = told(stroke, -1, 1)
    assert "the load falls as the quill goes down: the cell is wired backwards" in cell
    (encoder,) = told(stroke, 1, -1)
    assert "the encoder is wired backwards" in encoder
    both = told(stroke, -1, -1)
    assert len(both) == 2


@pytest.mark.parametrize("load", [1, -1])
@pytest.mark.parametrize("travel", [1, -1])
def test_a_calibration_puts_any_wiring_right(stroke, load: int, travel: int) -> None:
    assert told(stroke, load, travel, calibrated(load, travel)) == []
    assert len(told(stroke, load, travel, calibrated(-load, travel))) == 1
    assert "swapped since" in told(stroke, load, travel, calibrated(load, -travel))[0]


def test_a_still_encoder_and_a_dead_cell_are_told_apart(stroke) -> None:
    resting, pressed = stroke
    rest = at_rest(resting)
    assert rest is not None
    still = pressed.copy()
    still["travel_counts"] = int(rest.travel_counts)
    (encoder,) = press_findings(moved(still, rest, 5.0))
    assert (encoder.kind, "did not" in encoder.what) == ("encoder", True)
    dead = pressed.copy()
    dead["load_counts"] = int(rest.load_counts)
    (cell,) = press_findings(moved(dead, rest, 5.0))
    assert cell.kind == "no cell"
    nothing = moved(resting, rest, 5.0)
    assert [f.kind for f in press_findings(nothing)] == ["no press"]


def test_a_rig_without_a_scale_is_judged_by_its_cell(stroke) -> None:
    went = moved(stroke[1], at_rest(stroke[0]), 5.0)._replace(travel_counts=0.0)
    assert press_findings(went, has_travel=False) == []
    assert press_findings(went._replace(load_counts=0.0), has_travel=False)[0].kind == "no press"


def test_the_running_hint_is_the_sign_of_load_over_travel(stroke) -> None:
    _, pressed = stroke
    assert running_finding(pressed, None) is None
    assert running_finding(wired(pressed, -1, -1), None) is None  # the two cancel
    backwards = running_finding(wired(pressed, -1, 1), None)
    assert backwards is not None
    assert "falls as the quill goes down" in backwards.what
    assert running_finding(wired(pressed, -1, 1), calibrated(-1, 1)) is None
    assert running_finding(pressed, calibrated(-1, 1)) is not None


def test_noise_and_rest_are_no_movement(stroke) -> None:
    resting, _ = stroke
    assert running_finding(resting, None) is None
    assert running_finding(resting[:5], None) is None
    assert at_rest(resting[:5]) is None
    assert moved(resting[:0], Rest(0.0, 1.0, 0.0), None) == (0.0, 0.0)
