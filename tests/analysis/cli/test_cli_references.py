"""Masses and gauges that are not what they are taken for, at the commands: asked, or refused."""

from __future__ import annotations

import json
import math
import re
import shutil
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.cli import run
from coilbench.capture.book.calibrations import newest_part
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.scales import part_points
from coilbench.capture.calibration.polynomial import evaluate
from coilbench.capture.virtual.bench import (
    Bench,
    FacesTogether,
    GaugeBlock,
    PauseInAir,
    PutMass,
    Rest,
    Step,
)
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import VirtualPort

pytest.importorskip("termios")
from support.shared import made_once
from support.terminal import Terminal

RIG = RigModel.draw(6)
REST = Rest(4.0)
FIRST = Rest(40.0)  # a port that is opened drops what has come in before
SLIP = (FIRST, FacesTogether(4.0), REST, PauseInAir(10.0, 4.0), REST)
# More than the points need, so that the end of the samples is no part of the story.
AFTER = Rest(60.0)


@contextmanager
def rig_doing(*steps: Step, endless: bool = False, boot: int = 0) -> Iterator[str]:
    """Give the address of a rig on which a hand does these steps, as fast as it is read."""
    blocks = Bench(RIG, steps, 2).blocks(endless=endless)
    with VirtualPort(Firmware(RIG, blocks, seed=boot)) as port:
        port.start()
        yield port.url


class Desk:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.book = folder / "book.db"
        self._folder, self._capsys = folder, capsys
        self.out = self.err = ""

    def rig(self, *arguments: str) -> int:
        status = run(["--book", str(self.book), "rig", *arguments])
        self.out, self.err = self._capsys.readouterr()
        assert "Traceback" not in self.err
        return status

    def gauge(self, *steps: Step, more: tuple[str, ...], boot: int = 0) -> int:
        with rig_doing(*steps, AFTER, boot=boot) as url:
            return self.rig("gauge", "--port", url, *more)

    def file(self, text: str) -> str:
        path = self._folder / "points.csv"
        path.write_text(text)
        return str(path)

    def load_of_this_rig(self) -> None:
        """Calibrate the load as it really is."""
        masses = (0.0, 10.0, 20.0, 40.0)
        counts = RIG.cell_counts(RIG.gravity_m_per_s2 * np.array(masses))
        rows = "".join(f"{m:g},{c:.1f}\n" for m, c in zip(masses, counts, strict=True))
        assert self.rig("weigh", "--from", self.file(f"mass_kg,counts\n{rows}")) == 0

    def part(self, kind: str):
        if not self.book.exists():
            return None
        with open_book(self.book) as db:
            part = newest_part(db, kind)
            return None if part is None else replace(part, points=part_points(db, part.part_id))

    def notes(self, kind: str) -> set[str]:
        return {note.kind for note in self.part(kind).notes}


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(tmp_path, capsys)


def test_a_pause_in_the_air_is_not_stored_for_a_gauge(desk: Desk) -> None:
    desk.load_of_this_rig()
    assert desk.gauge(*SLIP, more=("--lengths", "0mm,20mm,40mm")) == 2
    assert "not a gauge" in desk.out
    assert "1 point of 3 kept" in desk.err
    assert desk.part("travel") is None


def test_without_a_load_calibration_the_step_of_the_hello_tells(desk: Desk) -> None:
    assert desk.gauge(*SLIP, more=("--lengths", "0mm,20mm,40mm")) == 2
    assert "whether the quill touches cannot be checked" in desk.err
    assert re.search(r"-0\.0\d+ mm a count, and the scale states -0\.005", desk.out)
    assert "y:" not in desk.out  # nobody is there to answer
    assert desk.part("travel") is None


def test_two_lengths_are_stored_with_what_was_not_checked(desk: Desk) -> None:
    good = (FIRST, FacesTogether(4.0), REST, GaugeBlock(20.0, 4.0))
    assert desk.gauge(*good, more=("--lengths", "0mm,20mm")) == 0
    assert "cannot show an error" in desk.err
    assert desk.notes("travel") >= {"two_gauges", "touch_unchecked", "step_agrees"}
    assert desk.rig("card") == 2  # the load is still to come
    desk.load_of_this_rig()
    assert desk.rig("card") == 0
    assert "Linearity was not checked" in desk.out
    assert "whether the quill touched" in desk.out.lower()


def test_a_step_that_is_insisted_on_is_stored_and_named_and_asked_about_again(desk: Desk) -> None:
    assert desk.gauge(*SLIP, more=("--lengths", "0mm,20mm", "--accept-step")) == 0
    assert "step_off" in desk.notes("travel")
    datum = (FIRST, GaugeBlock(30.0, 4.0))
    assert desk.gauge(*datum, more=("--datum", "30mm")) == 2
    assert "--accept-step" in desk.err
    assert desk.gauge(*datum, more=("--datum", "30mm", "--accept-step")) == 2
    assert "--accept-datum" in desk.err  # the step was wrong, and so is what the stop reads by it
    believed = ("--accept-step", "--accept-datum")
    assert desk.gauge(*datum, more=("--datum", "30mm", *believed)) == 0


def on_gauges(*lengths_mm: float) -> tuple[Step, ...]:
    """A quill that rests, then stands on one gauge after the other."""
    return FIRST, *(one for mm in lengths_mm for one in (REST, GaugeBlock(mm, 4.0)))


GOOD, GOOD_TYPED = on_gauges(20.0, 30.0, 40.0), ("--lengths", "20mm,30mm,40mm")


@pytest.fixture(scope="module")
def gauged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book whose travel was calibrated on gauges of the lengths typed, at boot 7."""

    def make(folder: Path) -> None:
        with rig_doing(*GOOD, AFTER, boot=7) as url:
            book = ("--book", str(folder / "book.db"))
            assert run([*book, "rig", "gauge", "--port", url, *GOOD_TYPED]) == 0

    return made_once(tmp_path_factory, "gauged", make) / "book.db"


@pytest.mark.parametrize("restarts", [False, True])
@pytest.mark.parametrize(
    ("stand_mm", "typed"),
    [
        ((20.0, 30.0, 40.0), ("--lengths", "30mm,40mm,50mm")),
        ((25.0, 35.0, 45.0), ("--lengths", "20mm,30mm,40mm")),
        ((30.0,), ("--datum", "35mm")),
        ((20.0,), ("--datum", "19mm")),
    ],
)
def test_lengths_that_are_all_off_alike_are_asked_about_by_the_calibration_before(
    desk: Desk, gauged: Path, stand_mm: tuple[float, ...], typed: tuple[str, ...], restarts: bool
) -> None:
    """By the counts; after a restart, which counts anew, by where the quill's stop is."""
    shutil.copy(gauged, desk.book)
    assert {"offset_unchecked", "stop_at"} <= desk.notes("travel")
    before = desk.part("travel").part_id
    boot = 8 if restarts else 7
    assert desk.gauge(*on_gauges(*stand_mm), more=typed, boot=boot) == 2
    assert "--accept-datum" in desk.err
    assert desk.part("travel").part_id == before
    assert desk.gauge(*on_gauges(*stand_mm), more=(*typed, "--accept-datum"), boot=boot) == 0
    assert "heights_moved" in desk.notes("travel")


def test_the_same_lengths_again_agree_and_after_a_restart_too(desk: Desk, gauged: Path) -> None:
    shutil.copy(gauged, desk.book)
    assert "offset_unchecked" in desk.notes("travel")
    for boot in (7, 8):
        assert desk.gauge(*GOOD, more=GOOD_TYPED, boot=boot) == 0
        assert "heights_agree" in desk.notes("travel")
    assert desk.gauge(*on_gauges(30.0), more=("--datum", "30mm"), boot=9) == 0
    assert "heights_agree" in desk.notes("travel")


def test_the_faces_together_show_a_shift_at_once(desk: Desk) -> None:
    """The first calibration of all: 20, 30 and 40 mm typed as 30, 40 and 50, then 0."""
    steps = (*on_gauges(20.0, 30.0, 40.0), REST, FacesTogether(4.0))
    assert desk.gauge(*steps, more=("--lengths", "30mm,40mm,50mm,0mm")) == 2
    assert "rejected: the faces together read as 10.00 mm" in desk.out
    assert desk.part("travel") is None


def test_a_datum_on_no_gauge_is_not_stored(desk: Desk) -> None:
    desk.load_of_this_rig()
    good = (FIRST, FacesTogether(4.0), REST, GaugeBlock(20.0, 4.0), REST, GaugeBlock(40.0, 4.0))
    assert desk.gauge(*good, more=("--lengths", "0mm,20mm,40mm")) == 0
    assert "touch_unchecked" not in desk.notes("travel")
    before = desk.part("travel").part_id
    assert desk.gauge(FIRST, PauseInAir(35.0, 4.0), more=("--datum", "30mm")) == 2
    assert "not a gauge" in desk.out
    assert desk.part("travel").part_id == before
    assert desk.gauge(FIRST, GaugeBlock(30.0, 4.0), more=("--datum", "30mm")) == 0


@pytest.mark.parametrize(
    ("masses", "words"),
    [
        ("5,10,20", "the first mass must be 0"),
        ("0,20", "fewer than 3 different masses"),
        ("0,20,0,20", "fewer than 3 different masses"),
        ("0,-5,10", "below 0"),
    ],
)
def test_a_list_of_masses_that_checks_nothing_is_refused_before_any_is_read(
    desk: Desk, masses: str, words: str
) -> None:
    assert desk.rig("weigh", "--port", "virtual:?do=weigh", "--masses", masses) == 2
    assert words in desk.err
    assert desk.err.count("\n") == 1
    assert not desk.book.exists()


@pytest.mark.parametrize("lengths", ["30mm", "30mm,30mm", "0mm,-5mm"])
def test_lengths_that_give_no_factor_are_refused_too(desk: Desk, lengths: str) -> None:
    assert desk.rig("gauge", "--port", "virtual:?do=gauge", "--lengths", lengths) == 2
    assert desk.err.count("\n") == 1


MASSES = "mass_kg,counts,u_kg\n0,30000,0\n5,152500,0.001\n10,275000,0.002\n20,520000,0.004\n"


def test_masses_that_err_each_by_itself_are_kept_and_named(desk: Desk, tmp_path: Path) -> None:
    assert desk.rig("weigh", "--from", desk.file(MASSES), "--masses-err", "each") == 0
    assert desk.part("load").masses_err == "each"
    assert desk.part("load").reference_u_relative == 0.0
    assert desk.rig("card", "--json") == 0
    assert json.loads(desk.out)["parts"][0]["masses_err"] == "each"
    assert desk.rig("card") == 0
    assert "err by itself" in desk.out
    assert run(["--book", str(desk.book), "export", "--out", str(tmp_path / "out")]) == 0
    (exported,) = (tmp_path / "out" / "rig").glob("load-*.csv")
    assert "--masses-err each" in exported.read_text().splitlines()[0]
    assert desk.rig("weigh", "--from", desk.file(MASSES)) == 0
    assert desk.part("load").masses_err == "together"
    assert desk.rig("card") == 0
    assert "up to twice too wide" in desk.out


def test_each_needs_an_uncertainty_of_each(desk: Desk) -> None:
    plain = desk.file("mass_kg,counts\n0,30000\n5,152500\n10,275000\n20,520000\n")
    assert desk.rig("weigh", "--from", plain, "--masses-err", "each") == 2
    assert "--masses-u" in desk.err
    stated = ("--masses-err", "each", "--masses-u", "0.02%")
    assert desk.rig("weigh", "--from", plain, *stated) == 0
    assert [point.u_kg for point in desk.part("load").points] == pytest.approx(
        [0.0, 0.001, 0.002, 0.004]
    )
    assert desk.rig("weigh", "--scale", "b", "--from", plain, *stated) == 2
    assert "not for a scale" in desk.err


@contextmanager
def left_with_ctrl_c(desk: Desk, *command: str) -> Iterator[Terminal]:
    """A command of the rig on a terminal, left in the end with Ctrl-C."""
    terminal = Terminal("--book", str(desk.book), "rig", *command)
    try:
        yield terminal
        terminal.process.send_signal(signal.SIGINT)
        assert terminal.end() == 130
    finally:
        terminal.close()


def test_guided_masses_that_err_each_are_kept_with_what_was_stated_of_them(desk: Desk) -> None:
    """JCGM 100:2008, 5.1.2: independent errors of n masses leave less than one that all share."""
    port, u_n = "virtual:?do=weigh&pace=fast&ends=0", {}
    for masses_err in ("each", "together"):
        stated = ("--masses-err", masses_err, "--masses-u", "0.2%")
        assert desk.rig("weigh", "--port", port, *stated) == 0
        part = desk.part("load")
        assert part.masses_err == masses_err
        for point in part.points:
            assert point.u_kg == pytest.approx(0.002 * point.mass_kg)
        counts = [part.fit.x_min, part.fit.x_max]
        load_n, own_n = evaluate(part.fit, counts[1], minus_x=counts[0])
        u_n[masses_err] = math.hypot(float(own_n), part.reference_u_relative * float(load_n))
        assert desk.rig("card") == 0
        assert ("Each mass is taken to err by itself" in desk.out) == (masses_err == "each")
    assert u_n["together"] == pytest.approx(0.001 * 20.0 * 9.80665, rel=0.1)  # as one mass
    assert 0.5 < u_n["each"] / u_n["together"] < 0.95  # between all of three and the largest alone


def test_masses_that_err_each_need_their_uncertainty_before_any_is_read(desk: Desk) -> None:
    assert desk.rig("weigh", "--port", "nowhere:", "--masses-err", "each") == 2
    assert "--masses-u" in desk.err


def test_what_lies_on_the_cell_all_the_time_is_compared_or_noted(desk: Desk) -> None:
    """5 kg on it at the zero: the masses' line only lies elsewhere."""
    plan, masses = ("--masses", "0,5,10", "--masses-err", "together"), (5.0, 10.0, 15.0)
    left_on = (PutMass(5.0, 40.0), *(PutMass(mass_kg, 4.0) for mass_kg in masses), AFTER)
    with rig_doing(*left_on) as url:
        assert desk.rig("weigh", "--port", url, *plan) == 0
    assert "see that it is" in desk.err
    assert "zero_unchecked" in desk.notes("load")
    desk.load_of_this_rig()
    before = desk.part("load").part_id
    with rig_doing(*left_on) as url:
        assert desk.rig("weigh", "--port", url, *plan) == 2
    assert "lies on the cell. Take everything off" in " ".join(desk.out.split())
    assert desk.part("load").part_id == before
    travel = desk.file("length_mm,counts\n0,14000\n20,10000\n40,6000\n")
    assert desk.rig("gauge", "--from", travel) == 0
    assert desk.rig("card") == 0
    assert "empty at the zero was not checked" in " ".join(desk.out.split())


def test_on_a_terminal_it_is_asked_how_the_masses_err(desk: Desk) -> None:
    with left_with_ctrl_c(desk, "weigh", "--port", "virtual:?do=weigh") as terminal:
        terminal.wait_for(r"each, together\) \[together\]")
        terminal.press("each\n")
        terminal.wait_for(r"uncertainty of each")
        terminal.press("0.02\n")
        terminal.wait_for("Error: .*0.02")
        terminal.press("0.02%\n")
        terminal.wait_for("1 of 7")


def test_on_a_terminal_a_reading_in_question_can_be_taken(desk: Desk) -> None:
    """A new cell on the same rig: an earlier calibration contradicts it, the person insists."""
    masses = np.array([0.0, 5.0, 10.0, 20.0])
    counts = RIG.cell_counts(0.5 * RIG.gravity_m_per_s2 * masses)  # half of this rig's slope
    rows = "".join(f"{m:g},{c:.1f}\n" for m, c in zip(masses, counts, strict=True))
    assert desk.rig("weigh", "--from", desk.file(f"mass_kg,counts\n{rows}")) == 0
    plan = ("--masses", "0,5,10", "--masses-err", "together")
    with (
        rig_doing(FIRST, PutMass(7.0, 4.0), Rest(1.0), endless=True) as url,
        left_with_ctrl_c(desk, "weigh", "--port", url, *plan) as terminal,
    ):
        terminal.wait_for(r"(?s)5.00\s+kg\s+is\s+required.*y: take it all the same")
        terminal.press("y")
        terminal.wait_for("3 of 3: put 10 kg on")


def test_the_ratings_are_asked_for_until_they_are_told(desk: Desk) -> None:
    desk.load_of_this_rig()
    assert "rig ratings --cell" in desk.out
    travel = desk.file("length_mm,counts\n0,14000\n20,10000\n40,6000\n")
    assert desk.rig("gauge", "--from", travel) == 0
    assert "rig ratings --cell" in desk.out
    assert desk.rig("ratings", "--cell", "200kg", "--press", "70kg") == 0
    desk.load_of_this_rig()
    assert "ratings" not in desk.out


@pytest.mark.parametrize(("to", "refused"), [("69.9kg", False), ("70kg", True), ("90kg", True)])
def test_nobody_is_asked_to_press_a_block_beyond_a_rating(
    desk: Desk, to: str, refused: bool
) -> None:
    desk.load_of_this_rig()
    travel = desk.file("length_mm,counts\n0,14000\n20,10000\n40,6000\n")
    assert desk.rig("gauge", "--from", travel) == 0
    assert desk.rig("ratings", "--cell", "200kg", "--press", "70kg") == 0
    assert desk.rig("flex", "--port", "nowhere:", "--to", to) == 2
    assert ("may bear" in desk.err) == refused
