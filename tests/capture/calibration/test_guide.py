"""Guided calibration step by step: what is taken, what is passed over, undo, on after a break."""

import re
from dataclasses import replace

import numpy as np
import pytest

from coilbench.capture.blocks import RawBlock, SampleFlag
from coilbench.capture.calibration.guide import BlockGuide, GaugeGuide, WeighGuide
from coilbench.capture.calibration.guided import Asked, follow
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.virtual.bench import Bench
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.steps import FacesTogether, GaugeBlock, PressBlock, PutMass, Rest

RIG = RigModel.draw(6)


def stream_of(*steps, seed=2, piece=16):
    samples = np.concatenate([block.samples for block in Bench(RIG, steps, seed).blocks()])
    for start in range(0, len(samples), piece):
        yield RawBlock(samples[start : start + piece], 7)


def fed(guide, *steps):
    return [words for block in stream_of(*steps) for words in guide.feed(block)]


def kg(counts):
    zero = float(RIG.cell_counts(np.array(0.0)))
    per_kg = float(RIG.cell_counts(np.array(10.0 * RIG.gravity_m_per_s2))) - zero
    return (counts - zero) / per_kg * 10.0


def masses(guide):
    return [kg(hold.load_counts) for hold in guide.holds]


def test_after_a_break_it_goes_on_where_it_was_and_what_still_stands_there_is_no_reading():
    plan = (0.0, 5.0, 10.0, 20.0)
    first = WeighGuide(plan)
    fed(first, Rest(3.0), PutMass(5.0))
    assert first.taken == 2
    later = WeighGuide(plan, first.holds)
    assert re.search(r"\b3 of 4.*\b10 kg", later.task)
    # the 5 kg are still on the cell when the program is started again
    fed(later, PutMass(5.0, 6.0), PutMass(10.0), PutMass(20.0))
    assert later.done
    assert masses(later) == pytest.approx(plan, abs=0.05)


def test_a_wrong_mass_is_not_taken_and_said():
    guide = WeighGuide((0.0, 5.0, 20.0))
    said = fed(guide, Rest(3.0), PutMass(5.0), PutMass(10.0), PutMass(20.0))
    (refused,) = [words for words in said if "not taken" in words]
    assert re.search(r"\b10\.0 kg.*\b20 kg", refused)
    assert masses(guide) == pytest.approx((0.0, 5.0, 20.0), abs=0.05)


def test_the_same_mass_twice_running_is_read_twice_where_it_is_asked_for():
    guide = WeighGuide((0.0, 10.0, 10.0, 0.0))
    fed(guide, Rest(3.0), PutMass(10.0), PutMass(0.0), PutMass(10.0), PutMass(0.0))
    assert masses(guide) == pytest.approx((0.0, 10.0, 10.0, 0.0), abs=0.05)


def test_a_point_taken_back_is_done_again():
    guide = WeighGuide((0.0, 5.0, 10.0))
    fed(guide, Rest(3.0), PutMass(5.0))
    assert re.search(r"\b2\b.*back", guide.undo())
    assert re.search(r"\b2 of 3.*\b5 kg", guide.task)
    assert re.search(r"\b1\b.*back", guide.undo())
    assert guide.undo().endswith("nothing to take back")
    fed(guide, Rest(3.0), PutMass(5.0), PutMass(10.0))
    assert masses(guide) == pytest.approx((0.0, 5.0, 10.0), abs=0.05)


def test_gauges_after_a_break_begin_with_the_stop_and_a_wrong_one_is_not_taken():
    plan = (0.0, 20.0, 40.0)
    first = GaugeGuide(plan)
    rest = Rest(3.0)
    fed(first, rest, FacesTogether(4.0), rest, GaugeBlock(20.0, 4.0))
    assert first.taken == 2
    later = GaugeGuide(plan, first.holds)
    assert later.task == "let the quill rise to its stop"
    said = fed(
        later, rest, GaugeBlock(20.0, 4.0), rest, GaugeBlock(30.0, 4.0), rest, GaugeBlock(40.0, 4.0)
    )
    assert later.done
    assert [bool(re.search(r"\b30\.0 mm.*\b40 mm", words)) for words in said].count(True) == 1
    heights = [RIG.rest_height_mm - h.travel_counts / RIG.travel_counts_per_mm for h in later.holds]
    assert heights == pytest.approx(plan, abs=0.1)


def test_what_is_seen_is_said_while_one_waits():
    guide = WeighGuide((0.0, 10.0))
    assert guide.state == "no sample yet"
    states = []
    for block in stream_of(Rest(3.0), PutMass(10.0)):
        guide.feed(block)
        states.append(guide.state)
    assert any("moving" in words for words in states)
    assert any(re.search(r"\b1\.5 of 1\.5 s", words) for words in states)


def load_fit():
    load_n = np.linspace(0.0, 1200.0, 9)
    return fit_polynomial(RIG.cell_counts(load_n), load_n, 2)


def test_a_press_is_taken_back_and_done_again():
    guide = BlockGuide(load_fit(), 600.0)
    said = fed(guide, Rest(2.0), PressBlock(40.0, 300.0), Rest(1.0))
    assert len(said) == 1
    assert "press again, harder" in said[0]
    fed(guide, PressBlock(40.0, 700.0), Rest(1.0))
    assert guide.done
    count = len(guide.points)
    fed(guide, PressBlock(40.0, 700.0), Rest(1.0))
    assert len(guide.points) == count  # a press after it is none of it
    assert "taken back" in guide.undo()
    assert not guide.done
    fed(guide, Rest(1.0), PressBlock(40.0, 700.0), Rest(1.0))
    assert guide.done
    assert guide.taken == 1


# --- followed through, with wishes ----------------------------------------------------------------


def wishes(at):
    """Ask for something at the n-th look."""
    looks = iter(range(10**6))
    return lambda: at.get(next(looks), Asked.NOTHING)


def test_the_last_point_can_be_taken_back_before_all_is_stored():
    guide, said, kept = WeighGuide((0.0, 5.0)), [], []
    steps = (Rest(3.0), PutMass(5.0), PutMass(0.0), PutMass(5.0), Rest(30.0))
    done_at = next(
        n for n, block in enumerate(stream_of(*steps)) if guide.feed(block) and guide.done
    )
    guide = WeighGuide((0.0, 5.0))
    follow(
        stream_of(*steps),
        guide,
        said.append,
        asked=wishes({done_at + 3: Asked.UNDO}),
        keep=lambda: kept.append(guide.taken),
        grace_s=8.0,
    )
    assert kept == [1, 2, 1, 2]
    assert sum("stored in 8 s" in words for words in said) == 2
    assert masses(guide) == pytest.approx((0.0, 5.0), abs=0.05)


def test_enter_stores_at_once_and_without_a_grace_nothing_waits():
    steps = (Rest(3.0), PutMass(5.0), Rest(60.0))
    for options in (
        {"grace_s": 30.0, "asked": lambda: Asked.STORE},
        {"grace_s": 0.0},
        {"grace_s": 2.0},
    ):
        stream = stream_of(*steps)
        follow(stream, WeighGuide((0.0, 5.0)), lambda _: None, **options)
        assert sum(len(block) for block in stream) > 50 * RIG.rate_hz


def test_the_rigs_redo_button_takes_back_the_last_point():
    def pressed():
        for number, block in enumerate(stream_of(Rest(3.0), Rest(3.0), PutMass(5.0), Rest(9.0))):
            if number == 20:  # after the empty cell was read
                flags = block.samples.copy()
                flags["flags"][3] |= SampleFlag.REDO_PRESSED
                block = replace(block, samples=flags)
            yield block

    said = []
    with pytest.raises(Exception, match="the samples ended"):
        follow(pressed(), WeighGuide((0.0, 5.0)), said.append)
    assert any(re.search(r"\b1\b.*back", words) for words in said)
