"""Replaying a file of raw bytes."""

from pathlib import Path

import pytest

from coilbench.capture.blocks import Hello, Restarted
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import SourceEnded
from coilbench.capture.wire.decode import Decoder

GOLDEN = Path(__file__).parents[2] / "golden"


def test_replay_is_what_the_decoder_says_then_the_end():
    path = GOLDEN / "restart.wire"
    decoder = Decoder()
    wanted = decoder.feed(path.read_bytes())
    with open_source(f"recording:{path}") as source:
        items = source.poll(0.0)
        assert source.url == f"recording:{path}"
        assert [type(item) for item in items] == [type(item) for item in wanted]
        assert {Hello, Restarted} <= {type(item) for item in items}
        assert source.counters == decoder.counters
        source.request("who")
        for _ in range(2):
            with pytest.raises(SourceEnded, match="at its end"):
                source.poll(1.0)
    source.close()
    with pytest.raises(SourceEnded):
        source.poll(0.0)


def test_a_long_recording_comes_in_pieces(tmp_path):
    path = tmp_path / "long.wire"
    path.write_bytes((GOLDEN / "joined-midline.wire").read_bytes() * 60)
    with open_source(f"recording:{path}") as source:
        source.poll(0.0)
        assert 0 < source.counters.bytes_in < path.stat().st_size
        while source.counters.bytes_in < path.stat().st_size:
            source.poll(0.0)
        with pytest.raises(SourceEnded):
            source.poll(0.0)


def test_no_such_file(tmp_path):
    with pytest.raises(CoilbenchError, match=r"none.wire: .*No such file") as caught:
        open_source(f"recording:{tmp_path / 'none.wire'}")
    assert "recording:bench.wire" in str(caught.value)


def test_a_folder(tmp_path):
    with pytest.raises(CoilbenchError, match="can't be read"):
        open_source(f"recording:{tmp_path}")


def test_an_empty_file(tmp_path):
    (tmp_path / "empty.wire").touch()
    with pytest.raises(CoilbenchError, match="the recording is empty"):
        open_source(f"recording:{tmp_path / 'empty.wire'}")


def test_a_disk_that_fails_while_reading(tmp_path):
    from coilbench.capture.sources.recording import RecordingSource

    class Failing:
        closed = False

        def read(self, size):
            raise OSError(5, "Input/output error")

    with pytest.raises(CoilbenchError, match="Input/output error"):
        RecordingSource("recording:x", Failing()).poll(0.0)
