"""Polling a port that can't be waited on, on a clock of the test's own."""

import errno
import io

import pytest
import serial

from coilbench.capture.blocks import Hello
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.serial_port import SerialSource
from coilbench.capture.wire.format import encode

HELLO = Hello(1, "own-2", "00112233445566AA", 7, 80.0, "none", None)


class ScriptedPort:
    """Gives bytes and errors in turn; like a Windows port it has no file number."""

    def __init__(self, *script):
        self.script = list(script)
        self.closed = False

    def read(self, size):
        if not self.script:
            return b""
        step = self.script.pop(0)
        if isinstance(step, Exception):
            raise step
        return step

    def write(self, data):
        raise serial.SerialTimeoutException("Write timeout")

    def fileno(self):
        raise io.UnsupportedOperation("fileno")

    def close(self):
        self.closed = True
        raise OSError(errno.EIO, "Input/output error")


class Clock:
    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s

    def sleep(self, duration_s):
        assert duration_s > 0
        self.now_s += duration_s


def scripted(*script):
    clock = Clock()
    return SerialSource("fake", ScriptedPort(*script), clock=clock, sleep=clock.sleep), clock


def test_silence_ends_at_the_timeout():
    source, clock = scripted()
    assert source.poll(0.3) == []
    assert clock.now_s == pytest.approx(100.3)


def test_no_waiting_at_all():
    source, clock = scripted(b"", encode(HELLO))
    assert source.poll(0.0) == []
    assert clock.now_s == 100.0


def test_a_byte_at_a_time_is_gathered():
    line = encode(HELLO)
    source, _ = scripted(*(line[at : at + 1] for at in range(len(line))))
    assert source.poll(0.0) == [HELLO]


def test_what_came_before_the_port_went_is_handed_on_first():
    source, _ = scripted(encode(HELLO), serial.SerialException("socket disconnected"))
    assert source.poll(0.1) == [HELLO]
    with pytest.raises(SourceLost, match="unplugged"):
        source.poll(0.1)


def test_a_line_waits_a_moment_for_the_next_ones():
    line = encode(HELLO)
    source, clock = scripted(b"", line, line + line)
    assert source.poll(0.3) == [HELLO] * 3
    assert clock.now_s < 100.06


def test_it_waits_longer_where_nobody_is_in_a_hurry_and_little_comes():
    line = encode(HELLO)
    source, clock = scripted(b"", line, line, b"", line, line)
    source.gather_s = 0.2
    source.poll(0.3)  # how much comes is not known yet
    begun_s = clock.now_s
    assert source.poll(0.3) == [HELLO] * 2
    assert clock.now_s - begun_s == pytest.approx(0.2, abs=0.006)


def test_it_wakes_once_a_poll_while_as_much_comes_as_before():
    slept = []

    class Flowing(ScriptedPort):
        sent = 0

        def read(self, size):
            now = int((clock.now_s - 100.0) * 30.0)  # lines a second
            said, self.sent = encode(HELLO) * (now - self.sent), now
            return said

    def sleep(duration_s):
        slept.append(duration_s)
        clock.sleep(duration_s)

    clock = Clock()
    source = SerialSource("fake", Flowing(), clock=clock, sleep=sleep)
    source.gather_s = 0.2
    source.poll(0.3)
    slept.clear()
    assert [len(source.poll(0.3)) for _ in range(5)] == [6] * 5
    assert slept == pytest.approx([0.2] * 5)


@pytest.mark.parametrize("bytes_per_s", [500, 25_000, 100_000])
def test_what_waits_never_fills_a_ports_4096_bytes(bytes_per_s):
    """25 000 bytes a second are all that a line of 250 000 baud carries (8N1, ten bits a byte)."""

    class Filling(ScriptedPort):
        most, taken_s = 0, 100.0

        def read(self, size):
            waiting = int((clock.now_s - self.taken_s) * bytes_per_s)
            self.most, self.taken_s = max(self.most, waiting), clock.now_s
            return b"x" * waiting

    clock, port = Clock(), Filling()
    source = SerialSource("fake", port, clock=clock, sleep=clock.sleep)
    source.gather_s = 0.25
    for _ in range(20):
        source.poll(0.3)
    assert 0 < port.most <= 4096


def test_what_waited_for_room_in_a_full_port_comes_in_the_same_piece():
    """A pseudo-terminal keeps 4095 bytes; its sender goes on once they were taken."""

    class Filled(ScriptedPort):
        taken_s, waiting = -1.0, encode(HELLO) * 200

        def read(self, size):
            if clock.now_s == self.taken_s:
                return b""
            self.taken_s, given = clock.now_s, self.waiting[:4095]
            self.waiting = self.waiting[4095:]
            return given

    clock = Clock()
    source = SerialSource("fake", Filled(), clock=clock, sleep=clock.sleep)
    assert len(encode(HELLO) * 200) > 3 * 4095
    assert source.poll(0.3) == [HELLO] * 200
    assert clock.now_s < 100.02


def test_a_line_does_not_wait_beyond_the_timeout():
    source, clock = scripted(b"", encode(HELLO))
    assert source.poll(0.02) == [HELLO]
    assert clock.now_s <= 100.02 + 1e-9


def test_a_line_is_handed_on_though_the_port_goes_while_it_waits():
    source, _ = scripted(b"", encode(HELLO), b"", serial.SerialException("disconnected"))
    assert source.poll(0.3) == [HELLO]
    with pytest.raises(SourceLost, match="unplugged"):
        source.poll(0.1)


def test_a_port_that_goes_where_as_much_as_before_was_awaited_is_told_by_that_poll():
    line = encode(HELLO)
    source, _ = scripted(line, line, b"", OSError(errno.EIO, "gone"))
    assert HELLO in source.poll(1.0)
    with pytest.raises(SourceLost):
        source.poll(1.0)


def test_silence_after_samples_ends_at_the_timeout_too():
    line = encode(HELLO)
    source, clock = scripted(line, line)
    source.poll(1.0)
    begun_s = clock.now_s
    assert source.poll(1.0) == []
    assert clock.now_s == pytest.approx(begun_s + 1.0)


def test_a_flood_does_not_hold_the_reader():
    source, _ = scripted(*[b"x" * 4095 + b"\n"] * 100)
    source.poll(0.0)
    assert 16_384 <= source.counters.bytes_in < 16_384 + 4096


def test_a_port_that_takes_no_bytes():
    source, _ = scripted()
    with pytest.raises(SourceLost, match=r"bytes.*\b1\b"):
        source.request("who")


def test_closing_a_port_that_is_gone_is_quiet():
    source, _ = scripted()
    source.close()
    assert source._port.closed
