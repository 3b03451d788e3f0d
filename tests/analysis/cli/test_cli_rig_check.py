"""`rig check` and `rig watch` through the whole serial path, on simulated rigs sound and not."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from msgspec.structs import replace
from sqlite_utils import Database

from coilbench.analysis.cli import rig, rig_check, run
from coilbench.capture.book.opening import open_book
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import Source
from coilbench.capture.virtual.bench import Bench, PressSpring, PutMass, Rest, Step
from coilbench.capture.virtual.firmware import Faults, Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import VirtualPort
from coilbench.capture.virtual.spring import OUTER
from support.edits import change
from support.sqlite_utils_book import utils

RIG = RigModel()
MASSES_KG = (0, 5, 10, 20, 30, 40, 50, 40, 30, 20, 10, 5, 0)
PRESS: tuple[Step, ...] = (Rest(12.0), PressSpring(OUTER, OUTER.solid_height_mm + 5.0), Rest(2.0))
Plug = Callable[..., str]


@pytest.fixture
def plug(monkeypatch: pytest.MonkeyPatch) -> Iterator[Plug]:
    """Put a simulated rig on a port; it starts when the command has opened that port."""
    with ExitStack() as stack:
        ports: dict[str, VirtualPort] = {}

        def plugged(
            steps: Sequence[Step],
            model: RigModel = RIG,
            faults: Faults | None = None,
            seed: int = 1,
        ) -> str:
            bench = Bench(model, steps, seed)
            firmware = Firmware(
                model, bench.blocks(endless=True), faults=faults or Faults(), seed=seed
            )
            port = stack.enter_context(VirtualPort(firmware))
            ports[port.url] = port
            return port.url

        def opened(url: str) -> Source:
            source = open_source(url)
            if url in ports:
                ports[url].start()
            return source

        monkeypatch.setattr(rig_check, "SILENCE_S", 0.3)
        for module in (rig, rig_check):
            monkeypatch.setattr(module, "open_source", opened)
        yield plugged


@pytest.fixture
def book(tmp_path: Path) -> str:
    return str(tmp_path / "book.db")


@pytest.fixture
def calibrated(book: str, tmp_path: Path) -> str:
    """A book whose load is calibrated on the simulated rig's true curve."""
    rows = [f"{m},{RIG.cell_counts(m * RIG.gravity_m_per_s2):.0f}" for m in MASSES_KG]
    table = tmp_path / "weights.csv"
    table.write_text("mass_kg,counts\n" + "\n".join(rows))
    assert run(["--book", book, "rig", "weigh", "--from", str(table)]) == 0
    return book


def check(book: str, *arguments: str) -> int:
    return run(["--book", book, "rig", "check", *arguments])


def weight_on(kg: float) -> tuple[Step, ...]:
    return (Rest(4.0), PutMass(kg), Rest(4.0))


def test_a_check_weight_passes_with_its_numbers(
    calibrated: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    port = plug(weight_on(20.0))
    capsys.readouterr()
    assert check(calibrated, "--port", port, "--mass", "20kg", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["expected_n"] == pytest.approx(20 * 9.80665)
    assert told["load_n"] == pytest.approx(20 * 9.80665, rel=2e-3)
    assert told["check"]["passed"] is True
    assert told["check"]["device_id"] == RIG.device_id
    with Database(calibrated) as db:
        (row,) = db.query("SELECT * FROM mass_checks")
        db.close()
    # the raw reading is kept: the model's own counts at that load
    assert row["load_counts"] - row["zero_counts"] == pytest.approx(
        RIG.cell_counts(20 * RIG.gravity_m_per_s2) - RIG.zero_counts, rel=2e-3
    )


def test_a_cell_that_lost_two_per_cent_fails_and_every_later_report_says_so(
    calibrated: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    tired = replace(RIG, counts_per_n=0.98 * RIG.counts_per_n)
    port = plug(weight_on(20.0), tired)
    capsys.readouterr()
    assert check(calibrated, "--port", port, "--mass", "20kg") == 1
    told = capsys.readouterr()
    assert re.search(r"FAIL.*\b20 kg.*\b20\.00 kg.*\b19\.6", told.out)
    assert "-1.99 % off" in told.out
    assert "coilbench rig weigh" in told.out
    assert check(calibrated, "--history") == 0
    history = capsys.readouterr().out
    assert "FAIL" in history
    assert "FAILED" in history


@pytest.mark.parametrize("tolerance", ["3%", "0.6kg", "6N"])
def test_the_tolerance_is_the_persons(calibrated: str, plug: Plug, tolerance: str) -> None:
    tired = replace(RIG, counts_per_n=0.98 * RIG.counts_per_n)
    port = plug(weight_on(20.0), tired)
    assert check(calibrated, "--port", port, "--mass", "20kg", "--tolerance", tolerance) == 0


def test_history_lists_every_check(
    calibrated: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    for mass in ("10kg", "20kg"):
        kg = float(mass.removesuffix("kg"))
        assert check(calibrated, "--port", plug(weight_on(kg)), "--mass", mass) == 0
    capsys.readouterr()
    assert check(calibrated, "--history", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["mass_kg"] for one in told["checks"]] == pytest.approx([10.0, 20.0])
    assert told["trend"] is None  # two checks on one day show none
    assert told["warnings"] == []


def test_an_old_calibration_is_warned_of_by_the_limit_that_was_set(
    calibrated: str, capsys: pytest.CaptureFixture[str]
) -> None:
    old = "UPDATE calibration_parts SET made_utc = '2020-01-01T00:00:00.000+00:00'"
    change(Path(calibrated), old)
    assert check(calibrated, "--history") == 0
    assert re.search(r"\b90\b.*checked", capsys.readouterr().out)
    assert check(calibrated, "--good-for", "100000") == 0
    assert check(calibrated, "--history") == 0
    assert "days old" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "needs the rig's port"),
        (("--port", "x", "--mass", "20"), "has no unit"),
        (("--port", "x", "--mass", "200N"), "is a load, not a mass"),
        (("--port", "x", "--mass", "20kg", "--tolerance", "0%"), "lets nothing pass"),
        (("--port", "x", "--mass", "20kg", "--tolerance", "5"), "has no unit"),
        (("--good-for", "0"), "good-for"),
    ],
)
def test_bad_arguments_are_one_line(
    calibrated: str, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], words: str
) -> None:
    capsys.readouterr()
    assert check(calibrated, *arguments) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert words in said.err


def test_a_weight_without_a_calibration_is_refused(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["--book", book, "set", "new", "a", "--role", "outer", "--count", "1"]) == 0
    assert check(book, "--port", "nowhere", "--mass", "20kg") == 2
    assert "not calibrated yet" in capsys.readouterr().err


def test_a_check_of_another_rig_is_refused(
    calibrated: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    change(Path(calibrated), "UPDATE calibration_parts SET device_id = 'C011BE4C99999999'")
    assert check(calibrated, "--port", plug(weight_on(20.0)), "--mass", "20kg") == 2
    told = capsys.readouterr().err
    assert RIG.device_id in told
    assert "C011BE4C99999999" in told


def health(book: str, port: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict]:
    capsys.readouterr()
    status = check(book, "--port", port, "--json")
    return status, json.loads(capsys.readouterr().out)


def test_a_sound_rig_is_well(book: str, plug: Plug, capsys: pytest.CaptureFixture[str]) -> None:
    status, told = health(book, plug(PRESS), capsys)
    assert (status, told["findings"], told["pressed"]) == (0, [], True)
    assert told["rate_hz"] == pytest.approx(RIG.rate_hz, rel=1e-3)
    assert told["samples_lost"] == 0


def test_ten_samples_a_second_where_eighty_were_expected(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    slow = replace(RIG, rate_hz=11.0)
    status, told = health(book, plug(PRESS, slow), capsys)
    assert status == 1
    assert [f["kind"] for f in told["findings"]] == ["rate"]
    assert told["findings"][0]["measured_hz"] == pytest.approx(11.0, abs=0.05)
    assert told["findings"][0]["nominal_hz"] == 80.0


@pytest.mark.parametrize(
    ("model", "words"),
    [
        (replace(RIG, counts_per_n=-RIG.counts_per_n), "cell.*backwards"),
        (replace(RIG, travel_counts_per_mm=-200.0), "encoder.*backwards"),
        (replace(RIG, travel_counts_per_mm=0.0), "the encoder does not respond"),
        (replace(RIG, counts_per_n=0.0), "no cell"),
    ],
)
def test_wiring_is_told_from_the_press(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str], model: RigModel, words: str
) -> None:
    status, told = health(book, plug(PRESS, model), capsys)
    assert status == 1
    (finding,) = told["findings"]
    assert re.search(words, finding["what"])


def test_no_cell_is_a_code_that_never_changes(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    dead = replace(RIG, counts_per_n=0.0, noise_counts=0.0)
    _, told = health(book, plug(PRESS, dead), capsys)
    assert told["load_codes"] == 1
    assert (told["findings"][0]["cause"], told["findings"][0]["counts"]) == ("constant", 40000)


def test_no_cell_is_an_amplifier_at_its_end(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    status, told = health(book, plug(PRESS, faults=Faults(saturated_s=((0.0, 60.0),))), capsys)
    assert status == 1
    assert "no cell is connected" in told["findings"][0]["what"]


def test_a_dead_amplifier_is_said_by_the_rig_itself(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    for_good = Faults(dead_s=((0.5, 36_000.0),))  # a rig in a hurry says a minute in one go
    status, told = health(book, plug(PRESS, faults=for_good), capsys)
    assert status == 1
    assert "amplifier makes no conversions" in told["findings"][0]["what"]
    assert told["findings"][0]["code"] == 1


def test_a_bad_cable_is_counted(book: str, plug: Plug, capsys: pytest.CaptureFixture[str]) -> None:
    status, told = health(book, plug(PRESS, faults=Faults(flip_probability=2e-4)), capsys)
    assert status == 1
    assert {"lost", "bad_lines"} <= {f["kind"] for f in told["findings"]}
    assert told["samples_lost"] > 0


def test_every_fault_is_told_with_its_cure_and_the_rig_is_not_called_well(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    slow = replace(RIG, noise_counts=50.0 * RIG.noise_counts, rate_hz=11.0)
    _, document = health(book, plug([Rest(15.0)], slow), capsys)
    assert check(book, "--port", plug([Rest(15.0)], slow)) == 1
    told = capsys.readouterr().out
    wrong = [line for line in told.splitlines() if line.startswith("WRONG")]
    assert len(wrong) == len(document["findings"]) >= 3
    for line, finding in zip(wrong, document["findings"], strict=True):
        assert finding["hint"] in line
    assert "11.0" in wrong[0]
    assert "80" in wrong[0]
    assert "is well" not in told


def test_hands_off_says_that_the_wiring_was_not_looked_at(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    assert check(book, "--port", plug([Rest(15.0)]), "--hands-off") == 0
    told = capsys.readouterr()
    assert "was not checked" in told.out
    assert "press the quill" not in told.err
    assert re.search(r"\b93\.1 samples.*\b80\b", told.out)


def test_watch_says_what_is_wrong_in_a_line(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    port = plug([Rest(5.0)], faults=Faults(saturated_s=((0.0, 1e6),)))
    assert run(["--book", book, "rig", "watch", "--port", port, "--seconds", "0.6"]) == 0
    wrong = [line for line in capsys.readouterr().out.splitlines() if line.startswith("WRONG: ")]
    assert len(wrong) == 1  # once, not with every line
    assert "no cell is connected" in wrong[0]


BUILD = """
[cam]
name = "Made up"
valve_lift = "8 mm"
seat_load = "20 kg"
seat_tolerance = "5 kg"
open_load = "40 kg"
open_tolerance = "9 kg"
[head]
installed_height = "38 mm"
[head.valves]
"1" = "38 mm"
[limits]
coil_bind_margin = "1 mm"
[springs]
outer = ["a"]
"""


def test_a_failed_check_shows_on_every_later_report(
    calibrated: str, plug: Plug, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tired = replace(RIG, counts_per_n=0.98 * RIG.counts_per_n)
    assert check(calibrated, "--port", plug(weight_on(20.0), tired), "--mass", "20kg") == 1
    new = ["set", "new", "a", "--role", "outer", "--labels", "a-1", "--solid-height", "24mm"]
    note = ["note", "--set", "a", "a-1 42mm 12kg", "a-1 38mm 20kg", "a-1 28mm 40kg"]
    (tmp_path / "build.toml").write_text(BUILD)
    assert run(["--book", calibrated, *new]) == 0
    assert run(["--book", calibrated, *note]) == 0
    build = str(tmp_path / "build.toml")
    reports = (["set", "check", "a", "--at", "38mm"], ["pair", build], ["assign", build])
    for report in reports:
        capsys.readouterr()
        assert run(["--book", calibrated, *report]) in (0, 1)
        told = capsys.readouterr().out.splitlines()
        assert sum("FAILED" in line for line in told) == 1
        assert run(["--book", calibrated, *report, "--json"]) in (0, 1)
        warned = json.loads(capsys.readouterr().out)["warnings"]
        assert sum("FAILED" in one["text"] for one in warned) == 1


def test_health_says_how_far_the_zero_went_since_the_first_look(
    calibrated: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    """The simulated cell was 0.5 kg lower twenty minutes ago: 0.25 kg in 10 min, so wait."""
    lower_n = 0.5 * 9.80665
    counts = RIG.zero_counts - lower_n * RIG.counts_per_n
    ago = (datetime.now(UTC) - timedelta(minutes=20)).isoformat(timespec="milliseconds")
    with open_book(Path(calibrated)) as db:
        row = {"id": "a", "device_id": RIG.device_id, "read_utc": ago, "load_counts": counts}
        utils(db).table("rest_zeros").insert(row)
    _, told = health(calibrated, plug([Rest(15.0)]), capsys)
    zero = told["zero"]
    assert zero["minutes"] == pytest.approx(20.0, abs=1.0)
    assert zero["moved_n"] == pytest.approx(lower_n, abs=0.2)
    assert zero["pace_n"] == pytest.approx(lower_n / 2.0, abs=0.2)
    assert zero["settled"] is False
    assert check(calibrated, "--port", plug([Rest(15.0)]), "--hands-off") == 0
    assert 0.0 < zero["running_min"] < 1.0  # the simulated rig started with the test
    said = capsys.readouterr().out
    assert re.search(r"went \+0\.\d+ ± 0\.\d+ kg in \d+ min", said)
    assert "last start" in said
    with open_book(Path(calibrated)) as db:
        assert utils(db).table("rest_zeros").count == 3


def test_health_of_a_rig_without_a_book_keeps_no_zero(
    book: str, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    _, told = health(book, plug([Rest(15.0)]), capsys)
    assert told["zero"] is None
    assert not Path(book).exists()
