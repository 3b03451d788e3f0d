"""What `--load-unit` and `--length-unit` change: every text, and no JSON document.

One list of commands for the whole program: a new command over a book gets its line here.
"""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from coilbench.analysis.cli import demo, run
from support.shared import made_once

BUILD = """
[cam]
name = "Lake four"
valve_lift = "0.4 in"
seat_load = "70 lbf"
seat_tolerance = "9 lbf"
open_load = "140 lbf"
open_tolerance = "12 lbf"
max_rpm = 6200
[head]
inner_offset = "0.08 in"
max_seat_cut = "0.016 in"
[head.valves]
"1 in" = "1.575 in"
"1 ex" = "1.591 in"
[[shims]]
thickness = "0.02 in"
count = 4
[limits]
coil_bind_margin = "0.05 in"
[springs]
outer = ["larch"]
inner = ["heron"]
[wire.larch]
tensile_strength = "220 ksi"
"""
AT = ("--at", "1.575in", "--at", "1.181in")


# `export` of sets is left out: its columns have fixed units, in N and mm, each named.
class Case(NamedTuple):
    """A command over the book of `books`; BUILD in it stands for the build file's path."""

    arguments: tuple[str, ...]
    has_json: bool = True
    has_text: bool = True
    writes: str | None = None  # a file or a folder that is read instead of what it prints


COMMANDS = (
    Case(("status",)),
    Case(("set", "list")),
    Case(("set", "show", "larch")),
    Case(("set", "show", "larch", "--curves", *AT), has_json=False),
    Case(("set", "nominal", "larch")),
    Case(("set", "strokes", "larch")),
    Case(("set", "check", "larch", *AT)),
    Case(("set", "check", "larch", *AT, "--why", "larch-03")),
    Case(("set", "check", "larch", *AT, "--budget")),
    Case(("set", "check", "larch", "--build", "BUILD")),
    Case(("set", "compare", "larch", "larch-after", *AT)),
    Case(("set", "spring", "larch", "larch-01")),
    Case(("set", "spring", "larch", "larch-06")),
    Case(("pair", "BUILD", "--limits")),
    Case(("assign", "BUILD", "--effort", "cuts")),
    Case(("depths", "BUILD")),
    Case(("plan", "BUILD")),
    Case(("plan", "BUILD", "--once")),
    Case(("plan", "BUILD", "--sheet", "OUT/presses.html"), has_json=False, writes="presses.html"),
    Case(("report", "BUILD"), has_text=False),
    Case(("report", "BUILD", "-o", "OUT/sheet.html"), has_json=False, writes="sheet.html"),
    Case(("export", "--out", "OUT/sheet", "--sheet", "BUILD"), has_json=False, writes="sheet"),
    Case(("rig", "card")),
    Case(("rig", "check", "--history")),
    Case(("note", "--set", "larch", "--history"), has_json=False),
    Case(("import", "--history")),
)
UNITS = (("N", "mm"), ("kg", "in"), ("lbf", "in"))  # each unit at least once
SI_WORD = re.compile(r"\b(?:mm|kg|kgf|MPa)\b| N\b")
# Words of a unit that are not a reading: what is typed, or what a unit is.
ALLOWED = re.compile(
    r"--\w[\w-]* \S*(?:kg|mm)\S*|\b\d[\w.]*(?:kg|mm)@\S*|`[^`]*`|a kg shown|mass of 1 kg"
)


def _points(folder: Path, name: str, free_mm: float, rate: float, after: float = 1.0) -> str:
    rows = ["label,height_mm,load_n"]
    for number in range(1, 6):
        own = rate * after * (1.0 + 0.002 * number) * (0.8 if number == 3 else 1.0)
        rows += [
            f"{name}-{number:02},{height_mm},{own * (free_mm - height_mm):.3f}"
            for height_mm in (46.0, 40.0, 33.0, 28.0)
        ]
    path = folder / f"{name}-{after}.csv"
    path.write_text("\n".join(rows))
    return str(path)


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory, slip: Callable[[Path], str]) -> Path:
    """A folder with a calibrated book of two sets, one measured twice, and their build file."""
    return made_once(tmp_path_factory, "units", lambda folder: _make(folder, slip))


def _make(folder: Path, slip: Callable[[Path], str]) -> None:
    book = ["--book", str(folder / "b.db")]
    dimensions = ("--wire", "4.2mm", "--coil-diameter", "31mm", "--active-coils", "4.5")
    (folder / "masses.csv").write_text(
        "mass_kg,counts\n" + "".join(f"{kg},{1000 + 5000 * kg}\n" for kg in (0, 10, 20, 40, 20, 0))
    )
    (folder / "gauges.csv").write_text(
        "length_mm,counts\n" + "".join(f"{mm},{100 * (60 - mm)}\n" for mm in (10, 20, 30, 40, 50))
    )
    for arguments in (
        ("rig", "weigh", "--from", str(folder / "masses.csv")),
        ("rig", "gauge", "--from", str(folder / "gauges.csv")),
        ("set", "new", "larch", "--role", "outer", "--count", "6", "--solid-height", "20mm",
         "--free-length", "50mm", *dimensions),
        ("set", "nominal", "larch", "200N@40mm", "420N@30mm", "--tolerance", "8%"),
        ("import", _points(folder, "larch", 50.0, 20.0), "--set", "larch"),
        ("import", slip(folder), "--set", "larch", "--label", "larch-06"),
        ("set", "new", "larch-after", "--again", "larch"),
        ("set", "new", "heron", "--role", "inner", "--count", "5", "--solid-height", "18mm"),
        ("import", _points(folder, "heron", 48.0, 10.0), "--set", "heron"),
    ):  # fmt: skip
        assert run([*book, *arguments]) == 0
    again = _points(folder, "larch", 50.0, 20.0, 0.97)
    assert run([*book, "import", again, "--set", "larch-after"]) == 0
    (folder / "four.toml").write_text(BUILD)


@pytest.fixture(scope="session")
def slip() -> Callable[[Path], str]:
    """Return what writes a stroke of 20 N/mm and 50 mm that pauses and slips by 1 mm at 40 mm."""

    def write(folder: Path) -> str:
        rows, slipped = [], False
        steps = [*range(80), *[80] * 60, *range(80, 241)]
        for at, step in enumerate(steps):
            height = 51.0 - 0.18 * (120 - abs(step - 120))
            slipped = slipped or height < 40.0
            load_n = max(0.0, 20.0 * (50.0 - height - (1.0 if slipped else 0.0)))
            rows.append(f"{at / 50:.3f},{load_n:.3f},{height:.4f}")
        path = folder / "slip.csv"
        path.write_text("t_s,load_n,height_mm\n" + "\n".join(rows) + "\n")
        return str(path)

    return write


class _Ran(NamedTuple):
    status: int
    out: str


@pytest.fixture
def ran(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[[Case, tuple[str, str], bool], _Ran]:
    """Return what runs a command in some units on a copy of the book."""
    shutil.copy(made / "b.db", tmp_path / "b.db")

    def run_it(case: Case, units: tuple[str, str], as_json: bool) -> _Ran:
        out = tmp_path / "-".join(units)
        out.mkdir(exist_ok=True)
        named = {"BUILD": str(made / "four.toml"), "OUT": str(out)}
        arguments = [re.sub("BUILD|OUT", lambda m: named[m[0]], one) for one in case.arguments]
        wanted = ["--load-unit", units[0], "--length-unit", units[1]]
        status = run(["--book", str(tmp_path / "b.db"), *wanted, *arguments, *["--json"] * as_json])
        said = capsys.readouterr()
        assert status in (0, 1), said.err
        if case.writes is None:
            return _Ran(status, said.out)
        made_files = out / case.writes
        files = sorted(made_files.rglob("*")) if made_files.is_dir() else [made_files]
        return _Ran(status, "\n".join(one.read_text("utf-8") for one in files))

    return run_it


def name(case: Case) -> str:
    return " ".join(case.arguments)


def _without_clock(document: Any) -> Any:
    """Leave out what another moment changes."""
    if isinstance(document, dict):
        return {
            key: _without_clock(value)
            for key, value in document.items()
            if key not in ("made_utc", "age_days", "load_age_days", "Made", "versions")
        }
    return [_without_clock(one) for one in document] if isinstance(document, list) else document


@pytest.mark.usefixtures("nothing_kept")
@pytest.mark.parametrize("case", [one for one in COMMANDS if one.has_json], ids=name)
def test_no_display_option_changes_a_document(
    ran: Callable[[Case, tuple[str, str], bool], _Ran], case: Case
) -> None:
    told = [ran(case, units, True) for units in UNITS]
    documents = [_without_clock(json.loads(one.out)) for one in told]
    assert all(one == documents[0] for one in documents)
    assert len({one.status for one in told}) == 1


# A command of this program: its name after "coilbench", options between them or not.
TYPED = re.compile(r"\bcoilbench ((?:--\S+ \S+ )*)(?:[a-z]+)\b")
IN_POUNDS = "--load-unit lbf --length-unit in "


@pytest.mark.parametrize(
    "case", [one for one in COMMANDS if one.has_text or one.writes is None], ids=name
)
def test_a_text_in_pounds_and_inches_has_no_other_unit_and_commands_that_go_on_in_them(
    ran: Callable[[Case, tuple[str, str], bool], _Ran], case: Case
) -> None:
    printed = ran(case, ("lbf", "in"), False).out
    if case.has_text:
        said = re.sub(r"<style.*?</style>|<svg.*?</svg>", " ", printed, flags=re.DOTALL)
        found = [line for line in said.splitlines() if SI_WORD.search(ALLOWED.sub("", line))]
        assert found == []
    if case.writes is None:
        assert all(options == IN_POUNDS for options in TYPED.findall(printed))
        assert not re.search(r"\bLOAD\b(?! lbf)", printed)


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("begin", "BUILD"),
        ("set", "check", "none", "--at", "1in"),
        ("set", "edit", "larch"),
        ("set", "nominal", "heron"),
        ("note", "--set", "fir", "fir-1 1.5in 60lbf"),
        ("assign", "none.toml"),
        ("rig", "check"),
    ],
    ids=" ".join,
)
def test_so_does_what_is_said_on_the_way_and_in_a_refusal(
    made: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))  # it ends there, as with Ctrl-C
    for part in ("b.db", "four.toml"):
        shutil.copy(made / part, tmp_path / part)
    named = [str(tmp_path / "four.toml") if one == "BUILD" else one for one in arguments]
    book = ["--book", str(tmp_path / "b.db")]
    assert run([*book, "set", "new", "fir", "--role", "outer", "--labels", "fir-1"]) == 0
    capsys.readouterr()
    run([*book, *IN_POUNDS.split(), *named])
    said = "".join(capsys.readouterr())
    assert all(options == IN_POUNDS for options in TYPED.findall(said))
    counted = len(TYPED.findall(said))
    run([*book, *named])
    plain = TYPED.findall("".join(capsys.readouterr()))
    assert len(plain) == counted
    assert not any(plain)
    if arguments[:1] in ((), ("begin",)):
        assert counted


def test_the_demo_says_the_same_in_all_units(
    tmp_path: Path, made: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the book of this page instead of its simulated rig's: what is made of it is the same."""
    monkeypatch.setattr(demo, "BUILD_FILE", BUILD)
    monkeypatch.setattr(demo, "_run", lambda it: it.decide())
    monkeypatch.setattr(demo, "_new_book", lambda given: given)
    shutil.copy(made / "b.db", tmp_path / "b.db")
    arguments = ["--book", str(tmp_path / "b.db")]
    documents = []
    for load, length in UNITS:
        assert (
            run([*arguments, "--load-unit", load, "--length-unit", length, "demo", "--json"]) == 0
        )
        documents.append(json.loads(capsys.readouterr().out))
    assert all(one == documents[0] for one in documents)
    assert run([*arguments, "--load-unit", "lbf", "--length-unit", "in", "demo"]) == 0
    said = capsys.readouterr().out.split("Try next:")[0]
    assert [line for line in said.splitlines() if SI_WORD.search(ALLOWED.sub("", line))] == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("set", "check", "larch", "--at", "2.4in"),
        ("set", "show", "larch", "--curves", "--at", "2.4in"),
    ],
    ids=" ".join,
)
def test_a_height_that_was_not_measured_is_refused_in_the_units_asked_for(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]
) -> None:
    far = tmp_path / "far.toml"
    far.write_text(BUILD.replace("1.575 in", "2.4 in").replace("1.591 in", "2.4 in"))
    named = [str(far) if one == "FAR" else one for one in arguments]
    units = ("--load-unit", "lbf", "--length-unit", "in")
    assert run(["--book", str(made / "b.db"), *units, *named]) == 2
    said = capsys.readouterr().err
    assert "was measured from" in said
    assert " in to " in said
    assert not SI_WORD.search(said)
