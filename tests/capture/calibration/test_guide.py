"""Guided calibration step by step: what is taken, what is passed over, undo, on after a break."""

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding, RawBlock, SampleFlag
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.overload import OverloadWatch
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.calibration.weigh_guide import WeighGuide
from coilbench.capture.running.guided import follow
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


def stream_of(*steps, seed=2, piece=16):
    samples = np.concatenate([block.samples for block in Bench(RIG, steps, seed).blocks()])
    for start in range(0, len(samples), piece):
        yield RawBlock(samples[start : start + piece], 7)


def fed(guide, *steps):
    return [found for block in stream_of(*steps) for found in guide.feed(block)]


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
    task = {"kind": "put_mass", "mass_kg": 10.0}
    assert later.task == Finding.of("point_wanted", point=3, points=4, task=task)
    assert describe(later.task, Units()) == "3 of 4: put 10 kg on, then hands off"
    # the 5 kg are still on the cell when the program is started again
    fed(later, PutMass(5.0, 6.0), PutMass(10.0), PutMass(20.0))
    assert later.done
    assert masses(later) == pytest.approx(plan, abs=0.05)


def test_a_wrong_mass_is_not_taken_and_said():
    guide = WeighGuide((0.0, 5.0, 20.0))
    said = fed(guide, Rest(3.0), PutMass(5.0), PutMass(10.0), PutMass(20.0))
    (refused,) = [found for found in said if found.kind == "point_refused"]
    assert refused["seems_kg"] == pytest.approx(10.0, abs=0.05)
    assert refused["wanted_kg"] == 20.0
    assert masses(guide) == pytest.approx((0.0, 5.0, 20.0), abs=0.05)


def test_the_same_mass_twice_running_is_read_twice_where_it_is_asked_for():
    guide = WeighGuide((0.0, 10.0, 10.0, 0.0))
    fed(guide, Rest(3.0), PutMass(10.0), PutMass(0.0), PutMass(10.0), PutMass(0.0))
    assert masses(guide) == pytest.approx((0.0, 10.0, 10.0, 0.0), abs=0.05)


def test_a_point_taken_back_is_done_again():
    guide = WeighGuide((0.0, 5.0, 10.0))
    fed(guide, Rest(3.0), PutMass(5.0))
    assert guide.undo() == Finding.of("point_undone", point=2)
    assert (guide.task["point"], guide.task["task"]["mass_kg"]) == (2, 5.0)
    assert guide.undo() == Finding.of("point_undone", point=1)
    assert guide.undo().kind == "nothing_to_undo"
    fed(guide, Rest(3.0), PutMass(5.0), PutMass(10.0))
    assert masses(guide) == pytest.approx((0.0, 5.0, 10.0), abs=0.05)


def test_gauges_after_a_break_begin_with_the_stop_and_a_wrong_one_is_not_taken():
    plan = (0.0, 20.0, 40.0)
    first = GaugeGuide(plan)
    rest = Rest(3.0)
    fed(first, rest, FacesTogether(4.0), rest, GaugeBlock(20.0, 4.0))
    assert first.taken == 2
    later = GaugeGuide(plan, first.holds)
    assert later.task == Finding("quill_to_stop")
    said = fed(
        later, rest, GaugeBlock(20.0, 4.0), rest, GaugeBlock(30.0, 4.0), rest, GaugeBlock(40.0, 4.0)
    )
    assert later.done
    (refused,) = [found for found in said if found.kind == "point_refused"]
    assert refused["seems_mm"] == pytest.approx(30.0, abs=0.1)
    assert refused["wanted_mm"] == 40.0
    heights = [RIG.rest_height_mm - h.travel_counts / RIG.travel_counts_per_mm for h in later.holds]
    assert heights == pytest.approx(plan, abs=0.1)


def test_what_is_seen_is_said_while_one_waits():
    guide = WeighGuide((0.0, 10.0))
    assert guide.state.kind == "no_sample_yet"
    states = []
    for block in stream_of(Rest(3.0), PutMass(10.0)):
        guide.feed(block)
        states.append(guide.state)
    assert any(state.kind == "moving" for state in states)
    assert any(state.facts.get("still_s") == state.facts.get("hold_s") == 1.5 for state in states)


def load_fit():
    load_n = np.linspace(0.0, 1200.0, 9)
    return fit_polynomial(RIG.cell_counts(load_n), load_n, 2)


def test_a_press_is_taken_back_and_done_again():
    guide = BlockGuide(load_fit(), 600.0)
    said = fed(guide, Rest(2.0), PressBlock(40.0, 300.0), Rest(1.0))
    (again,) = said
    assert again.kind == "pressed_too_little"
    assert again["largest_n"] == pytest.approx(300.0, rel=0.05)
    fed(guide, PressBlock(40.0, 700.0), Rest(1.0))
    assert guide.done
    count = len(guide.points)
    fed(guide, PressBlock(40.0, 700.0), Rest(1.0))
    assert len(guide.points) == count  # a press after it is none of it
    assert guide.undo().kind == "press_undone"
    assert not guide.done
    fed(guide, Rest(1.0), PressBlock(40.0, 700.0), Rest(1.0))
    assert guide.done
    assert guide.taken == 1


# --- followed through, with wishes ----------------------------------------------------------------


def wishes(at):
    """Ask for something at the n-th look."""
    looks = iter(range(10**6))
    return lambda: at.get(next(looks), "")


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
        watch=OverloadWatch(),
        asked=wishes({done_at + 3: "undo"}),
        keep=lambda: kept.append(guide.taken),
        grace_s=8.0,
    )
    assert kept == [1, 2, 1, 2]
    assert [found["grace_s"] for found in said if found.kind == "stored_soon"] == [8.0, 8.0]
    assert masses(guide) == pytest.approx((0.0, 5.0), abs=0.05)


def test_enter_stores_at_once_and_without_a_grace_nothing_waits():
    steps = (Rest(3.0), PutMass(5.0), Rest(60.0))
    for options in (
        {"grace_s": 30.0, "asked": lambda: "store"},
        {"grace_s": 0.0},
        {"grace_s": 2.0},
    ):
        stream = stream_of(*steps)
        follow(stream, WeighGuide((0.0, 5.0)), lambda _: None, watch=OverloadWatch(), **options)
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
        follow(pressed(), WeighGuide((0.0, 5.0)), said.append, watch=OverloadWatch())
    assert Finding.of("point_undone", point=1) in said


def test_a_cell_that_is_empty_between_two_masses_is_no_reading_of_a_light_one():
    guide = WeighGuide((0.0, 10.0, 0.2))
    fed(guide, Rest(3.0), PutMass(10.0), PutMass(0.0))
    assert guide.taken == 2  # nothing on it differs from 0.2 kg by less than the slack
    fed(guide, PutMass(0.2))
    assert masses(guide) == pytest.approx((0.0, 10.0, 0.2), abs=0.05)
