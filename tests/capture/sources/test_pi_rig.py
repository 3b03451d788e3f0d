"""The real driver `hx711` reads a simulated chip, on a double of RPi.GPIO and on real rpi-lgpio."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import RawBlock, SampleFlag
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.pi_pins import PiSetup
from support import pi_run

HELLO = pi_run.HELLO
MS = pi_run.MS
Run = pi_run.Run
assert_true = pi_run.assert_true
chip = pi_run.chip
put_in_place = pi_run.put_in_place
ramp = pi_run.ramp

pytestmark = pi_run.needs_driver
installed = pi_run.installed

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
    samples, gain = run.samples, PiSetup.parse(f"pi:{options}").gain
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
@settings(max_examples=25, suppress_health_check=list(HealthCheck))
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


def test_a_computer_too_slow_for_the_chip_is_said_so(installed):
    pins = installed(chip.Pins(ramp))
    run = Run(pins)
    pins.while_high = lambda _word, _pulse: 70_000
    with pytest.raises(SourceLost, match="too busy or too slow"):
        run.go(5.0)
