"""The real driver `hx711` reads a simulated chip, on a double of RPi.GPIO and on real rpi-lgpio."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import RawBlock, SampleFlag
from coilbench.capture.messages import Answer, Fault, FaultCode, Hello, Tally
from coilbench.capture.sources.base import SourceLost
from coilbench.capture.sources.pi_address import parse_pi
from coilbench.capture.sources.pi_board import Clock, open_board
from coilbench.capture.sources.pi_edges import Edges
from coilbench.capture.sources.pi_hx711 import Hx711
from coilbench.capture.sources.pi_rig import PiRig

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("hx711") is None,
    reason="the driver is not installed: pip install hx711",
)


def load_chip():
    path = Path(__file__).with_name("hx711_chip.py")
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


chip = load_chip()

MS = 1_000_000
UNFIT = int(SampleFlag.LOAD_SUSPECT | SampleFlag.LOAD_SATURATED)
HELLO = Hello(1, "test", "0" * 16, 7, 80.0, "quadrature", 5.0)


def ramp(ns):
    """A load that tells its moment."""
    return 20_000 + ns // 50_000


@pytest.fixture(params=["double", "rpi-lgpio"])
def installed(request, monkeypatch):
    """Put the stand-ins for the Pi's modules in place; call it with the pins."""

    def install(pins):
        put_in_place(monkeypatch, pins, request.param)
        return pins

    return install


def put_in_place(patch, pins, kind="double"):
    if kind == "rpi-lgpio" and importlib.util.find_spec("RPi") is None:
        pytest.skip("the real module is not installed: pip install rpi-lgpio")
    for name, module in chip.stand_ins(pins).items():
        patch.setitem(sys.modules, name, module)
    if kind == "rpi-lgpio":
        patch.setenv("RPI_LGPIO_REVISION", "c03111")  # a Pi 4
        patch.setenv("RPI_LGPIO_CHIP", "0")
        del sys.modules["RPi"], sys.modules["RPi.GPIO"]  # the real one, on the double of lgpio


class Run:
    """A rig on simulated pins, and what it said."""

    def __init__(self, pins, url="pi:"):
        self.pins, self.items = pins, []
        setup = parse_pi(url)
        clock = Clock(lambda: pins.now_ns, pins.sleep)
        board = open_board(url)
        for pin in (setup.a, setup.b):
            board.gpio.setup(pin, board.gpio.IN)
        self.adc = Hx711(board.gpio, setup, clock, url)
        self.edges = Edges(board, setup, clock.now_ns)
        self.began_ns = pins.now_ns
        self.rig = PiRig(self.adc, self.edges, setup, clock, HELLO, url=url)

    def go(self, seconds):
        until_ns = self.pins.now_ns + round(seconds * 1e9)
        while self.pins.now_ns < until_ns:
            self.items += self.rig.look()
        return self

    def ask(self, word, tag=0):
        self.rig.ask(tag, word)
        return self.go(0.001)

    def of(self, kind):
        return [item for item in self.items if isinstance(item, kind)]

    @property
    def samples(self):
        return np.concatenate([block.samples for block in self.of(RawBlock)])

    def conversion(self, sample):
        """The chip's conversion that a sample is of: the last one ready by its time."""
        t_ns = self.began_ns + int(sample["t_us"]) * 1000
        return [c for c in self.pins.chip.conversions if c[0] < t_ns + 1000][-1]


# --- what arrives is what the chip converted ---


@pytest.mark.parametrize(
    ("options", "true_sps"),
    [("", 80.0), ("gain=64", 93.0), ("gain=32", 93.0), ("sps=10", 11.0), ("sps=10,gain=64", 9.7)],
)
def test_every_conversion_arrives_once_with_its_moment_and_its_travel(installed, options, true_sps):
    pins = installed(chip.Pins(ramp, sps=true_sps))
    run = Run(pins, f"pi:{options}")
    pins.move_scale(700, pins.now_ns + 100 * MS, 800_000)
    pins.move_scale(-300, pins.now_ns + 700 * MS, 500_000)
    run.go(max(1.5, 20 / true_sps))
    samples, gain = run.samples, parse_pi(f"pi:{options}").gain
    first = pins.chip.conversions.index(run.conversion(samples[0]))
    conversions = pins.chip.conversions[first : first + len(samples)]
    assert len(samples) > 10
    assert conversions[0][3] > chip.FULL_FILTER  # settled
    assert {c[2] for c in conversions} == {gain}
    assert samples["load_counts"].tolist() == [c[1] for c in conversions]
    assert samples["seq"].tolist() == list(range(len(samples)))
    assert samples["t_us"].tolist() == [(c[0] - run.began_ns) // 1000 for c in conversions]
    assert samples["travel_counts"].tolist() == [pins.count_at(c[0]) for c in conversions]
    assert not samples["flags"].any()
    assert {block.boot_id for block in run.of(RawBlock)} == {HELLO.boot_id}


def test_travel_stops_where_the_scale_stopped(installed):
    run = Run(installed(chip.Pins()))
    run.pins.move_scale(-1234, run.pins.now_ns, 200_000)  # 5000 edges a second
    assert run.go(1.0).samples["travel_counts"][-1] == -1234


def test_words_that_the_driver_refuses_are_told_apart(installed):
    """The driver returns False for both ends, and drops a true zero and minus one."""
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    first = len(pins.chip.conversions) + 10
    pins.chip.instead = {
        first: 0x7FFFFF,
        first + 1: 0x800000,
        first + 2: 0,
        first + 20: 0xFFFFFF,
        first + 40: 0x003FFF,
    }
    samples = run.go(1.0).samples
    counts, flags = samples["load_counts"].tolist(), samples["flags"].tolist()
    at = counts.index(8388607)
    assert counts[at : at + 3] == [8388607, -8388608, 0]
    assert flags[at : at + 3] == [SampleFlag.LOAD_SATURATED, SampleFlag.LOAD_SATURATED, 0]
    for torn in (-1, 16383):
        at = counts.index(torn)
        assert flags[at - 1 : at + 5] == [0, *[SampleFlag.LOAD_SUSPECT] * 4, 0]
    assert samples["seq"].tolist() == list(range(len(samples)))


def test_a_jump_that_returns_is_suspect(installed):
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    number = len(pins.chip.conversions) + 12
    pins.chip.instead = {number: ramp(pins.now_ns) ^ 1 << 21}  # one bit the other way round
    samples = run.go(0.5).samples
    suspect = np.flatnonzero(samples["flags"])
    assert samples["load_counts"][suspect].tolist() == [pins.chip.instead[number]]
    assert samples["flags"][suspect].tolist() == [SampleFlag.LOAD_SUSPECT]


# --- a late scheduler ---


@pytest.mark.parametrize("pulse", [1, 2, 12, 24, 25])
def test_a_pulse_past_60_us_powers_the_chip_down_and_nothing_false_arrives(installed, pulse):
    pins = installed(chip.Pins(ramp, sps=80))
    run = Run(pins)
    word = pins.chip.read_words + 15
    pins.while_high = lambda w, p: 100_000 if (w, p) == (word, pulse) else 0
    woken = pins.chip.woken
    samples = run.go(1.0).samples
    assert pins.chip.woken == woken + 2  # by the late pulse, and by the reader after it
    assert_true(run, samples, gain=128)
    # What was not read is counted as lost: by its time, every sample stands where it should.
    slots = np.diff(samples["t_us"]) / 12_500
    assert np.abs(slots - np.diff(samples["seq"])).max() < 0.5
    assert samples["seq"][-1] + 1 - len(samples) in range(4, 8)


@pytest.mark.parametrize("pulse", [25, 26, 27])
def test_a_late_gain_pulse_does_not_leave_the_wrong_gain(installed, pulse):
    pins = installed(chip.Pins(ramp))
    run = Run(pins, "pi:gain=64")
    word = pins.chip.read_words + 15
    pins.while_high = lambda w, p: 100_000 if (w, p) == (word, pulse) else 0
    samples = run.go(1.0).samples
    assert_true(run, samples, gain=64)
    assert samples["seq"][-1] + 1 > len(samples) > 60


def test_a_pulse_that_the_driver_gives_up_on_but_the_chip_does_not(installed):
    """Between what the driver measures and what the chip sees lie two calls."""
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    word = pins.chip.read_words + 15
    pins.while_high = lambda w, p: 57_000 if (w, p) == (word, 12) else 0
    woken = pins.chip.woken
    samples = run.go(1.0).samples
    assert pins.chip.woken == woken + 1  # by the reader alone
    assert_true(run, samples, gain=128)
    assert samples["seq"][-1] + 1 > len(samples)


def test_a_pause_while_the_clock_is_low_harms_nothing(installed):
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    word = pins.chip.read_words + 15
    pins.while_low = lambda w, p: 3 * MS if (w, p) == (word, 12) else 0
    samples = run.go(0.5).samples
    assert not samples["flags"].any()
    assert_true(run, samples, gain=128)
    assert samples["seq"].tolist() == list(range(len(samples)))


def test_a_word_that_the_next_conversion_tears_is_suspect(installed):
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    word = pins.chip.read_words + 15
    pins.while_low = lambda w, p: 14 * MS if (w, p) == (word, 12) else 0
    samples = run.go(0.5).samples
    assert samples["flags"].any()
    assert_true(run, samples, gain=128)


@pytest.mark.parametrize("stall_ms", [20, 45, 80])
def test_conversions_slept_through_are_counted_as_lost(installed, stall_ms):
    pins = installed(chip.Pins(ramp, sps=93))
    run = Run(pins).go(0.5)
    pins.stalls = [(pins.now_ns + 5 * MS, stall_ms * MS)]
    samples = run.go(0.5).samples
    numbers = [pins.chip.conversions.index(run.conversion(sample)) for sample in samples]
    assert (samples["seq"] - samples["seq"][0]).tolist() == [n - numbers[0] for n in numbers]
    assert samples["seq"][-1] + 1 - len(samples) == numbers[-1] - numbers[0] + 1 - len(numbers)
    assert samples["seq"][-1] + 1 > len(samples)
    assert_true(run, samples, gain=128)


late = st.tuples(
    st.integers(1, 60), st.integers(1, 27), st.sampled_from([0.02, 0.055, 0.2, 3, 9, 14, 40])
)


@given(
    high=st.lists(late, max_size=4), low=st.lists(late, max_size=4), gain=st.sampled_from([128, 64])
)
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_no_delay_makes_a_false_sample_that_is_not_flagged(high, low, gain):
    with pytest.MonkeyPatch.context() as patch:
        pins = chip.Pins(ramp, sps=93)
        put_in_place(patch, pins)
        run = Run(pins, f"pi:gain={gain}")
        begun = pins.chip.read_words
        delays = [{(begun + w, p): round(ms * MS) for w, p, ms in each} for each in (high, low)]
        pins.while_high = lambda w, p: delays[0].pop((w, p), 0)
        pins.while_low = lambda w, p: delays[1].pop((w, p), 0)
        samples = run.go(1.0).samples
        assert_true(run, samples, gain)
        assert (np.diff(samples["seq"]) >= 1).all()
        assert (np.diff(samples["t_us"]) > 0).all()


def assert_true(run, samples, gain):
    """Each sample without a flag on its load is a settled conversion, at its moment."""
    for sample in samples[(samples["flags"] & UNFIT) == 0]:
        ready_ns, counts, its_gain, filled = run.conversion(sample)
        assert int(sample["load_counts"]) == counts
        assert its_gain == gain
        assert filled > chip.FULL_FILTER
        assert abs(run.began_ns + int(sample["t_us"]) * 1000 - ready_ns) < 1000


def test_a_computer_too_slow_for_the_chip_is_said_so(installed):
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    pins.while_high = lambda _word, _pulse: 70_000
    with pytest.raises(SourceLost, match="too busy or too slow"):
        run.go(5.0)


# --- faults ---


@pytest.mark.parametrize("options", ["sps=80", "sps=10"])
def test_a_silent_adc_is_a_fault_until_it_converts_again(installed, options):
    sps = parse_pi(f"pi:{options}").sps
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
    edges = Edges(open_board("pi:"), parse_pi("pi:"), lambda: pins.now_ns)
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
