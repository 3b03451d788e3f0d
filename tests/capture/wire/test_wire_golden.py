"""Recorded bytes replayed through the decoder; the counters are worked out from the damage."""

import json
from pathlib import Path

import pytest
from msgspec.structs import asdict

from coilbench.capture.blocks import Fault, Hello, Restarted
from coilbench.capture.wire.decode import Decoder

GOLDEN = sorted((Path(__file__).parents[2] / "golden").glob("*.wire"))


@pytest.mark.parametrize("path", GOLDEN, ids=lambda path: path.stem)
@pytest.mark.parametrize("size", [1, 61, 1 << 20])
def test_counters(path, size):
    expected = json.loads(path.with_suffix(".json").read_text())
    del expected["what"]
    decoder, data = Decoder(), path.read_bytes()
    for at in range(0, len(data), size):
        decoder.feed(data[at : at + size])
    assert asdict(decoder.counters) == expected


def items_of(name):
    (path,) = (path for path in GOLDEN if path.stem == name)
    return Decoder().feed(path.read_bytes())


def test_restart_is_told_before_the_hello():
    items = items_of("restart")
    at = next(n for n, item in enumerate(items) if isinstance(item, Restarted))
    assert items[at] == Restarted(0xA2)
    assert isinstance(items[at + 1], Hello)


def test_an_unheard_restart_is_told_before_its_first_sample():
    items = items_of("restart-unheard")
    kinds = [type(item).__name__ for item in items]
    assert kinds == ["Hello", "RawBlock", "Restarted", "RawBlock", "Tally", "RawBlock"]
    assert [getattr(item, "boot_id", None) for item in items[1:]] == [0xA1, None, None, 0xA2, 0xA2]


def test_a_dead_adc_says_so_until_it_is_back():
    faults = [item for item in items_of("adc-dead") if isinstance(item, Fault)]
    assert [fault.standing for fault in faults] == [True] * 4 + [False]


def test_there_are_golden_files():
    assert len(GOLDEN) >= 9
