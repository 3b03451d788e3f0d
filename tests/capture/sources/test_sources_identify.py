"""Asking who is there, on a scripted source and a clock of our own."""

import re
from pathlib import Path

import pytest

from coilbench.capture.blocks import Answer, Hello, RawBlock
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import identify
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.wire.decode import Decoder
from coilbench.capture.wire.format import close_line, encode

GOLDEN = Path(__file__).parents[2] / "golden"
HELLO = Hello(1, "own-2", "00112233445566AA", 7, 80.0, "none", None)


class ScriptedSource:
    """Gives a step of the script at each poll, then silence; time passes only in poll."""

    url = "fake"

    def __init__(self, *script):
        self.script = list(script)
        self.decoder = Decoder()
        self.now_s = 0.0
        self.asked_s = []

    @property
    def counters(self):
        return self.decoder.counters

    def clock(self):
        return self.now_s

    def request(self, word):
        assert word == "who"
        self.asked_s.append(self.now_s)

    def poll(self, timeout_s):
        assert timeout_s > 0
        self.now_s += timeout_s
        step = self.script.pop(0) if self.script else b""
        if isinstance(step, Exception):
            raise step
        return self.decoder.feed(step)


def test_a_hello_and_what_came_with_it():
    before = (GOLDEN / "joined-midline.wire").read_bytes()[:300]
    answer = encode(Answer(0, "who", True))
    source = ScriptedSource(before, b"", b"\n" + answer + encode(HELLO)[:30],
                            encode(HELLO)[30:] + answer)  # fmt: skip
    hello, items = identify(source, 3.0, source.clock)
    assert hello == HELLO
    kinds = [type(item) for item in items]
    assert kinds == [RawBlock, Answer, Hello, Answer]
    assert sum(len(i) for i in items if isinstance(i, RawBlock)) == source.counters.samples > 0


def test_a_board_that_starts_late_is_asked_again():
    source = ScriptedSource(*[b""] * 24, encode(HELLO))
    identify(source, 5.0, source.clock)
    assert source.asked_s == pytest.approx([0.0, 1.0, 2.0], abs=0.25)  # to the nearest poll


def said(source, timeout_s=2.0):
    with pytest.raises(CoilbenchError) as caught:
        identify(source, timeout_s, source.clock)
    return str(caught.value)


def test_silence():
    source = ScriptedSource()
    words = said(source)
    assert re.search(r"silent.*\b2\b", words)
    assert "coilbench rig find" in words
    assert source.now_s == pytest.approx(2.0)


@pytest.mark.parametrize("name", ["wrong-baud", "another-device"])
def test_bytes_that_mean_nothing(name):
    data = (GOLDEN / f"{name}.wire").read_bytes()
    words = said(ScriptedSource(data))
    assert f"{len(data)} bytes in 2 s, but not one good line" in words
    assert "baud" in words


@pytest.mark.parametrize("garbage", [b"\x00", b"\n", b"\xff\n", b"S 0007 "])
def test_endless_garbage_is_not_our_rig(garbage):
    source = ScriptedSource(*[(garbage * 16_384)[:16_384]] * 99)
    assert "nothing readable in 64 KiB" in said(source)
    assert len(source.script) == 95  # it was not listened to any longer


def test_a_rig_that_does_not_hear():
    data = (GOLDEN / "joined-midline.wire").read_bytes()
    assert re.search(r"\b78 samples.*\b2 s", said(ScriptedSource(data)))


def test_another_version_names_both():
    words = said(ScriptedSource((GOLDEN / "version-2.wire").read_bytes()))
    assert re.search(r"\b2\b.*protocol.*\b1\b", words)
    words = said(ScriptedSource(close_line("H proto=3 fw=own-9")))
    assert re.search(r"own-9.*version.*\b3\b", words)


def test_a_lost_port_stays_a_lost_port():
    source = ScriptedSource(SourceLost("port_unplugged", where="fake"))
    with pytest.raises(SourceLost):
        identify(source, 2.0, source.clock)


def test_a_recording_with_and_without_a_hello():
    with open_source(f"recording:{GOLDEN / 'adc-dead.wire'}") as source:
        hello, items = identify(source, 2.0)
        assert hello.boot_id == 7
        assert sum(len(i) for i in items if isinstance(i, RawBlock)) == 104
    with (
        open_source(f"recording:{GOLDEN / 'joined-midline.wire'}") as source,
        pytest.raises(CoilbenchError, match="no hello by its end"),
    ):
        identify(source, 2.0)
