"""`rig weigh`, `gauge` and `flex` guided, on the simulated rig: breaks, undo, and what is kept."""

from __future__ import annotations

import json
import re
import signal
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.virtual.instrument import RigModel

pytest.importorskip("termios")
from support.terminal import Terminal

LENGTHS = "0mm,20mm,30mm,40mm,50mm"
RIG = RigModel.draw(1)


class Desk:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.book = folder / "new" / "book.db"
        self._capsys = capsys
        self.out = self.err = ""

    def rig(self, command: str, port: str, *more: str) -> int:
        status = run(["--book", str(self.book), "rig", command, "--port", port, *more])
        self.out, self.err = self._capsys.readouterr()
        return status

    def kept(self) -> list[str]:
        return sorted(path.name for path in self.book.parent.glob("*unfinished*"))


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(tmp_path, capsys)


def test_a_whole_rig_is_calibrated_hands_free(desk: Desk) -> None:
    assert desk.rig("weigh", "virtual:?do=weigh&pace=fast&ends=0") == 0
    assert re.search(r"\b1 of 7", desk.out)
    assert re.search("input.*terminal", desk.out)
    assert desk.rig("gauge", "virtual:?do=gauge&pace=fast&ends=0", "--lengths", LENGTHS) == 0
    assert desk.rig("flex", "virtual:?do=flex&pace=fast&ends=0") == 0
    assert desk.kept() == []
    with open_book(desk.book) as db:
        made = current_calibration(db).calibration
    # against what the simulated rig really is: its counts under 15 kg, and its scale's step
    counts = float(RIG.cell_counts(15.0 * RIG.gravity_m_per_s2))
    read_n = float(value(made.load, counts))
    assert read_n == pytest.approx(15.0 * 9.80665, rel=2e-3)  # the book's gravity is standard
    travel = RIG.travel_counts_per_mm * (RIG.rest_height_mm - 35.0)
    assert float(value(made.travel, travel)) == pytest.approx(35.0, abs=0.03)
    assert made.flex is not None


def test_after_a_pulled_cable_the_same_command_goes_on(desk: Desk) -> None:
    assert desk.rig("weigh", "virtual:?do=weigh&pace=fast&unplug=14") == 2
    assert re.search(r"\b3 points.*\b7\b", desk.err)
    assert desk.kept() == ["book.db.unfinished-weigh.json"]
    assert not desk.book.exists()
    assert desk.rig("weigh", "virtual:?do=weigh&pace=fast&ends=0") == 0
    assert re.search(r"\b3 points", desk.out)
    assert re.search(r"\b4 of 7.*\b20 kg", desk.out)
    assert "1 of 7" not in desk.out
    assert re.search(r"\b7 points", desk.out)
    assert desk.kept() == []


def test_another_plan_or_rig_does_not_go_on_with_those_points(desk: Desk) -> None:
    assert desk.rig("weigh", "virtual:?do=weigh&pace=fast&unplug=14") == 2
    for port, masses in (("virtual:?pace=fast", "0,5,10"), ("virtual:?seed=2&pace=fast", None)):
        more = [] if masses is None else ["--masses", masses]
        assert desk.rig("weigh", port, *more) == 2
        assert "another calibration was interrupted after 3 points: 0,5,10,20,10,5,0" in desk.err
        assert "--afresh" in desk.err
    assert desk.kept()
    assert desk.rig("weigh", "virtual:?do=weigh&pace=fast&ends=0", "--afresh") == 0
    assert "1 of 7" in desk.out


def test_travel_of_before_a_restart_is_void_and_that_is_said(desk: Desk) -> None:
    begun = "virtual:?do=gauge&pace=fast&unplug=14"
    assert desk.rig("gauge", begun, "--lengths", LENGTHS) == 2
    (name,) = desk.kept()
    path = desk.book.parent / name
    document = json.loads(path.read_text())
    path.write_text(json.dumps(document | {"boot_id": document["boot_id"] + 1}))
    done = "virtual:?do=gauge&pace=fast&ends=0"
    assert desk.rig("gauge", done, "--lengths", LENGTHS) == 0
    assert "has restarted and its travel counts from 0" in desk.err
    assert "1 of 5" in desk.out


def test_keys_take_back_and_break_off_and_the_terminal_is_put_back(desk: Desk) -> None:
    """On a terminal at real pace: u takes the first point back, Ctrl-C keeps the next."""
    weigh = ("rig", "weigh", "--masses-err", "together", "--port", "virtual:?do=weigh")
    terminal = Terminal("--book", str(desk.book), *weigh)
    try:
        terminal.wait_for("u or the redo button: undo the last point")
        terminal.wait_for("2 of 7: put 5 kg on")
        assert desk.kept()
        terminal.press("u")
        terminal.wait_for("point 1 is undone: lift the quill or mass once")
        assert not desk.kept()
        terminal.wait_for("2 of 7")  # the next thing that stood still was read
        terminal.process.send_signal(signal.SIGINT)
        assert terminal.end() == 130
        assert re.search(r"1 point.*\b7\b", terminal.written)
    finally:
        terminal.close()
    assert desk.kept()
