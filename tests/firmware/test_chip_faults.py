"""A bad load cell, a bad line, a restart: what the sketch makes of each on the simulated chip."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.capture.blocks import Answer, Fault, FaultCode, Hello, Restarted, SampleFlag, Tally

COUNTING = "0 load counting 1000\n"
# Requests with their CRC from firmware/vectors/requests.csv.
WHO, START, STOP, ZERO, ACK = (
    "Q 00 who 8501",
    "Q 00 start 62F6",
    "Q 00 stop 4249",
    "Q 00 zero 539C",
    "Q 00 ack E8BC",
)


def flagged(samples, flag: SampleFlag):
    return (samples["flags"] & flag) != 0


@pytest.mark.parametrize(
    ("fault", "code"), [("dead", FaultCode.ADC_SILENT), ("stuck", FaultCode.ADC_STUCK)]
)
def test_adc_that_stops_is_a_fault_until_acknowledged(lab, fault: str, code: FaultCode) -> None:
    run = lab.run(f"{COUNTING}2 adc {fault}\n5.2 adc normal\n6.5 send {ACK}\n8 end\n")
    faults = run.all(Fault)
    assert {f.code for f in faults} == {code}
    assert {f.count for f in faults} == {1}
    assert [f.standing for f in faults] == [True] * (len(faults) - 1) + [False]
    assert faults[0].t_us / 1e6 == pytest.approx(2.5, abs=0.02)  # silent for 0.5 s
    told = np.array([f.t_us for f in faults[1:-1]]) / 1e6
    np.testing.assert_allclose(np.diff(told), 1.0, atol=0.01)  # and each second
    assert 5.15 < faults[-1].t_us / 1e6 < 6.3  # it came back by itself within a second
    assert run.all(Answer) == [Answer(0, "ack", ok=True)]

    samples = run.samples
    silent = (samples["t_us"] > 2.02e6) & (samples["t_us"] < 5.2e6)
    assert not silent.any()  # the last value is never repeated
    # Nothing false: what isn't suspect is a settled conversion of the chip.
    good = samples[~flagged(samples, SampleFlag.LOAD_SUSPECT)]
    assert np.isin(good["load_counts"], run.truth["load_counts"]).all()
    assert flagged(samples, SampleFlag.LOAD_SUSPECT).sum() <= 1
    # The samples bear the flag until the ack, and not after.
    back = samples["t_us"][samples["t_us"] > 5.2e6]
    assert back[0] < 6.3e6
    latched = flagged(samples, SampleFlag.FAULT_LATCHED)
    np.testing.assert_array_equal(latched, (samples["t_us"] > 5.2e6) & (samples["t_us"] < 6.5e6))
    assert run.counters.samples_lost == 0


def test_adc_dead_from_the_start(lab) -> None:
    run = lab.run(f"0 adc dead\n3 send {ACK}\n5.5 end\n")
    faults = run.all(Fault)
    assert faults[0].code == FaultCode.ADC_SILENT
    assert faults[0].t_us < 1.2e6  # it is given a second to wake
    assert all(f.standing and f.count == 1 for f in faults)  # an ack alone cures nothing
    assert len(faults) >= 5
    assert len(run.all(Hello)) == 1
    assert len(run.all(Tally)) == 5
    assert run.counters.samples == 0


def test_saturation_is_flagged_and_nothing_else(lab) -> None:
    run = lab.run(f"{COUNTING}1 adc high\n2 adc low\n3 adc normal\n4 end\n")
    samples = run.samples
    np.testing.assert_array_equal(samples["load_counts"], run.truth["load_counts"])
    at_end = np.isin(samples["load_counts"], (0x7FFFFF, -0x800000))
    np.testing.assert_array_equal(flagged(samples, SampleFlag.LOAD_SATURATED), at_end)
    assert at_end.sum() == pytest.approx(160, abs=2)
    assert not np.any(samples["flags"] & ~np.uint8(SampleFlag.LOAD_SATURATED))


def test_glitches_on_the_data_line_make_no_good_sample(lab) -> None:
    """Dips of DOUT of 1 to 180 us, at all phases of the conversion."""
    dips = "".join(f"{1 + i * 0.0171:.4f} adc glitch {1 + 3 * i}\n" for i in range(60))
    run = lab.run(f"{COUNTING}{dips}4 end\n")
    samples = run.samples
    suspect = flagged(samples, SampleFlag.LOAD_SUSPECT)
    good = samples[~suspect]
    assert suspect.any()
    assert np.isin(good["load_counts"], run.truth["load_counts"]).all()
    assert (np.diff(good["load_counts"]) > 0).all()
    assert (samples["t_us"][suspect] < 2.2e6).all()  # all is well again soon after the last
    assert run.counters.samples_lost == 0


def test_noise_on_the_clock_line_spoils_few_samples(lab) -> None:
    """A pulse that only the chip sees: the word is shifted and the next gain is another.

    One that no reader of an HX711 can see in every case; it must not last.
    """
    run = lab.run(f"{COUNTING}2 adc pulse\n4 end\n")
    samples = run.samples
    counted = samples["load_counts"] - np.arange(len(samples))
    wrong = counted != counted[0]
    assert 1 <= wrong.sum() <= 7
    assert np.ptp(np.flatnonzero(wrong)) <= 7
    assert run.counters.samples_lost == 0


@pytest.mark.parametrize(
    ("event", "options", "watchdog"),
    [
        ("reset", [], False),
        ("hang", [], True),
        ("hang", ["--bootloader"], True),  # which erases the chip's own note of the cause
        ("hang masked", [], True),
    ],
)
def test_restart_in_the_middle_of_a_press(
    lab, event: str, options: list[str], watchdog: bool
) -> None:
    run = lab.run(f"{COUNTING}1 move 20 4\n2.5 {event}\n4.5 end\n", *options)
    kinds = [type(item) for item in run.items]
    assert kinds.count(Restarted) == 1
    assert run.counters.restarts == 1
    assert run.counters.lines_bad <= 1  # the line that was being sent
    first, second = run.all(Hello)
    assert second.device_id == first.device_id
    assert second.boot_id == first.boot_id + 1
    faults = run.all(Fault)
    assert {f.code for f in faults} == ({FaultCode.WATCHDOG_RESTART} if watchdog else set())
    blocks = [item for item in run.items if hasattr(item, "samples")]
    before = [b for b in blocks if b.boot_id == first.boot_id][-1].samples
    after = next(b for b in blocks if b.boot_id == second.boot_id).samples
    assert before["travel_counts"][-1] > 500
    assert after["seq"][0] == 0
    assert abs(after["travel_counts"][0]) < before["travel_counts"][-1]  # started again at 0
    assert after["t_us"][0] < 1e6
    if watchdog:
        assert flagged(after, SampleFlag.FAULT_LATCHED).all()


def test_requests_are_answered_and_obeyed(lab) -> None:
    run = lab.run(
        f"{COUNTING}0.5 move 10 0.5\n1.2 send {ZERO}\n1.5 send {STOP}\n2.5 send {START}\n"
        f"2.8 send {WHO}\n3 send Q 01 jump BE6B\n4.5 end\n"
    )
    assert run.all(Answer) == [
        Answer(0, "zero", ok=True),
        Answer(0, "stop", ok=True),
        Answer(0, "start", ok=True),
        Answer(0, "who", ok=True),
        Answer(1, "jump", ok=False),
    ]
    assert len(run.all(Hello)) == 2
    samples = run.samples
    t_s = samples["t_us"] / 1e6
    np.testing.assert_array_equal(samples["travel_counts"][(t_s > 1.05) & (t_s < 1.19)], 2000)
    np.testing.assert_array_equal(samples["travel_counts"][t_s > 1.22], 0)
    assert not ((t_s > 1.52) & (t_s < 2.49)).any()
    np.testing.assert_array_equal(samples["seq"], np.arange(len(samples)))  # it stood still
    assert run.all(Tally)[-1].requests_refused == 1


def test_buttons_flag_one_sample_each(lab) -> None:
    def bounce(at_s: float, name: str) -> str:
        """Contacts that chatter for 8 ms at each end of a press of 0.2 s."""
        return "".join(
            f"{start_s + k * 0.002:.3f} button {name} {ways[k % 2]}\n"
            for start_s, ways in ((at_s, ("down", "up")), (at_s + 0.2, ("up", "down")))
            for k in range(5)
        )

    run = lab.run(
        COUNTING + bounce(1, "accept") + bounce(1.5, "redo") + bounce(2, "accept") + "3 end\n"
    )
    samples = run.samples
    accepted = samples["t_us"][flagged(samples, SampleFlag.ACCEPT_PRESSED)] / 1e6
    redone = samples["t_us"][flagged(samples, SampleFlag.REDO_PRESSED)] / 1e6
    np.testing.assert_allclose(accepted, [1.03, 2.03], atol=0.03)
    np.testing.assert_allclose(redone, [1.53], atol=0.03)


def test_flood_of_noise_into_rx_with_a_fast_press_loses_nothing(lab) -> None:
    """93 samples/s, 20,000 edges/s and a line in that never rests, all at once."""
    run = lab.run(
        "0 load random\n0 adc rate 93\n1 send noise 60000\n1.2 edges 20000 2\n"
        f"4.2 send {WHO}\n4.3 send {WHO}\n6.5 end\n"
    )
    samples = run.samples
    np.testing.assert_array_equal(samples["load_counts"], run.truth["load_counts"])
    assert np.abs(samples["travel_counts"] - run.truth["travel_counts"]).max() <= 1
    assert samples["travel_counts"][-1] == run.stats["count"] == 40_000
    assert run.counters.samples_lost == run.counters.bytes_bad == 0
    last = run.all(Tally)[-1]
    assert last.dropped == last.impossible_steps == 0
    assert last.requests_refused > 100
    assert len(run.all(Answer)) in (1, 2)  # noise without LF may have eaten the first
