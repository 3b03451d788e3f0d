"""The real sketch on a simulated ATmega328P: every conversion arrives, with its own numbers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from coilbench.capture.blocks import Hello, Tally

CYCLES_PER_US = 16


def assert_all_arrived(run) -> None:
    """Each conversion fed is a sample with equal counts, in order, and every counter is clean."""
    samples, truth = run.samples, run.truth
    assert len(samples) > 100
    assert len(samples) == len(truth)
    np.testing.assert_array_equal(samples["load_counts"], truth["load_counts"])
    np.testing.assert_array_equal(samples["travel_counts"], truth["travel_counts"])
    np.testing.assert_array_equal(samples["seq"], np.arange(len(samples)))
    assert run.counters.bytes_bad == 0
    assert run.counters.samples_lost == 0
    assert run.counters.restarts == 0
    last = run.all(Tally)[-1]
    assert last.dropped == 0
    assert last.impossible_steps == 0
    assert run.stats["wrong_pulses"] == 0
    assert run.stats["overwritten"] <= 1  # the one that was ready before the sketch began


def clock_error_us(run) -> np.ndarray:
    """The samples' clock against the chip's cycles, less what is common."""
    error = run.samples["t_us"] - run.truth["cycle"] / CYCLES_PER_US
    return error - np.median(error)


# Two strokes at up to 20,000 edges/s, then above the start: the counts go below zero.
STROKES = """
0 load {load}
0 adc rate {rate}
1.0 move 22 1.5
3.0 move 0 1.2
4.5 move 18.2 0.5
5.2 move -3 0.7
7 end
"""


@pytest.mark.parametrize("load", ["counting -40", "random", "spring 48 22 24"])
@pytest.mark.parametrize("rate", [11, 93])
def test_every_sample_arrives(lab, load: str, rate: int) -> None:
    run = lab.run(STROKES.format(load=load, rate=rate))
    samples = run.samples
    assert len(samples) == len(run.truth) >= 60
    np.testing.assert_array_equal(samples["load_counts"], run.truth["load_counts"])
    # An edge may fall inside the latency of the interrupt that latches: off by one at most.
    assert np.abs(samples["travel_counts"] - run.truth["travel_counts"]).max() <= 1
    assert np.ptp(samples["travel_counts"]) > 3600  # it was really pressed, some 20 mm
    assert samples["travel_counts"][-1] == run.stats["count"] == -600
    assert run.counters.samples_lost == run.counters.bytes_bad == 0
    assert np.abs(clock_error_us(run)).max() <= 1.0
    assert run.stats["sck_high_max_us"] < 5  # its limit is 50
    assert run.stats["word_max_us"] < 1000
    assert run.stats["latency_max_us"] < 2000


def test_clean_run_has_clean_counters(lab) -> None:
    run = lab.run("0 load random\n0 adc rate 93\n5.5 end\n")
    assert_all_arrived(run)
    assert not np.any(run.samples["flags"] & ~np.uint8(0x03))  # random words may be 7FFFFF or torn


@pytest.mark.parametrize("edges", [0, 50_000])
def test_conversions_at_the_wrap_of_the_hardware_timer(lab, edges: int) -> None:
    """The 16-bit timer wraps each 32.768 ms; conversions pass over that moment in small steps.

    Four conversions a wrap, and the simulated chip's period is a cycle longer: 0.25 us a wrap.
    """
    run = lab.run(
        "0 load counting 0\n0 adc rate 122.0703125\n"
        f"0.3 adc align -12\n0.4 edges {edges} 3\n4.003 end\n"
    )
    phase_us = run.samples["t_us"] % 32_768
    assert ((phase_us < 4) | (phase_us > 32_764)).sum() > 20
    assert np.abs(clock_error_us(run)).max() <= 1.0
    assert run.counters.samples_lost == 0


def test_hello_tells_who(lab) -> None:
    run = lab.run("1 end\n")
    (hello,) = run.all(Hello)
    assert hello.firmware.startswith("coilbench-")
    assert hello.travel == "quadrature"
    assert hello.um_per_count == 5.0
    assert hello.rate_hz == 80
    assert dict(hello.extra) == {"adc": "hx711", "gain": "128", "baud": "250000"}


def test_line_is_more_than_half_free(lab) -> None:
    run = lab.run("0 adc rate 93\n10 end\n")
    assert run.stats["bytes_sent"] / 10 < 25_000 / 2


@pytest.mark.parametrize("gain", ["64", "32"])
def test_gain_is_chosen_by_pulses(
    lab, make_sketch: Callable[..., tuple[Path, str]], gain: str
) -> None:
    elf, _ = make_sketch(f"gain{gain}", GAIN=gain)
    run = lab.run("0 load counting 0\n3 end\n", elf=elf)
    assert run.stats["gain"] == int(gain)
    assert dict(run.all(Hello)[0].extra)["gain"] == gain
    assert_all_arrived(run)  # and nothing that had not settled after the change of gain


def test_identity_is_made_once_and_starts_are_counted(lab, tmp_path: Path) -> None:
    eeprom = tmp_path / "eeprom"
    eeprom.write_bytes(b"\xff" * 1024)
    first = lab.run("1 end\n", eeprom=eeprom).all(Hello)[0]
    again = lab.run("1 end\n2 end\n", eeprom=eeprom, seed=99).all(Hello)[0]
    other_eeprom = tmp_path / "other"
    other_eeprom.write_bytes(b"\xff" * 1024)
    other = lab.run("1 end\n", eeprom=other_eeprom, seed=99).all(Hello)[0]
    assert first.device_id == again.device_id != other.device_id
    assert again.boot_id == first.boot_id + 1
    # A worn or foreign EEPROM is no identity: a new one is made.
    damaged = bytearray(eeprom.read_bytes())
    damaged[3] ^= 0x10
    eeprom.write_bytes(damaged)
    assert lab.run("1 end\n", eeprom=eeprom, seed=5).all(Hello)[0].device_id != first.device_id
