"""The other two ways to read travel, on the simulated chip's pins."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from coilbench.capture.blocks import Fault, FaultCode, Hello, SampleFlag, Tally

MakeSketch = Callable[..., tuple[Path, str]]
ACK = "Q 00 ack E8BC"


def resting(samples, start_s: float, stop_s: float):
    """Travel counts between two times at which the quill stands still."""
    t_s = samples["t_us"] / 1e6
    return samples["travel_counts"][(t_s > start_s) & (t_s < stop_s)]


def test_caliper(lab, make_sketch: MakeSketch) -> None:
    elf, _ = make_sketch("caliper", TRAVEL="CALIPER")
    scenario = (
        "0 load counting 0\n1 move 12.34 1\n3 move -3.21 1\n5 caliper off\n"
        f"8 caliper on\n8.5 send {ACK}\n10 end\n"
    )
    run = lab.run(scenario, "--travel", "caliper", elf=elf)
    assert run.all(Hello)[0].travel == "caliper"
    assert run.all(Hello)[0].um_per_count == 0.1
    samples = run.samples
    np.testing.assert_array_equal(resting(samples, 0.6, 0.95), 0)
    np.testing.assert_array_equal(resting(samples, 2.3, 2.95), 123_400)  # tenths of a micrometre
    np.testing.assert_array_equal(resting(samples, 4.3, 4.95), -32_100)
    # Switched off: absent when a second old, a fault a second later, well again by itself.
    absent = (samples["flags"] & SampleFlag.TRAVEL_ABSENT) != 0
    t_s = samples["t_us"] / 1e6
    assert absent[(t_s > 6.3) & (t_s < 7.95)].all()
    assert not absent[(t_s > 0.6) & (t_s < 5.9) | (t_s > 8.3)].any()
    faults = run.all(Fault)
    assert {f.code for f in faults} == {FaultCode.TRAVEL_SILENT}
    assert faults[0].t_us / 1e6 == pytest.approx(7.1, abs=0.2)
    assert not faults[-1].standing
    assert run.all(Tally)[-1].impossible_steps <= 1  # a frame that had begun before the sketch
    np.testing.assert_array_equal(samples["load_counts"], run.truth["load_counts"])


def test_potentiometer(lab, make_sketch: MakeSketch) -> None:
    elf, _ = make_sketch("potentiometer", TRAVEL="POTENTIOMETER")
    scenario = (
        "0 load counting 0\n1 move 12.3 1\n3 move -3.2 1\n5 move 40 0.5\n7 move 0 0.5\n"
        f"8.5 send {ACK}\n10 end\n"
    )
    run = lab.run(scenario, "--travel", "potentiometer", elf=elf)
    assert run.all(Hello)[0].travel == "potentiometer"
    samples = run.samples
    um_per_count = run.all(Hello)[0].um_per_count
    # 0 mm is half of the 60 mm stroke; a step of the chip's ADC is 16 counts.
    middle = resting(samples, 0.3, 0.95)
    np.testing.assert_allclose(middle, 1023 * 8, atol=16)
    for start_s, travel_mm in ((2.1, 12.3), (4.1, -3.2), (8.1, 0.0)):
        moved_mm = (resting(samples, start_s, start_s + 0.8) - middle[0]) * um_per_count / 1000
        np.testing.assert_allclose(moved_mm, travel_mm, atol=0.06)
    # Against its end stop it reads like a broken wire.
    t_s = samples["t_us"] / 1e6
    absent = (samples["flags"] & SampleFlag.TRAVEL_ABSENT) != 0
    assert absent[(t_s > 5.5) & (t_s < 7)].all()
    assert not absent[(t_s < 5) | (t_s > 7.5)].any()
    assert {f.code for f in run.all(Fault)} == {FaultCode.TRAVEL_SILENT}
    np.testing.assert_array_equal(samples["load_counts"], run.truth["load_counts"])


def test_no_scale(lab, make_sketch: MakeSketch) -> None:
    elf, _ = make_sketch("none", TRAVEL="NONE")
    run = lab.run("0 load counting 0\n1 move 5 1\n3 end\n", elf=elf)
    assert run.all(Hello)[0].travel == "none"
    assert (run.samples["flags"] == SampleFlag.TRAVEL_ABSENT).all()
    assert (run.samples["travel_counts"] == 0).all()
    assert run.all(Fault) == []
