"""What a line does to bytes: noise, the wrong baud rate, a cable pulled at any byte."""

import io

import numpy as np
import pytest

from coilbench.capture.blocks import RawBlock
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import identify
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.serial_port import SerialSource
from coilbench.capture.strokes.stored import unpack
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest
from coilbench.capture.virtual.firmware import Damage, Faults, Firmware
from coilbench.capture.virtual.spring import OUTER, draw_set
from coilbench.capture.wire.decode import Decoder
from coilbench.capture.wire.format import SAMPLE_LENGTH
from support import stage as scene

RIG = scene.RIG
STEPS = [Rest(1.0), PressSpring(draw_set(OUTER, 1, 4)[0], 26.0), Rest(1.0)]


def wire_of(steps, seed=4):
    firmware = Firmware(RIG, Bench(RIG, steps, seed).blocks(), seed=seed)
    return b"".join(frame.data for frame in firmware.frames())


def samples_of(items):
    blocks = [item.samples for item in items if isinstance(item, RawBlock)]
    return np.concatenate(blocks) if blocks else np.empty(0, scene.PRESS.dtype)


WIRE = wire_of(STEPS)
LONG = wire_of([Rest(300.0)])
TRUTH = samples_of(Decoder().feed(LONG))


@pytest.mark.parametrize("probability", [1e-6, 1e-5, 1e-4, 1e-3, 1e-2])
@pytest.mark.parametrize("what", ["flip_probability", "drop_probability"])
def test_line_noise_costs_lines_and_never_a_wrong_number(what, probability):
    """Every sample that comes through is the rig's to the last bit, every other one is counted."""
    noisy = Damage(Faults(**{what: probability}), 7).apply(LONG)
    decoder = Decoder()
    heard = samples_of(decoder.feed(noisy))
    counters = decoder.counters
    np.testing.assert_array_equal(heard, TRUTH[heard["seq"] - TRUTH["seq"][0]])
    assert len(heard) + counters.samples_lost == heard["seq"][-1] - heard["seq"][0] + 1
    assert counters.bytes_in == counters.bytes_good + counters.bytes_bad + counters.bytes_pending
    assert counters.restarts == 0
    survive = (1.0 - probability) ** SAMPLE_LENGTH
    spread = np.sqrt(len(TRUTH) * survive * (1.0 - survive))
    assert abs(len(heard) - len(TRUTH) * survive) < 5.0 * spread + 1.0


def heard_at(data, sent_baud, read_baud):
    """Return what a receiver at another rate makes of bytes: 8 data bits, no parity, one stop.

    It waits for the line to fall, then looks at the middle of each of its own bits.
    """
    bits = np.concatenate(
        [[1], np.array([(0, *((byte >> n) & 1 for n in range(8)), 1) for byte in data]).ravel()]
    )
    falls = np.flatnonzero(np.diff(bits) < 0) + 1  # in bits of the sender
    per_bit = sent_baud / read_baud
    heard, at = bytearray(), 0.0
    while (found := np.searchsorted(falls, at)) < len(falls):
        looks = falls[found] + per_bit * (1.5 + np.arange(8))
        if looks[-1] + per_bit >= len(bits):
            break
        heard.append(int(bits[looks.astype(int)] @ (1 << np.arange(8))))
        at = falls[found] + 9.5 * per_bit
    return bytes(heard)


class Line:
    """A port that gives pieces of bytes, raises an error for an error, and then is silent."""

    def __init__(self, *pieces):
        self._pieces = list(pieces)
        self.now_s = 0.0

    def read(self, _size):
        piece = self._pieces.pop(0) if self._pieces else b""
        if isinstance(piece, Exception):
            raise piece
        return piece

    def write(self, _data):
        pass

    def fileno(self):
        raise io.UnsupportedOperation

    def close(self):
        pass

    def clock(self):
        return self.now_s

    def sleep(self, seconds):
        self.now_s += seconds

    def source(self):
        return SerialSource("line:", self, clock=self.clock, sleep=self.sleep)


def test_the_receiver_of_these_tests_hears_right_at_the_right_rate():
    assert heard_at(WIRE[:2000], 250_000, 250_000) == WIRE[: len(heard_at(WIRE[:2000], 1, 1))]
    assert len(heard_at(WIRE[:2000], 1, 1)) >= 1999
    assert heard_at(WIRE[:2000], 250_000, 255_000)[:1999] == WIRE[:1999]  # 2 % off is near enough


@pytest.mark.parametrize("baud", [9600, 57_600, 115_200, 230_400, 500_000, 1_000_000])
def test_at_the_wrong_baud_rate_nothing_is_read_and_the_cause_is_said(baud):
    line = Line(heard_at(WIRE[:8000], 250_000, baud))
    source = line.source()
    with pytest.raises(CoilbenchError, match=r"not one good line: .*the wrong baud rate") as said:
        identify(source, 3.0, line.clock)
    assert "?baud=250000" in str(said.value.hint)
    assert source.counters.samples == 0


def test_a_cable_pulled_at_any_byte_gives_the_whole_lines_before_it():
    first = WIRE.index(b"\nS ") + 1
    for cut in range(first, first + 3 * SAMPLE_LENGTH + 1):
        source = Line(WIRE[:cut], OSError(5, "Input/output error")).source()
        heard = samples_of(source.poll(0.0))
        assert len(heard) == (cut - first) // SAMPLE_LENGTH
        with pytest.raises(SourceLost, match="the port is gone"):
            source.poll(0.0)
        with pytest.raises(SourceLost):
            source.poll(0.0)


@pytest.mark.parametrize("seed", range(6))
def test_a_cable_pulled_in_a_stroke_keeps_it_up_to_the_last_whole_line(make_book, seed):
    """And plugged in again the next stroke is read as if nothing had been."""
    book = make_book(RIG)
    pressed = samples_of(Decoder().feed(WIRE))["travel_counts"]
    middle = np.flatnonzero(pressed > 0.5 * pressed.max())
    starts = [at for at in range(len(WIRE)) if WIRE.startswith(b"S ", at)]
    cut = int(np.random.default_rng(seed).integers(starts[middle[0]], starts[middle[-1]]))
    whole = samples_of(Decoder().feed(WIRE[: WIRE.rindex(b"\n", 0, cut) + 1]))
    clock = scene.Clock()

    def opened(*pieces):
        line = Line(*pieces)
        return SerialSource("fake:", line, clock=clock, sleep=lambda s: clock_on(clock, s))

    gone = OSError(5, "Input/output error")
    again = opened(WIRE, gone)
    run = scene.Stage(
        book, opened(WIRE[:cut], gone), again, scene.ENDED, set_name="larch", clock=clock
    )
    run.run()
    torn, complete = scene.sweeps(book)
    assert (torn["status"], complete["status"]) == ("interrupted", "complete")
    kept = unpack(torn["samples_format"], torn["samples_blob"])
    np.testing.assert_array_equal(kept, whole[len(whole) - len(kept) :])


def clock_on(clock, seconds):
    clock.now_s += seconds
