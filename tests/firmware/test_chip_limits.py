"""How far the sketch goes on the simulated chip: edges, samples, and time."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from coilbench.capture.blocks import Fault, Hello, SampleFlag, Tally

# Well inside and outside of firmware/README.md's figures, which lie at some 11 us between edges.
EVEN_EXACT, EVEN_LOST = 80_000, 110_000
TURNING_EXACT = {0: 82_000, 0.25: 62_000, 0.5: 44_000}
SKEWED_EXACT, SKEWED_LOST = 55_000, 90_000  # every second edge late by a quarter of the interval


@pytest.mark.parametrize(("rate", "skew"), [(EVEN_EXACT, 0), (SKEWED_EXACT, 0.25)])
def test_edges_up_to_the_limit_are_counted(lab, rate: int, skew: float) -> None:
    run = lab.run(f"0 adc rate 93\n0.5 edges {rate} 3 {skew}\n4.5 end\n")
    assert run.stats["edges"] == 3 * rate
    assert run.samples["travel_counts"][-1] == 3 * rate
    assert np.abs(run.samples["travel_counts"] - run.truth["travel_counts"]).max() <= 1
    last = run.all(Tally)[-1]
    assert last.impossible_steps == last.dropped == 0
    assert not flagged(run, SampleFlag.TRAVEL_SUSPECT).any()
    assert run.counters.samples_lost == run.counters.bytes_bad == 0


@pytest.mark.parametrize(("skew", "rate"), TURNING_EXACT.items())
def test_edges_that_turn_round_at_full_speed_are_counted(lab, skew: float, rate: int) -> None:
    """Every second edge late by a part of an interval, and the way turned at every phase of it."""
    moves, at_s, way = [], 0.5, 1
    for n in range(150):
        seconds = 0.002 + 0.028 * (n * 0.618034 % 1)
        moves.append(f"{at_s:.7f} edges {way * rate} {seconds:.7f} {skew}\n")
        at_s, way = at_s + seconds, -way
    run = lab.run(f"0 adc rate 93\n{''.join(moves)}{at_s + 0.5:.3f} end\n")
    assert run.samples["travel_counts"][-1] == run.stats["count"]
    assert run.stats["edges"] > 50_000
    assert np.abs(run.samples["travel_counts"] - run.truth["travel_counts"]).max() <= 1
    last = run.all(Tally)[-1]
    assert last.impossible_steps == last.dropped == 0


def test_page_promises_more_than_is_tested_and_less_than_is_lost() -> None:
    page = (Path(__file__).parents[2] / "firmware" / "README.md").read_text(encoding="utf-8")
    rows = [row for row in page.split("\n") if "none lost up to" in row]
    told = [[int(n.replace(",", "")) for n in re.findall(r"([\d,]+)/s", row)] for row in rows]
    assert len(told) == len(TURNING_EXACT)
    for row, figures, tested in zip(rows, told, TURNING_EXACT.values(), strict=True):
        exact, *lost = figures
        assert tested < exact < min(lost), row
        assert "reversals" in row or "turned round" in row, row
    assert max(told[0]) < EVEN_LOST
    assert max(told[1]) < SKEWED_LOST


@pytest.mark.parametrize(("rate", "skew"), [(EVEN_LOST, 0), (SKEWED_LOST, 0.25)])
def test_edges_past_the_limit_are_lost_loudly(lab, rate: int, skew: float) -> None:
    """Counts are lost two at a time, each pair counted and its sample flagged."""
    run = lab.run(f"0 adc rate 93\n0.5 edges {rate} 3 {skew}\n4.5 end\n")
    last = run.all(Tally)[-1]
    missing = 3 * rate - int(run.samples["travel_counts"][-1])
    assert missing > 0
    assert last.impossible_steps == missing // 2
    suspect = flagged(run, SampleFlag.TRAVEL_SUSPECT)
    assert suspect.any()
    t_s = run.samples["t_us"] / 1e6
    assert not suspect[(t_s < 0.49) | (t_s > 3.55)].any()
    assert last.dropped == 0  # the load goes on
    np.testing.assert_array_equal(
        run.samples["load_counts"], run.truth["load_counts"][: len(run.samples)]
    )


def test_a_jump_of_the_scale_is_flagged_once(lab) -> None:
    run = lab.run("1 jump 2\n2 jump 1\n3 jump -2\n4.1 end\n")
    suspect = flagged(run, SampleFlag.TRAVEL_SUSPECT)
    np.testing.assert_allclose(run.samples["t_us"][suspect] / 1e6, [1, 3], atol=0.03)
    assert run.all(Tally)[-1].impossible_steps == 2


def flagged(run, flag: SampleFlag):
    return (run.samples["flags"] & flag) != 0


def test_overload_drops_whole_lines_and_every_counter_says_so(lab) -> None:
    """650 samples/s on a line that carries 540: an ADC far faster than any HX711."""
    run = lab.run(
        "0 load counting 0\n1 adc rate 650\n4 send Q 00 who 8501\n6 adc rate 80\n8.1 end\n"
    )
    samples = run.samples
    assert run.counters.lines_bad == 0  # never a part of a line
    assert run.counters.samples_lost > 200
    last = run.all(Tally)[-1]
    assert last.dropped == run.counters.samples_lost
    assert last.offered == pytest.approx(samples["seq"][-1] + 1, abs=10)  # a moment older
    assert samples["seq"][-1] + 1 == len(samples) + run.counters.samples_lost
    # A gap in the sequence and the flag go together, one for one.
    gap = np.diff(samples["seq"], prepend=-1) > 1
    np.testing.assert_array_equal(flagged(run, SampleFlag.QUEUE_OVERRUN), gap)
    # What did arrive is the conversion its number says: the loads count up by one each.
    assert np.ptp(samples["load_counts"] - samples["seq"]) == 0
    # Everything else still gets through.
    assert len(run.all(Tally)) == 8
    assert len(run.all(Hello)) == 2
    assert run.all(Fault) == []
    assert run.stats["wrong_pulses"] == 0
    assert last.impossible_steps == last.requests_refused == 0
    # And it is over when it is over.
    assert not flagged(run, SampleFlag.QUEUE_OVERRUN)[samples["t_us"] > 6.1e6].any()


@pytest.mark.parametrize("overflows", [1 << 16, 1 << 17])
def test_clock_wraps(lab, overflows: int) -> None:
    """Timer 1 overflows each 32.768 ms; after 2^17 of them (71.6 min) the 32 bits are full.

    The chip's count of them is set 20 s before; the tallies of the time skipped are sent first.
    `make figures LONG=--long` waits the 75 minutes.
    """
    before = round(20 / 0.032_768)
    poke = f"0.02 poke {lab.address('timer_wraps')} {overflows - before}\n"
    run = lab.run(f"{poke}0.05 adc rate 93\n19 move 20 2\n24.1 end\n")
    settled_us = overflows * 32_768 - 5e6
    samples = run.samples[run.samples["t_us"] > settled_us]
    assert samples["t_us"][0] < overflows * 32_768 < samples["t_us"][-1]
    assert len(samples) == pytest.approx(9.1 * 93, abs=8)
    assert np.ptp(samples["flags"]) == 0  # at most what the skip itself left standing
    keeps_time(samples, run.truth[-len(samples) :])
    after = [f for f in run.all(Fault) if (f.t_us - int(settled_us)) % 2**32 < 10e6]
    assert after == []


def test_the_clock_never_steps_back_at_a_wrap_that_still_waits(lab) -> None:
    """The loop reads the clock with interrupts masked; the timer may wrap just then, uncounted.

    A dip of DOUT wakes the loop without a conversion, here from 0 to 16 us before each wrap, so
    that some reading falls on it. A clock that missed the wrap would be 32.8 ms back, before the
    last conversion: an ADC silent for over an hour, fault 01.
    """
    wraps = range(512)
    dips = "".join(f"{0.5 + n * 0.032768:.4f} adc dip {n / 32:.5f}\n" for n in wraps)
    run = lab.run(f"0 load counting 0\n0 adc rate 80\n{dips}18 end\n")
    assert run.all(Fault) == []
    assert len(run.samples) == len(run.truth) == pytest.approx(18 * 80, abs=10)
    assert (np.diff(run.samples["t_us"].astype(np.int64)) > 0).all()
    assert run.counters.samples_lost == 0


TORN = (-1, 4095, 8191, 16383, 32767)  # 2^n - 1: may be a word that was torn


def test_sequence_wraps_on_a_busy_line(lab) -> None:
    """480 samples/s, where the line is busy 88 % of the time, across the wrap at 2^16.

    The count of samples is set 1536 before it: the four bytes before the last 34 of the rig. If
    they lie elsewhere one day, the first number says so. The load counts up through one of TORN
    every two seconds. `make figures LONG=--long` sends more than 2^16.
    """
    first = 64_000
    poke = f"0.02 poke {lab.extent('3rig')[-38]} {first}\n0.05 adc rate 480\n"
    jumps = "".join(f"{0.05 + 2 * n} load counting {top - 480}\n" for n, top in enumerate(TORN))
    run = lab.run(f"{poke}{jumps}10 end\n")
    samples = run.samples
    assert samples["seq"][-1] > 65_536 + 2_000
    assert len(samples) == len(run.truth)
    np.testing.assert_array_equal(samples["seq"], first + np.arange(len(samples)))
    keeps_time(samples, run.truth)
    assert run.counters.samples_lost == run.counters.bytes_bad == run.counters.restarts == 0
    last = run.all(Tally)[-1]
    assert len(run.all(Tally)) == 10
    assert last.offered == pytest.approx(first + len(samples), abs=480)
    assert last.dropped == last.impossible_steps == last.requests_refused == 0
    assert run.all(Fault) == []
    # 2^n - 1 is taken for a torn word where it comes, with the next ones; nothing else is flagged.
    suspect = flagged(run, SampleFlag.LOAD_SUSPECT)
    assert suspect.sum() == 4 * len(TORN)
    assert not np.any(samples["flags"] & ~np.uint8(SampleFlag.LOAD_SUSPECT))


def keeps_time(samples, truth) -> None:
    """Each sample is the conversion it says, and the clock is right by the chip's own cycles."""
    np.testing.assert_array_equal(samples["load_counts"], truth["load_counts"])
    assert np.abs(samples["travel_counts"] - truth["travel_counts"]).max() <= 1
    error_us = samples["t_us"] - truth["cycle"] / 16
    assert np.abs(error_us - np.median(error_us)).max() <= 2.0
