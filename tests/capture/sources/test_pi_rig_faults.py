"""Faults, lost edges and requests, with the real driver `hx711` on a simulated chip."""

import numpy as np
import pytest

from coilbench.capture.blocks import Answer, Fault, FaultCode, Hello, RawBlock, SampleFlag, Tally
from coilbench.capture.sources.pi_pins import Board, Edges, PiSetup
from support import pi_run

HELLO = pi_run.HELLO
MS = pi_run.MS
Run = pi_run.Run
assert_true = pi_run.assert_true
chip = pi_run.chip
ramp = pi_run.ramp

pytestmark = pi_run.needs_driver
installed = pi_run.installed

# --- faults ---


@pytest.mark.parametrize("options", ["sps=80", "sps=10"])
def test_a_silent_adc_is_a_fault_until_it_converts_again(installed, options):
    sps = PiSetup.parse(f"pi:{options}").sps
    pins = installed(chip.Pins(ramp, sps=sps))
    run = Run(pins, f"pi:{options}").go(2.0)
    dead_ns = pins.now_ns
    pins.chip.dead = (dead_ns, dead_ns + 3200 * MS)
    run.go(6.0)
    faults = run.of(Fault)
    assert [fault.code for fault in faults] == [FaultCode.ADC_SILENT] * len(faults)
    assert [fault.standing for fault in faults] == [True] * (len(faults) - 1) + [False]
    assert {fault.count for fault in faults} == {1}
    since_us = (dead_ns - run.began_ns) // 1000
    raised_us = np.array([fault.t_us for fault in faults[:-1]])
    assert 390_000 < raised_us[0] - since_us < 510_000
    assert np.abs(np.diff(raised_us) - 1_000_000).max() < 110_000
    assert faults[-1].t_us - since_us < 3_500_000
    samples = run.samples
    after = samples["t_us"] > since_us + 3_000_000
    assert (samples["flags"][after] == SampleFlag.FAULT_LATCHED).all()
    assert not samples["flags"][~after].any()
    assert_true(run, samples, gain=128)
    # Conversions that were never made are not lost: the fault tells of them.
    assert samples["seq"].tolist() == list(range(len(samples)))
    assert not run.ask("ack").go(1.0).samples["flags"][-1]


def test_an_adc_that_never_spoke_is_a_fault(installed):
    pins = installed(chip.Pins(ramp))
    pins.chip.dead = (0, 1 << 62)
    faults = Run(pins).go(3.5).of(Fault)
    assert [(fault.code, fault.standing) for fault in faults] == [(FaultCode.ADC_SILENT, True)] * 3


def test_a_data_line_that_leads_nowhere_is_pulled_up_so_that_it_is_silent(installed):
    pins = installed(chip.Pins(ramp))
    Run(pins)
    assert pins.modes[chip.DOUT] & 32  # lgpio.SET_PULL_UP


def test_a_late_gain_pulse_of_a_dying_chip_does_not_hang(installed):
    """The driver alone would read on until six words have come."""
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    word = pins.chip.read_words + 15

    def die(w, p):
        if (w, p) != (word, 25):
            return 0
        pins.chip.dead = (pins.now_ns, 1 << 62)
        return 100_000

    pins.while_high = die
    pins.latest_ns = pins.now_ns + 60 * 1000 * MS
    faults = run.go(3.0).of(Fault)
    assert {fault.code for fault in faults} == {FaultCode.ADC_SILENT}
    assert len(faults) in (2, 3)


def test_a_data_line_stuck_low_is_a_fault_of_its_own(installed):
    pins = installed(chip.Pins(ramp))
    run = Run(pins).go(0.5)
    pins.stuck_low = True
    run.go(2.7)
    pins.stuck_low = False
    run.go(1.0)
    faults = run.of(Fault)
    assert [fault.code for fault in faults] == [FaultCode.ADC_STUCK] * len(faults)
    assert [fault.standing for fault in faults] == [True] * (len(faults) - 1) + [False]
    assert len(faults) in (3, 4)
    assert_true(run, run.samples, gain=128)


def test_a_lost_edge_of_the_scale_is_counted_and_flagged_once(installed):
    run = Run(installed(chip.Pins(ramp)))
    run.pins.lose_edges = {150}
    run.pins.move_scale(300, run.pins.now_ns, 1 * MS)
    samples = run.go(1.2).samples
    assert np.count_nonzero(samples["flags"]) == 1
    assert SampleFlag.TRAVEL_SUSPECT in set(samples["flags"].tolist())
    assert run.of(Tally)[-1].impossible_steps == 1


def test_without_dout_edges_the_moment_is_that_of_the_look(installed):
    run = Run(installed(chip.Pins(ramp)))
    run.pins.alerts.pop(chip.DOUT)
    samples = run.go(0.5).samples
    late_us = [
        run.began_ns / 1000 + int(sample["t_us"]) - run.conversion(sample)[0] / 1000
        for sample in samples
    ]
    assert 0 <= min(late_us) <= max(late_us) < 600  # a nap
    assert not samples["flags"].any()
    run.pins.stalls = [(run.pins.now_ns + 5 * MS, 7 * MS)]
    samples = run.go(0.5).samples
    assert np.count_nonzero(samples["flags"] & SampleFlag.TRAVEL_SUSPECT) == 1


def test_a_conversion_whose_edge_was_lost_takes_the_moment_of_the_look(installed):
    run = Run(installed(chip.Pins(ramp)))
    number = len(run.pins.chip.conversions) + 12
    run.pins.lose_ready = {number}
    samples = run.go(0.5).samples
    late_us = [
        round(run.began_ns / 1000 + int(sample["t_us"]) - run.conversion(sample)[0] / 1000)
        for sample in samples
    ]
    assert sum(late > 1 for late in late_us) == 1
    assert max(late_us) < 600
    assert [run.conversion(sample)[1] for sample in samples] == samples["load_counts"].tolist()


def test_edges_from_before_the_first_look_at_the_outputs_count_for_nothing(installed):
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    run.edges.close()
    pins.move_scale(1, pins.now_ns + 1000, 1)  # while the pins begin to be listened to
    edges = Edges(Board.open("pi:"), PiSetup.parse("pi:"), lambda: pins.now_ns)
    pins.sleep(0.01)
    assert (edges.travel_at(pins.now_ns), edges.impossible_steps) == (0, 0)
    assert pins.count_at(pins.now_ns) == 1


# --- requests ---


def test_requests_are_answered_in_turn(installed):
    run = Run(installed(chip.Pins(ramp)))
    for tag, word in enumerate(["who", "start", "stop", "start", "zero", "ack", "dance"]):
        run.ask(word, tag)
    answers = run.of(Answer)
    assert [(answer.tag, answer.ok) for answer in answers] == [(i, i < 6) for i in range(7)]
    assert run.of(Hello) == [HELLO]
    assert run.go(1.0).of(Tally)[-1].requests_refused == 1


def test_the_sample_after_the_answer_is_the_first_with_the_new_zero(installed):
    run = Run(installed(chip.Pins(ramp)))
    run.pins.move_scale(80, run.pins.now_ns, 1 * MS)
    run.go(0.5)
    before = len(run.items)
    run.ask("zero").go(0.2)
    new = run.items[before:]
    at = next(i for i, item in enumerate(new) if isinstance(item, Answer))
    travel = [
        [int(b.samples["travel_counts"][0]) for b in part if isinstance(b, RawBlock)]
        for part in (new[:at], new[at:])
    ]
    assert travel[0] == [80]
    assert set(travel[1]) == {0}


def test_stopped_the_sequence_stands_still_and_nothing_counts_as_lost(installed):
    run = Run(installed(chip.Pins(ramp))).go(0.5)
    run.ask("stop")
    before = len(run.samples)
    assert len(run.go(0.5).samples) == before
    samples = run.ask("start").go(0.5).samples
    assert samples["seq"].tolist() == list(range(len(samples)))
    assert len(samples) > before + 30
    assert not samples["flags"].any()


def test_tallies_come_each_second(installed):
    tallies = Run(installed(chip.Pins(ramp))).go(3.2).of(Tally)
    assert [round(tally.t_us / 1e6, 1) for tally in tallies] == [1.0, 2.0, 3.0]
    assert [tally.boot_id for tally in tallies] == [HELLO.boot_id] * 3
    assert tallies[-1].offered > tallies[0].offered > 60
