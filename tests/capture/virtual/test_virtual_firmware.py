"""What the simulated firmware says, read back by the project's decoder."""

from collections.abc import Iterable
from itertools import pairwise
from typing import TypeVar

import numpy as np
import pytest

from coilbench.capture.blocks import (
    Answer,
    Fault,
    FaultCode,
    Hello,
    Item,
    RawBlock,
    Restarted,
    SampleFlag,
    Tally,
)
from coilbench.capture.virtual.bench import Bench, GaugeBlock, PressSpring, Rest, Step
from coilbench.capture.virtual.firmware import (
    BOOT_US,
    SETTLING_SAMPLES,
    Damage,
    Faults,
    Firmware,
    Frame,
)
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER
from coilbench.capture.wire.decode import Decoder
from coilbench.capture.wire.format import Request, encode

Kind = TypeVar("Kind")
RIG = RigModel.draw(3)
PLAN: list[Step] = [Rest(2.0), PressSpring(OUTER, 30.0), Rest(3.0)]


def firmware(
    faults: Faults | None = None, steps: list[Step] | None = None, frame_samples: int = 512
) -> Firmware:
    blocks = Bench(RIG, PLAN if steps is None else steps, seed=1).blocks()
    return Firmware(RIG, blocks, faults=faults, seed=1, frame_samples=frame_samples)


def said(rig: Firmware) -> bytes:
    return b"".join(frame.data for frame in rig.frames())


def decoded(data: bytes) -> tuple[list[Item], Decoder]:
    decoder = Decoder()
    return decoder.feed(data), decoder


def samples_of(items: Iterable[Item]) -> np.ndarray:
    return np.concatenate([item.samples for item in items if isinstance(item, RawBlock)])


def only(items: Iterable[Item], kind: type[Kind]) -> list[Kind]:
    return [item for item in items if isinstance(item, kind)]


def test_a_sound_rig_says_hello_then_every_sample_and_a_tally_a_second() -> None:
    rig = firmware()
    items, decoder = decoded(said(rig))
    truth = np.concatenate([b.samples for b in Bench(RIG, PLAN, seed=1).blocks()])
    heard = samples_of(items)
    assert isinstance(items[0], Hello)
    assert items[0].device_id == RIG.device_id
    assert items[0].rate_hz == 80.0
    for name in ("seq", "t_us", "load_counts", "travel_counts"):
        np.testing.assert_array_equal(heard[name], truth[name])
    assert np.all(heard["flags"][:SETTLING_SAMPLES] == SampleFlag.LOAD_SUSPECT)
    assert np.all(heard["flags"][SETTLING_SAMPLES:] == 0)
    tallies = only(items, Tally)
    assert [t.t_us for t in tallies] == [
        1_000_000 * n for n in range(1, truth["t_us"][-1] // 1_000_000 + 1)
    ]
    assert all(t.offered == np.count_nonzero(truth["t_us"] < t.t_us) for t in tallies)
    assert rig.samples_offered == len(truth) == decoder.counters.samples
    assert decoder.counters.bytes_bad == decoder.counters.samples_lost == 0


@pytest.mark.parametrize("frame_samples", [1, 4, 93, 100_000])
def test_the_same_seed_gives_the_same_bytes_however_they_are_cut_up(frame_samples: int) -> None:
    faults = Faults(
        drop_probability=1e-3,
        flip_probability=1e-3,
        restart_at_s=(3.0,),
        dead_s=((4.5, 1.2),),
        saturated_s=((1.0, 0.5),),
    )
    assert said(firmware(faults, frame_samples=frame_samples)) == said(firmware(faults))


def test_frames_leave_in_order_and_no_later_than_their_last_sample() -> None:
    frames: list[Frame] = list(firmware(frame_samples=4).frames())
    assert all(a.t_us <= b.t_us for a, b in pairwise(frames))
    assert max(frame.data.count(b"S ") for frame in frames) <= 4


def test_a_restart_begins_clock_sequence_and_travel_anew() -> None:
    steps: list[Step] = [GaugeBlock(40.0, 6.0)]
    items, decoder = decoded(said(firmware(Faults(restart_at_s=(3.0,)), steps)))
    first, second = only(items, Hello)
    assert first.boot_id != second.boot_id
    assert first.device_id == second.device_id
    (restart,) = only(items, Restarted)
    after = samples_of(items[items.index(restart) :])
    before = samples_of(items[: items.index(restart)])
    assert before["t_us"][-1] < 3_000_000
    assert after["t_us"][0] < 20_000
    assert after["seq"][0] == 0
    assert abs(int(after["travel_counts"][0])) <= 1  # the scale is at 40 mm, and calls it 0
    assert before["travel_counts"][-1] == pytest.approx(6000, rel=0.01)
    assert np.all(after["flags"][:SETTLING_SAMPLES] == SampleFlag.LOAD_SUSPECT)
    silent_s = BOOT_US * 1e-6
    total = round(6.0 * RIG.rate_hz)
    assert len(before) + len(after) == pytest.approx(total - silent_s * RIG.rate_hz, abs=2)
    assert decoder.counters.restarts == 1
    assert decoder.counters.samples_lost == 0


def test_a_dead_adc_sends_no_samples_and_a_fault_each_second_until_it_is_back() -> None:
    rig = firmware(Faults(dead_s=((3.0, 2.7),)), [Rest(7.5)])
    items, decoder = decoded(said(rig))
    samples = samples_of(items)
    assert np.count_nonzero((samples["t_us"] > 3_000_000) & (samples["t_us"] < 5_700_000)) == 0
    faults = only(items, Fault)
    assert [(f.t_us, f.standing, f.count) for f in faults] == [
        (3_500_000, True, 1),
        (4_500_000, True, 1),
        (5_500_000, True, 1),
        (5_700_000, False, 1),
    ]
    assert {f.code for f in faults} == {FaultCode.ADC_SILENT}
    assert decoder.counters.samples_lost == 0  # the sequence counts what was offered
    after = samples[samples["t_us"] >= 5_700_000]
    assert np.all(after["flags"] & SampleFlag.FAULT_LATCHED)
    assert np.all(after["flags"][:SETTLING_SAMPLES] & SampleFlag.LOAD_SUSPECT)
    assert len(only(items, Tally)) == 7  # it talks on


def test_a_short_pause_of_the_adc_is_no_fault() -> None:
    items, _ = decoded(said(firmware(Faults(dead_s=((3.0, 0.3), (3.4, 0.3))), [Rest(5.0)])))
    assert only(items, Fault) == []


def test_an_adc_dead_at_a_restart_is_reported_anew() -> None:
    faults = Faults(dead_s=((1.0, 4.0),), restart_at_s=(2.0,))
    items, _ = decoded(said(firmware(faults, [Rest(6.0)])))
    first, second = only(items, Hello)
    raised = [f for f in only(items, Fault) if f.standing]
    assert {f.boot_id for f in raised} == {first.boot_id, second.boot_id}
    assert next(f.t_us for f in raised if f.boot_id == second.boot_id) == 500_000


def test_saturation_sticks_and_is_flagged() -> None:
    items, _ = decoded(said(firmware(Faults(saturated_s=((2.0, 1.0),)), [Rest(4.0)])))
    samples = samples_of(items)
    stuck = samples["load_counts"] == 0x7FFFFF
    within = (samples["t_us"] >= 2_000_000) & (samples["t_us"] < 3_000_000)
    np.testing.assert_array_equal(stuck, within)
    np.testing.assert_array_equal((samples["flags"] & SampleFlag.LOAD_SATURATED) != 0, within)


def test_a_silent_rig_says_nothing_and_answers_nothing() -> None:
    rig = firmware(Faults(silent=True))
    assert said(rig) == b""
    assert rig.receive(encode(Request(1, "who"))) == b""


def test_unplugging_ends_it() -> None:
    rig = firmware(Faults(unplug_at_s=2.5))
    items, _ = decoded(said(rig))
    assert rig.unplugged
    assert samples_of(items)["t_us"][-1] < 2_500_000
    assert rig.receive(encode(Request(1, "who"))) == b""
    assert not firmware().unplugged


def answered(rig: Firmware, word: str) -> list[Item]:
    return decoded(rig.receive(encode(Request(0x2A, word))))[0]


def test_requests_are_answered_with_their_tag() -> None:
    rig = firmware()
    frames = rig.frames()
    assert answered(rig, "who") == []  # it has not started yet
    next(frames)
    answer, hello = answered(rig, "who")
    assert answer == Answer(0x2A, "who", ok=True)
    assert isinstance(hello, Hello)
    for word in ("start", "stop", "zero", "ack"):
        assert answered(rig, word) == [Answer(0x2A, word, ok=True)]
    assert answered(rig, "dance") == [Answer(0x2A, "dance", ok=False)]


def test_stop_holds_the_sequence_and_tallies_go_on() -> None:
    rig = firmware(steps=[Rest(5.5)])
    data = b""
    for frame in rig.frames():
        data += frame.data
        if frame.t_us == 2_000_000:
            data += rig.receive(encode(Request(1, "stop")))
        if frame.t_us == 4_000_000:
            data += rig.receive(encode(Request(2, "start")))
    items, decoder = decoded(data)
    samples = samples_of(items)
    assert np.diff(samples["t_us"]).max() == pytest.approx(2e6, rel=0.02)
    assert np.all(np.diff(samples["seq"]) == 1)
    assert decoder.counters.samples_lost == 0
    assert [t.t_us for t in only(items, Tally)] == [1e6, 2e6, 3e6, 4e6, 5e6]


def test_zero_makes_the_present_travel_nothing() -> None:
    rig = firmware(steps=[GaugeBlock(40.0, 5.0)])
    data = b""
    for frame in rig.frames():
        data += frame.data
        if frame.t_us == 2_000_000:
            data += rig.receive(encode(Request(1, "zero")))
    items, _ = decoded(data)
    place = items.index(Answer(1, "zero", ok=True))
    assert samples_of(items[:place])["travel_counts"][-1] > 5000
    assert samples_of(items[place:])["travel_counts"][0] == 0


def test_ack_clears_a_latched_fault_that_stands_no_more() -> None:
    rig = firmware(Faults(dead_s=((1.0, 2.0),)), [Rest(6.0)])
    data = b""
    for frame in rig.frames():
        data += frame.data
        if frame.t_us in (2_000_000, 4_000_000):  # while it stands, and after
            data += rig.receive(encode(Request(1, "ack")))
    samples = samples_of(decoded(data)[0])
    latched = (samples["flags"] & SampleFlag.FAULT_LATCHED) != 0
    expected = (samples["t_us"] >= 3_000_000) & (samples["t_us"] < 4_000_000)
    np.testing.assert_array_equal(latched, expected)


def test_unreadable_requests_are_counted() -> None:
    rig = firmware(steps=[Rest(3.0)])
    data = b""
    for frame in rig.frames():
        data += frame.data
        if frame.t_us == 1_000_000:
            assert rig.receive(b"hello?\nQ 01 who 0000\n") == b""
    assert [t.requests_refused for t in only(decoded(data)[0], Tally)] == [0, 2]


@pytest.mark.parametrize("frame_samples", [1, 512])
def test_in_a_hurry_it_says_the_same(frame_samples: int) -> None:
    faults = Faults(
        dead_s=((1.0, 2.0),), restart_at_s=(4.0,), unplug_at_s=6.0, flip_probability=0.001
    )
    bursts = [burst.data for burst in firmware(faults).bursts()]
    assert len(bursts) == len(PLAN)
    assert b"".join(bursts) == said(firmware(faults, frame_samples=frame_samples))


def test_damage_hits_as_many_bytes_as_it_says() -> None:
    data = bytes(range(256)) * 800
    flipped = np.frombuffer(Damage(Faults(flip_probability=0.01), 1).apply(data), np.uint8)
    change = flipped ^ np.frombuffer(data, np.uint8)
    hit = change[change != 0]
    assert len(hit) == pytest.approx(0.01 * len(data), rel=0.1)
    assert np.all(hit & (hit - 1) == 0)  # one bit each
    assert set(np.unique(hit)) == {1, 2, 4, 8, 16, 32, 64, 128}
    dropped = Damage(Faults(drop_probability=0.01), 1).apply(data)
    assert len(data) - len(dropped) == pytest.approx(0.01 * len(data), rel=0.1)
    assert Damage(Faults(drop_probability=1.0), 1).apply(data) == b""


def test_damaged_lines_are_lost_and_counted_never_wrong() -> None:
    rig = firmware(Faults(drop_probability=3e-4, flip_probability=3e-4), [Rest(60.0)])
    items, decoder = decoded(said(rig))
    truth = np.concatenate([b.samples for b in Bench(RIG, [Rest(60.0)], seed=1).blocks()])
    heard = samples_of(items)
    counters = decoder.counters
    assert counters.lines_bad > 20
    assert len(heard) < len(truth)
    assert len(heard) + counters.samples_lost == pytest.approx(len(truth), abs=2)
    np.testing.assert_array_equal(heard["load_counts"], truth["load_counts"][heard["seq"]])
