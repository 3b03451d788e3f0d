"""Wired backwards or not, on strokes of the simulated rig with its wires swapped in the data."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import SI
from coilbench.analysis.rig.health import (
    Heard,
    Hints,
    _at_rest,
    _moved,
    _response_findings,
    _Rest,
    _running_finding,
    press_findings,
)
from coilbench.capture.blocks import Fault, FaultCode, Finding, RawBlock, Restarted, SampleFlag
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.virtual.bench import Bench, PressSpring
from coilbench.capture.virtual.bench import Rest as RestStep
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER


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


def pressed_findings(
    resting: NDArray[np.void],
    pressed: NDArray[np.void],
    calibration: Calibration | None = None,
    **rig: bool,
) -> list[Finding]:
    heard = Heard(resting, nominal_hz=80.0, um_per_count=5.0, **rig)
    findings = press_findings(heard, pressed, calibration)
    assert findings is not None
    return findings


def told(
    stroke: tuple[NDArray[np.void], NDArray[np.void]],
    load: int,
    travel: int,
    calibration: Calibration | None = None,
) -> list[str]:
    resting, pressed = (wired(samples, load, travel) for samples in stroke)
    findings = pressed_findings(resting, pressed, calibration)
    assert all(describe(finding, SI) for finding in findings)
    return [f"{finding.kind}: {finding['cause']}" for finding in findings]


def test_a_rig_wired_right_says_nothing(stroke) -> None:
    assert told(stroke, 1, 1) == []


def test_each_wiring_mistake_is_named(stroke) -> None:
    assert told(stroke, -1, 1) == ["backwards: cell"]
    assert told(stroke, 1, -1) == ["backwards: encoder"]
    assert told(stroke, -1, -1) == ["backwards: encoder", "backwards: cell"]


@pytest.mark.parametrize("load", [1, -1])
@pytest.mark.parametrize("travel", [1, -1])
def test_a_calibration_puts_any_wiring_right(stroke, load: int, travel: int) -> None:
    assert told(stroke, load, travel, calibrated(load, travel)) == []
    assert told(stroke, load, travel, calibrated(-load, travel)) == ["backwards: cell_swapped"]
    assert told(stroke, load, travel, calibrated(load, -travel)) == ["backwards: encoder_swapped"]


def test_a_still_encoder_and_a_dead_cell_are_told_apart(stroke) -> None:
    resting, pressed = stroke
    rest = _at_rest(resting)
    assert rest is not None
    still = pressed.copy()
    still["travel_counts"] = int(rest.travel_counts)
    (encoder,) = pressed_findings(resting, still)
    assert encoder == Finding.of("encoder", cause="no_response")
    dead = pressed.copy()
    dead["load_counts"] = int(rest.load_counts)
    (cell,) = pressed_findings(resting, dead)
    assert cell == Finding.of("no_cell", cause="no_response")
    assert [f.kind for f in pressed_findings(resting, resting)] == ["no_press"]
    too_few = Heard(resting[:5], nominal_hz=80.0)
    assert press_findings(too_few, pressed) is None


def test_a_rig_without_a_scale_is_judged_by_its_cell(stroke) -> None:
    went = _moved(stroke[1], _at_rest(stroke[0]), 5.0)._replace(travel_counts=0.0)
    assert _response_findings(went, has_travel=False) == []
    (none,) = _response_findings(went._replace(load_counts=0.0), has_travel=False)
    assert none.kind == "no_press"


def test_the_running_hint_is_the_sign_of_load_over_travel(stroke) -> None:
    _, pressed = stroke
    assert _running_finding(pressed, None) is None
    assert _running_finding(wired(pressed, -1, -1), None) is None  # the two cancel
    backwards = _running_finding(wired(pressed, -1, 1), None)
    assert backwards == Finding.of("backwards", cause="either")
    assert _running_finding(wired(pressed, -1, 1), calibrated(-1, 1)) is None
    assert _running_finding(pressed, calibrated(-1, 1)) is not None


def test_a_movement_is_half_a_millimetre_or_fifty_counts(stroke) -> None:
    rest = _at_rest(stroke[0])
    assert rest is not None
    little = stroke[0].copy()
    little["travel_counts"][50:] += 60
    assert _moved(little, rest, None).travel_counts == 60.0
    assert _moved(little, rest, 5.0).travel_counts == 0.0  # 0.3 mm
    assert _moved(little, rest, 10.0).travel_counts == 60.0


def test_noise_and_rest_are_no_movement(stroke) -> None:
    resting, _ = stroke
    assert _running_finding(resting, None) is None
    assert _running_finding(resting[:5], None) is None
    assert _at_rest(resting[:5]) is None
    assert _moved(resting[:0], _Rest(0.0, 1.0, 0.0), None) == (0.0, 0.0)


def news_of(samples: NDArray[np.void], nominal_hz: float = 80.0) -> list[str]:
    """What is told, looking after each quarter second, samples coming as they do from a port."""
    hints = Hints(nominal_hz, None)
    told = []
    for start in range(0, len(samples), 23):
        hints.take([RawBlock(samples[start : start + 23], 1)])
        told += [finding.kind for finding in hints.news()]
    return told


def test_a_running_rig_is_told_once_that_it_is_backwards(stroke) -> None:
    resting, pressed = stroke
    assert news_of(np.concatenate([resting, pressed])) == []
    wrong = wired(np.concatenate([resting, pressed]), -1, 1)
    assert news_of(wrong) == ["backwards"]


def test_a_running_rig_is_told_its_rate(stroke) -> None:
    resting, _ = stroke
    slow = resting.copy()
    slow["t_us"] *= 8
    assert news_of(slow) == ["rate"]


def test_faults_are_told_while_they_stand_and_again_when_they_come_back() -> None:
    hints = Hints(80.0, None)
    stands = Fault(1, 1000, FaultCode.ADC_SILENT, standing=True, count=1)
    hints.take([stands])
    assert [f.kind for f in hints.news()] == ["fault"]
    hints.take([stands])
    assert hints.news() == []
    hints.take([replace(stands, standing=False)])
    assert hints.news() == []
    hints.take([replace(stands, count=2)])
    assert [f.kind for f in hints.news()] == ["fault"]


def test_a_filter_that_fills_after_the_start_is_no_fault(stroke) -> None:
    fresh = stroke[0].copy()
    fresh["flags"][:4] |= np.uint8(SampleFlag.LOAD_SUSPECT)
    assert news_of(fresh) == []


def test_a_restart_forgets_the_old_clock(stroke) -> None:
    hints = Hints(80.0, None)
    late = stroke[0].copy()
    late["t_us"] += 3_000_000_000
    hints.take([RawBlock(late, 1), Restarted(2), RawBlock(stroke[0], 2)])
    assert hints.news() == []
