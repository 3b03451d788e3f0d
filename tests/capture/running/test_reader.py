"""The reader thread: queues all, comes back after losses, never dies alone. No real waiting."""

import re
import threading

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import RAW_DTYPE, Answer, Hello, LinkCounters, RawBlock, Tally
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running import reader as module
from coilbench.capture.running.reader import (
    SOURCE_ENDED,
    STOPPED,
    UNWATCHED_GATHER_S,
    WATCHED_GATHER_S,
    Parcel,
    Reader,
)
from coilbench.capture.sources.base import SourceEnded
from coilbench.capture.sources.losses import SourceLost

HELLO = Hello(1, "own-1", "00112233445566AA", 7, 80.0, "none", None)
LOST = SourceLost("port_unplugged", where="fake:")
ENDED = SourceEnded("at its end", where="fake:")
QUIET = object()


class Clock:
    """Time that only a waiting poll moves."""

    def __init__(self):
        self.now_s = 0.0

    def __call__(self):
        return self.now_s


class FakeSource:
    """Says what its script holds, one entry a poll; an exception is raised, QUIET waits."""

    def __init__(self, clock, *script, hello=HELLO):
        self.url = "fake:"
        self.comes_back = True
        self.counters = LinkCounters()
        self.asked = []
        self.closed = False
        self._clock = clock
        self._script = iter([[hello], *script] if hello else script)

    def poll(self, timeout_s):
        said = next(self._script, QUIET)
        if isinstance(said, Exception):
            raise said
        if said is QUIET:
            self._clock.now_s += max(timeout_s, 0.01)
            return []
        if isinstance(said, bytes):  # nothing that can be read
            self._clock.now_s += timeout_s
            self.counters = replace(self.counters, bytes_in=self.counters.bytes_in + len(said))
            return []
        self.counters = replace(
            self.counters, samples=self.counters.samples + sum(map(count, said))
        )
        return list(said)

    def request(self, word):
        self.asked.append(word)

    def close(self):
        self.closed = True

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


def count(item):
    return len(item) if isinstance(item, RawBlock) else 0


def block(number):
    samples = np.zeros(1, RAW_DTYPE)
    samples["seq"] = number
    return RawBlock(samples)


def kind(parcel):
    """Which of its one thing a parcel tells."""
    names = ("hello", "loss", "ended", "failure", "counters")
    (told,) = [name for name in names if getattr(parcel, name) is not None]
    return told


def run(openings, clock=None):
    """Everything a reader hands on until it ends; openings are sources or errors."""
    clock = Clock() if clock is None else clock
    pauses = []
    left = iter(openings)

    def open_again():
        source = next(left)
        if isinstance(source, Exception):
            raise source
        return source

    reader = Reader(open_again, clock=clock, pause=pauses.append)
    reader.start()
    parcels = []
    try:
        while not parcels or kind(parcels[-1]) not in ("ended", "failure"):
            parcels.append(reader.parcels.get(timeout=5.0))
    finally:
        reader.close()
    assert not reader.alive
    return parcels, pauses


def test_it_hands_on_the_hello_and_everything_with_its_counters_then_the_end():
    clock = Clock()
    source = FakeSource(clock, [block(0), block(1)], QUIET, [block(2)], ENDED)
    parcels, pauses = run([source], clock)
    up, first, two, one, end = parcels
    assert up == Parcel(hello=HELLO)
    assert first.items == (HELLO,)
    assert [len(two.items), two.counters.samples] == [2, 2]
    assert [len(one.items), one.counters.samples] == [1, 3]
    assert end == Parcel(ended=SOURCE_ENDED)
    assert source.asked == ["who", "start"]
    assert source.closed
    assert pauses == []


@pytest.mark.parametrize("watched", [False, True])
def test_while_nobody_watches_a_source_may_gather_for_longer(watched):
    clock = Clock()
    source = FakeSource(clock, [block(0)], ENDED)
    reader = Reader(lambda: source, clock=clock, watched=lambda: watched)
    reader.start()
    while reader.parcels.get(timeout=5.0).ended is None:
        pass
    reader.close()
    assert source.gather_s == (WATCHED_GATHER_S if watched else UNWATCHED_GATHER_S)
    assert UNWATCHED_GATHER_S < 0.5  # later than this a person would be told late


def test_samples_on_both_sides_of_a_tally_are_acted_on_at_once_and_others_are_not():
    first, second, third = (np.zeros(n, RAW_DTYPE) for n in (2, 3, 4))
    for samples, begin in ((first, 0), (second, 2), (third, 5)):
        samples["seq"] = begin + np.arange(len(samples))
    tally, answer = Tally(7, 1, 0, 0, 0, 0), Answer(1, "start", True)
    items = [tally, RawBlock(first, 7), tally, RawBlock(second, 7), answer, RawBlock(third, 7)]
    both, other, last = Parcel(items=(*items, tally)).joined
    assert both.samples["seq"].tolist() == [0, 1, 2, 3, 4]
    assert (both.boot_id, other) == (7, answer)
    assert last.samples["seq"].tolist() == [5, 6, 7, 8]
    # another start of the rig counts from another zero
    assert Parcel(items=(RawBlock(first, 7), RawBlock(second, 8))).joined[1].boot_id == 8


def test_it_comes_back_after_each_loss_with_longer_pauses_until_it_is_up():
    clock = Clock()
    first, second = FakeSource(clock, [block(0)], LOST), FakeSource(clock, [block(1)], LOST)
    gone = [LOST] * 6
    third = FakeSource(clock, ENDED)
    parcels, pauses = run([first, *gone, second, third], clock)
    assert pauses == [0.5, 1.0, 2.0, 4.0, 8.0, 8.0, 8.0, 0.5]
    kinds = [kind(parcel) for parcel in parcels]
    assert kinds == [
        *["hello", "counters", "counters", "loss"],
        *["loss"] * 6,
        *["hello", "counters", "counters", "loss"],
        *["hello", "counters", "ended"],
    ]
    assert parcels[3] == Parcel(loss=LOST)
    assert first.closed
    assert second.closed


def test_a_rig_that_says_nothing_at_all_is_opened_anew():
    clock = Clock()
    mute = FakeSource(clock, [block(0)])
    parcels, _ = run([mute, FakeSource(clock, ENDED)], clock)
    (down,) = [parcel for parcel in parcels if parcel.loss]
    assert "said nothing for 5." in str(down.loss)
    assert mute.closed


@pytest.mark.parametrize(
    ("garbage", "kind"), [(bytes(4096), "nothing_readable"), (b"?", "no_good_line")]
)
def test_garbage_without_end_is_called_so_and_not_silence(garbage, kind):
    clock = Clock()
    babbling = FakeSource(clock, [block(0)], *[garbage] * 99)
    parcels, _ = run([babbling, FakeSource(clock, ENDED)], clock)
    (down,) = [parcel for parcel in parcels if parcel.loss]
    assert down.loss.finding.kind == kind


def test_a_rig_whose_amplifier_is_dead_still_talks_and_is_left_alone():
    clock = Clock()
    seconds = [said for n in range(30) for said in [*[QUIET] * 10, [Tally(7, n, 0, 0, 0, 0)]]]
    parcels, _ = run([FakeSource(clock, *seconds, ENDED)], clock)
    assert clock.now_s > 29.0
    assert not any(parcel.loss for parcel in parcels)


def test_no_hello_in_time_is_a_loss_in_words():
    clock = Clock()
    silent = FakeSource(clock, hello=None)
    parcels, _ = run([silent, FakeSource(clock, ENDED)], clock)
    assert re.search(r"silent.*\b3\b", str(parcels[0].loss))


def test_an_error_of_another_kind_ends_it_and_is_handed_on():
    fault = ValueError("a defect")
    clock = Clock()
    parcels, _ = run([FakeSource(clock, [block(0)], fault)], clock)
    assert parcels[-1] == Parcel(failure=fault)


def test_told_to_finish_it_hands_on_what_has_arrived():
    polling, go_on = threading.Event(), threading.Event()

    class Waiting(FakeSource):
        def poll(self, timeout_s):
            if timeout_s == 0.0:
                return [block(99)]
            if self.asked == ["who", "start"]:
                polling.set()
                go_on.wait(5.0)
            return super().poll(timeout_s)

    clock = Clock()
    source = Waiting(clock, [block(0)])
    reader = Reader(lambda: source, clock=clock)
    reader.start()
    assert polling.wait(5.0)
    reader.finish()
    go_on.set()
    parcels = []
    while not parcels or not parcels[-1].ended:
        parcels.append(reader.parcels.get(timeout=5.0))
    reader.close()
    told = [int(i.samples["seq"][0]) for p in parcels[2:-1] for i in p.items]
    assert told == [0, 99]
    assert parcels[-1] == Parcel(ended=STOPPED)


def test_told_to_finish_while_the_link_is_down_it_ends_at_once():
    reader = Reader(lambda: FakeSource(Clock(), LOST))  # its own pause, half a second
    reader.start()
    while not reader.parcels.get(timeout=5.0).loss:
        pass
    reader.finish()
    assert reader.parcels.get(timeout=5.0) == Parcel(ended=STOPPED)
    reader.close()


def test_a_slow_receiver_makes_it_wait_and_nothing_is_dropped(monkeypatch):
    monkeypatch.setattr(module, "QUEUE_LENGTH", 3)
    monkeypatch.setattr(module, "POLL_S", 0.002)
    clock = Clock()
    source = FakeSource(clock, *[[block(n)] for n in range(20)], ENDED)
    reader = Reader(lambda: source, clock=clock)
    reader.start()
    reader._thread.join(0.02)
    assert reader.alive
    assert reader.parcels.full()
    numbers = []
    while not (parcel := reader.parcels.get(timeout=5.0)).ended:
        numbers += [int(i.samples["seq"][0]) for i in parcel.items if isinstance(i, RawBlock)]
    reader.close()
    assert numbers == list(range(20))


def test_closing_ends_it_though_nobody_receives(monkeypatch):
    monkeypatch.setattr(module, "QUEUE_LENGTH", 1)
    clock = Clock()
    source = FakeSource(clock, *[[block(n)] for n in range(20)])
    reader = Reader(lambda: source, clock=clock)
    reader.start()
    reader.close()
    reader.close()
    assert not reader.alive
    assert reader.parcels.qsize() == 1


def test_a_wrong_version_is_told_and_tried_again():
    clock = Clock()
    newer = FakeSource(clock, hello=Hello(2, "own-2", "AA", 7, 80.0, "none", None))
    parcels, _ = run([newer, FakeSource(clock, [Answer(0, "who", True)], ENDED)], clock)
    assert isinstance(parcels[0].loss, CoilbenchError)
    assert re.search(r"\b2\b.*protocol", str(parcels[0].loss))


@pytest.mark.parametrize("bad", [LOST, bytes(70_000)], ids=["lost", "nothing readable"])
def test_a_source_that_does_not_come_back_ends_it(bad):
    """A recording says the same each time: trying again would never end."""
    clock = Clock()
    source = FakeSource(clock, [block(0)], bad)
    source.comes_back = False
    parcels, pauses = run([source], clock)
    assert kind(parcels[-1]) == "failure"
    assert isinstance(parcels[-1].failure, SourceLost)
    assert pauses == []
