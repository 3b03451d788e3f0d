"""`virtual:` as a source."""

import numpy as np
import pytest

from coilbench.capture.blocks import Item, RawBlock, Restarted
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import Source, SourceEnded
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.virtual import open_virtual


def read_until(source: Source, gone: type[CoilbenchError]) -> list[Item]:
    items: list[Item] = []
    for _ in range(100_000):
        try:
            items += source.poll(2.0)
        except gone:
            return items
    pytest.fail("it never came to its end")


def samples_of(items: list[Item]) -> np.ndarray:
    return np.concatenate([item.samples for item in items if isinstance(item, RawBlock)])


def test_it_presses_its_springs_and_ends() -> None:
    with open_source("virtual:?pace=fast&springs=2&presses=3&seed=4") as source:
        samples = samples_of(read_until(source, SourceEnded))
        assert source.counters.samples_lost == source.counters.bytes_bad == 0
    np.testing.assert_array_equal(samples["seq"], np.arange(len(samples)))
    pressed = samples["load_counts"] - samples["load_counts"][:50].mean() > 100_000
    assert np.count_nonzero(np.diff(pressed.astype(int)) == 1) == 2 * 3


def test_the_same_address_repeats_itself() -> None:
    runs = []
    for link in ("pty", "socket"):
        with open_virtual(f"virtual:?pace=fast&springs=1&seed=9&link={link}") as source:
            runs.append(samples_of(read_until(source, SourceEnded)))
    np.testing.assert_array_equal(runs[0], runs[1])


def test_faults_come_through() -> None:
    with open_virtual("virtual:?pace=fast&springs=2&restart=5&flip=1e-4") as source:
        items = read_until(source, SourceEnded)
        assert source.counters.restarts == 1
        assert source.counters.lines_bad > 0
    assert any(isinstance(item, Restarted) for item in items)


def test_an_unplugged_rig_is_lost_not_ended() -> None:
    with open_virtual("virtual:?pace=fast&springs=2&unplug=4") as source:
        read_until(source, SourceLost)
        with pytest.raises(SourceLost) as caught:
            source.poll(0.0)
        assert caught.value.where == source.url


def test_it_takes_requests_and_closes_twice() -> None:
    source = open_virtual("virtual:?pace=fast&ends=0&springs=0")
    source.poll(2.0)
    source.request("stop")
    source.close()
    source.close()


def test_a_silent_rig_only_times_out() -> None:
    with open_virtual("virtual:?silent=1") as source:
        assert source.poll(0.01) == []
        assert source.counters.bytes_in == 0


def test_a_wrong_key_is_named_and_nothing_is_left_open() -> None:
    with pytest.raises(CoilbenchError, match="springs=many"):
        open_virtual("virtual:?springs=many")
