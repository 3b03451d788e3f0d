"""Guided readings on the simulated rig: what is read is what stood there."""

from itertools import islice

import numpy as np
import pytest

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import (
    RAW_DTYPE,
    Finding,
    LinkCounters,
    RawBlock,
    Restarted,
    SampleFlag,
    Tally,
)
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.overload import OverloadWatch
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.calibration.weigh_guide import WeighGuide
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.guided import follow, sample_stream
from coilbench.capture.virtual.bench import (
    Bench,
    FacesTogether,
    GaugeBlock,
    PressBlock,
    PutMass,
    Rest,
)
from coilbench.capture.virtual.instrument import RigModel

RIG = RigModel.draw(6)
NOISE_N = 0.2  # of a hold's mean: noise over the root of its samples, hum, creep and drift


def stream_of(steps, piece=16, seed=2):
    samples = np.concatenate([block.samples for block in Bench(RIG, steps, seed).blocks()])
    for start in range(0, len(samples), piece):
        yield RawBlock(samples[start : start + piece], 7)


def no_word(_):
    pass


def weigh(stream, masses_kg, say):
    return follow(stream, WeighGuide(masses_kg), say, watch=OverloadWatch()).points


def gauge(stream, lengths_mm, say):
    return follow(stream, GaugeGuide(lengths_mm), say, watch=OverloadWatch()).points


def press_block(stream, fit, least_n, say):
    return follow(stream, BlockGuide(fit, least_n), say, watch=OverloadWatch()).points


@pytest.mark.parametrize("piece", [1, 16, 64])
def test_masses_are_read_up_and_down_as_they_stand(piece):
    masses = (0.0, 5.0, 20.0, 40.0, 20.0, 5.0, 0.0)
    steps = [Rest(2.0), *(PutMass(mass) for mass in masses[1:]), Rest(3.0)]
    points = weigh(stream_of(steps, piece), masses, no_word)
    assert [point.mass_kg for point in points] == list(masses)
    assert [point.direction for point in points] == ["up"] * 4 + ["down"] * 3
    true = RIG.cell_counts(np.array(masses) * RIG.gravity_m_per_s2)
    # a mass is placed to some 1e-4 of itself, and creeps by some 5e-4
    within = RIG.counts_per_n * (NOISE_N + 6e-4 * np.array(masses) * RIG.gravity_m_per_s2)
    assert (np.abs([point.counts for point in points] - true) < within).all()


def test_an_empty_cell_between_two_masses_is_no_reading():
    steps = [Rest(3.0), PutMass(10.0), PutMass(0.0), PutMass(20.0)]
    points = weigh(stream_of(steps), (0.0, 10.0, 20.0), no_word)
    assert points[2].counts == pytest.approx(
        float(RIG.cell_counts(np.array(20.0 * RIG.gravity_m_per_s2))), rel=2e-3
    )


def test_what_is_wanted_is_said_before_and_what_was_read_after():
    said = []
    weigh(stream_of([Rest(3.0), PutMass(10.0)]), (0.0, 10.0), said.append)
    first, read, second = (describe(found, Units()) for found in said[:3])
    assert first == "1 of 2: take everything off, then hands off"
    assert said[1].kind == "load_read"
    assert f"{said[1]['counts']:.0f} counts" in read
    assert second == "2 of 2: put 10 kg on, then hands off"
    assert "put 22.05 lb on" in describe(said[2], Units("lbf", "in"))


def test_gauges_are_read_and_a_rest_at_the_stop_is_none():
    lengths = (0.0, 20.0, 40.0)
    rest = Rest(4.0)
    steps = [rest, FacesTogether(4.0), rest, GaugeBlock(20.0, 4.0), rest, GaugeBlock(40.0, 4.0)]
    points = gauge(stream_of(steps), lengths, no_word)
    assert [point.length_mm for point in points] == list(lengths)
    true = (RIG.rest_height_mm - np.array(lengths)) * RIG.travel_counts_per_mm
    seated = 4 * RIG.seating_mm * RIG.travel_counts_per_mm
    assert [point.counts for point in points] == pytest.approx(true, abs=seated + 1.0)


def load_fit():
    load_n = np.linspace(0.0, 1200.0, 9)
    return fit_polynomial(RIG.cell_counts(load_n), load_n, 2)


def test_a_block_is_read_from_its_touch_to_its_release():
    said = []
    steps = [Rest(2.0), PressBlock(40.0, 700.0), Rest(2.0)]
    points = press_block(stream_of(steps), load_fit(), 600.0, said.append)
    assert said[0] == Finding.of("press_block", least_n=600.0)
    assert "rated for" in describe(said[0], Units())
    loads_n = value(load_fit(), np.array([point.load_counts for point in points], dtype=float))
    assert loads_n.min() > 30.0
    assert loads_n.max() == pytest.approx(700.0, rel=0.05)
    stray = np.array([point.travel_counts for point in points]) / RIG.travel_counts_per_mm
    gives = RIG.rest_height_mm - 40.0 + RIG.flex_mm(loads_n)
    # at 0.5 mm of give for 700 N the load's lag is worth some hundredths
    np.testing.assert_allclose(stray, gives, atol=0.06)


def test_a_block_that_was_pressed_too_lightly_is_pressed_again():
    steps = [Rest(2.0), PressBlock(40.0, 300.0), Rest(1.0), PressBlock(40.0, 700.0), Rest(2.0)]
    points = press_block(stream_of(steps), load_fit(), 600.0, no_word)
    only = press_block(stream_of(steps[2:]), load_fit(), 600.0, no_word)
    assert len(points) == pytest.approx(len(only), rel=0.5)
    loads_n = value(load_fit(), np.array([point.load_counts for point in points], dtype=float))
    assert loads_n.max() == pytest.approx(700.0, rel=0.05)


def test_unusable_samples_of_the_block_are_left_out():
    def spoiled():
        for block in stream_of([Rest(2.0), PressBlock(40.0, 700.0), Rest(2.0)]):
            block.samples["load_counts"][::3] = 0x7FFFFF
            block.samples["flags"][::3] = SampleFlag.LOAD_SATURATED
            yield block

    points = press_block(spoiled(), load_fit(), 600.0, no_word)
    assert max(point.load_counts for point in points) < 0x7FFFFF


@pytest.mark.parametrize(
    "guide",
    [
        lambda stream: weigh(stream, (0.0, 5.0), no_word),
        lambda stream: gauge(stream, (0.0,), no_word),
        lambda stream: press_block(stream, load_fit(), 600.0, no_word),
    ],
)
def test_a_stream_that_ends_early_is_said_in_words(guide):
    steps = [Rest(1.0), PressBlock(40.0, 700.0)]
    cut = islice(stream_of(steps), 40)
    with pytest.raises(CoilbenchError, match="the samples ended"):
        guide(cut)


# --- the stream itself ----------------------------------------------------------------------------


class FakeSource:
    url = "fake:"
    comes_back = True
    counters = LinkCounters()

    def __init__(self, *script):
        self.now_s = 0.0
        self._script = iter(script)

    def poll(self, timeout_s):
        self.now_s += timeout_s
        return next(self._script, [])

    def clock(self):
        return self.now_s


def block(count, first=0):
    samples = np.zeros(count, RAW_DTYPE)
    samples["seq"] = first + np.arange(count)
    return RawBlock(samples, 7)


def test_the_stream_gives_every_sample_in_order_what_came_first_first():
    source = FakeSource([block(40, 10)], [], [Tally(7, 0, 0, 0, 0, 0), block(5, 50)])
    stream = sample_stream(source, [block(10)], clock=source.clock)
    pieces = list(islice(stream, 5))
    assert max(len(piece) for piece in pieces) <= 16
    seqs = np.concatenate([piece.samples["seq"] for piece in pieces])
    np.testing.assert_array_equal(seqs, np.arange(55))
    assert all(piece.boot_id == 7 for piece in pieces)


def test_a_silence_is_said_and_tallies_are_no_samples():
    source = FakeSource(*[[Tally(7, 0, 0, 0, 0, 0)]] * 100)
    with pytest.raises(CoilbenchError, match=r"\b3 s.*rig find"):
        next(sample_stream(source, clock=source.clock))
    assert source.now_s == pytest.approx(3.1, abs=0.11)


def test_a_restart_spoils_a_calibration_and_is_said():
    source = FakeSource([block(5)], [Restarted(8), block(5)])
    stream = sample_stream(source, [Restarted(7), block(5)], clock=source.clock)
    assert len(list(islice(stream, 2))) == 2  # a board restarts when its port is opened
    with pytest.raises(CoilbenchError, match=r"counts from 0 again.*start this calibration again"):
        next(stream)
