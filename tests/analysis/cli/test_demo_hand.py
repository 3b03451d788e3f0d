"""The demo's hand follows the capture: a stroke that is left out is pressed again, in its turn."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from bench_strokes import turned_into
from coilbench.analysis.cli.demo import Hand
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources import open_source
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import VirtualPort
from coilbench.capture.virtual.spring import INNER, SpringModel, draw_set
from support.capture_books import book_maker

RIG = RigModel.draw(4)
ONE, TWO = draw_set(INNER, 2, 4)
STIFFER = replace(TWO, rate_n_per_mm=1.12 * ONE.rate_n_per_mm)  # so that a mix-up would show
AT_MM = 30.0


class Rubbing(SpringModel, frozen=True):
    """A spring that rubs in one press: it stands askew there."""

    odd_press: int = 2

    def pressed_load_n(
        self, height_mm: np.ndarray[tuple[int], np.dtype[np.float64]], presses_before: int = 1000
    ) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        plain = turned_into(self, SpringModel)
        rubs = presses_before == self.odd_press
        one = replace(plain, friction_fraction=6.0 * plain.friction_fraction) if rubs else plain
        return one.pressed_load_n(height_mm, presses_before)


@pytest.mark.parametrize(
    ("odd_press", "said"),
    [(1, "stroke_refused"), (2, "stroke_left_out"), (3, "stroke_refused"), (99, None)],
)
def test_a_press_that_replaces_an_odd_one_is_of_the_same_spring(
    tmp_path: Path, odd_press: int, said: str | None
) -> None:
    book = book_maker(tmp_path)(RIG, measured=3, device_id=RIG.device_id)
    springs = {
        "larch-01": turned_into(ONE, Rubbing, odd_press=odd_press),
        "larch-02": turned_into(STIFFER, Rubbing, odd_press=99),
    }
    events, sessions = [], []
    hand = Hand(springs, lambda: sessions[0].snapshot, lambda word: sessions[0].submit(word))
    port = VirtualPort(Firmware(RIG, hand.blocks(RIG, 4), seed=4))

    def opened():  # type: ignore[no-untyped-def]
        source = open_source(port.url)
        port.start()
        return source

    sessions.append(Session(CaptureRequest(book, "larch", port.url), opened, events.append))
    with port:
        last = sessions[0].run()
        hand.leave()
    kinds = [event.what.kind for event in events]
    assert [kind for kind in kinds if kind.startswith("stroke_") and kind != "stroke_kept"] == (
        [] if said is None else [said]
    )
    assert (kinds[-1], last.turn) == ("set_done", None)
    with open_book(book) as db:
        pressed = [label for (label,) in db.execute(
            "SELECT label FROM sweeps JOIN springs ON springs.id = spring_id ORDER BY sweeps.rowid"
        )]  # fmt: skip
        counted = load_sweeps(db, find_set(db, "larch"))
    assert pressed == ["larch-01"] * (4 + (said is not None)) + ["larch-02"] * 4
    for label, strokes in counted.items():
        assert len(strokes) == 3
        for one in strokes:
            loads = [
                np.interp(AT_MM, way.height_mm[::turn], way.load_n[::turn])
                for way, turn in ((one.loading, -1), (one.unloading, 1))
            ]
            assert np.mean(loads) == pytest.approx(float(springs[label].load_n(AT_MM)), rel=0.02)
