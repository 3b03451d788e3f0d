"""What is fuzzed: each takes any bytes and fails an assertion where the program would be wrong."""

import json
import math
import re
from itertools import pairwise

import numpy as np

from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.capture.blocks import RawBlock
from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Snapshot
from coilbench.capture.running.control import answer, read_done, read_snapshot
from coilbench.capture.tables.columns import read_points
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.keyed import KeyedReading
from coilbench.capture.tables.sweep_files import read_sweep_file
from coilbench.capture.wire.decode import Decoder
from plain_parser import plain_samples

_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?")
_TURN = 1 << 32


def wire(data: bytes) -> None:
    """Bytes balance however they are cut, and every sample is what a plain parser reads."""
    cut = data[0] if data else 0
    stream = data[1:]
    decoder, items = Decoder(), []
    for piece in (stream[:cut], stream[cut : 3 * cut], stream[3 * cut :]):
        items += decoder.feed(piece)
        counters = decoder.counters
        total = counters.bytes_good + counters.bytes_bad + counters.bytes_pending
        assert counters.bytes_in == total
    samples = [item.samples for item in items if isinstance(item, RawBlock)]
    heard = np.concatenate(samples) if samples else []
    plain = plain_samples(stream)
    assert len(heard) == len(plain)
    for sample, (seq, t_us, load, travel, flags) in zip(heard, plain, strict=True):
        assert int(sample["seq"]) & 0xFFFF == seq
        assert int(sample["t_us"]) % _TURN == t_us
        assert (sample["load_counts"], sample["travel_counts"]) == (load, travel)
        assert sample["flags"] == flags
    for block in samples:
        assert all(after > before for before, after in pairwise(block["seq"].tolist()))


def _said(error: CoilbenchError) -> None:
    assert error.what
    assert len(error.what.splitlines()) == 1


def csv_files(data: bytes) -> None:
    """A table, or a sentence; and a number that needs no thought is read as it stands."""
    try:
        table = read_table(data, "f.csv")
    except CoilbenchError as error:
        _said(error)
        return
    for column in range(len(table.columns)):
        cells = [row[column] for row in table.rows]
        if not all(_PLAIN_NUMBER.fullmatch(cell) for cell in cells):
            continue
        try:
            (values,) = table.numbers(table.columns[column])
        except CoilbenchError as error:
            _said(error)
            continue
        assert values.tolist() == [float(cell.replace(",", ".")) for cell in cells]
    for kind in (LoadPoint, GaugePoint, FlexPoint, None):
        try:
            read_sweep_file(table) if kind is None else read_points(table, kind)
        except CoilbenchError as error:
            _said(error)


def build_file(data: bytes) -> None:
    """A build with finite numbers, or a sentence."""
    text = data.decode("utf-8", "replace")
    try:
        build = parse_build(text, "build.toml")
    except CoilbenchError as error:
        _said(error)
        return
    assert math.isfinite(build.cam.valve_lift_mm)
    assert build.cam.valve_lift_mm > 0.0
    assert math.isfinite(build.head.installed_height_mm)


def note(data: bytes) -> None:
    """A reading, or a sentence."""
    try:
        KeyedReading.parse(data.decode("utf-8", "replace"))
    except CoilbenchError as error:
        _said(error)


class _Session:
    snapshot = Snapshot("larch", "usb:")

    def __init__(self) -> None:
        self.commands = 0

    def submit(self, _command: object) -> None:
        self.commands += 1


def control(data: bytes) -> None:
    """One line of JSON comes back, and a command is taken only where it says so."""
    session = _Session()
    reply = answer(data, session)
    said = json.loads(reply)
    assert reply.endswith(b"\n")
    assert reply.count(b"\n") == 1
    assert ("done" in said) == (session.commands == 1)
    for read in (read_done, read_snapshot):
        try:
            read(data)
        except CoilbenchError as error:
            _said(error)


TARGETS = {
    "wire": wire,
    "csv": csv_files,
    "build": build_file,
    "note": note,
    "control": control,
}
