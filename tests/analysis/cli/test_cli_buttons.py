"""The rig's push-buttons, from the wire's flag bits to the count in the book."""

from __future__ import annotations

import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from coilbench.analysis.cli import run
from coilbench.capture.blocks import Hello, RawBlock, SampleFlag
from coilbench.capture.book.opening import open_book
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest, Step
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER, draw_set
from coilbench.capture.wire.format import encode

RIG = RigModel.draw(1)
REDO, ACCEPT = SampleFlag.REDO_PRESSED, SampleFlag.ACCEPT_PRESSED


@pytest.fixture
def book(calibrated_book: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(calibrated_book, tmp_path / "bench.db"))


def recorded(book: Path, plan: list[PressSpring | tuple[SampleFlag, ...]]) -> Path:
    """Record presses, and buttons pressed in the rests between them (in order, 0.5 s apart)."""
    steps: list[Step] = [Rest(2.0)]
    rests: dict[int, tuple[SampleFlag, ...]] = {}
    for what in plan:
        if isinstance(what, PressSpring):
            steps += [what, Rest(2.0)]
        else:
            rests[len(steps) - 1] = what
    bench = Bench(RIG, steps, 1)
    samples = np.concatenate([block.samples for block in bench.blocks()])
    for at, buttons in rests.items():
        for number, button in enumerate(buttons, start=1):
            # half a second after the stroke's end is known, each half a second after the last
            place = bench.spans[at].first_seq + round((0.5 + 0.5 * number) * RIG.rate_hz)
            samples["flags"][place] |= button
    with open_book(book) as db:
        boot_id = db.execute("SELECT boot_id FROM calibration_parts WHERE kind = 'travel'")
        hello = Hello(1, "own-1", RIG.device_id, boot_id.fetchone()[0], 92.7, "quadrature", 5.0)
    path = book.parent / "buttons.wire"
    path.write_bytes(encode(hello) + encode(RawBlock(samples)))
    return path


def test_buttons_redo_go_back_skip_and_finish_through_the_wire(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a, b = (PressSpring(spring, 26.0) for spring in draw_set(OUTER, 2, 1))
    wire = recorded(
        book,
        [
            *(a, a, (REDO,), a),  # the second stroke is taken back and pressed again
            *(b, (ACCEPT, ACCEPT)),  # b is put off after one stroke; it is the only one left
            *(b, (REDO, REDO)),  # its last is taken back, and then it is begun again
            *(b, b, (ACCEPT,)),  # done, and finished
        ],
    )
    options = ["--count", "2", "--conditioning", "0", "--strokes", "2", "--role", "outer"]
    assert run(["--book", str(book), "set", "new", "fir", *options]) == 0
    assert run(["--book", str(book), "daemon", "--port", f"recording:{wire}", "--set", "fir"]) == 0
    told = capsys.readouterr().out
    for words in (
        "fir-01.*counts",
        "fir-02.*spring",
        "fir-02.*counts",
        "fir-02.*stroke",
        "the set fir is done",
    ):
        assert re.search(words, told)
    with closing(sqlite3.connect(book)) as db:
        rows = db.execute(
            "SELECT label, counted, note FROM sweeps JOIN springs ON springs.id = spring_id"
            " ORDER BY sweeps.rowid"
        ).fetchall()
        (reason,) = db.execute("SELECT ended_reason FROM sessions").fetchone()
    assert rows == [
        ("fir-01", 1, None),
        ("fir-01", 0, '[{"kind": "redone"}]'),
        ("fir-01", 1, None),
        ("fir-02", 0, '[{"kind": "measured_again"}]'),
        ("fir-02", 0, '[{"kind": "redone"}]'),
        ("fir-02", 1, None),
        ("fir-02", 1, None),
    ]
    assert reason == "set done"
