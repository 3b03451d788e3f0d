"""Names and labels are shown as they were typed, never read as markup or emoji."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from coilbench.analysis.cli import run

NAMES = ("[/red]", "[bold]:warning:")
LABELS = ("3 [old]", "3 [new]", ":skull:")
AT = ("--at", "40mm", "--at", "30mm")
BUILD = """
[cam]
name = "Lake [red] one"
valve_lift = "10 mm"
seat_load = "200 N"
seat_tolerance = "20 N"
open_load = "400 N"
open_tolerance = "30 N"
[head]
installed_height = "40 mm"
valves = 1
[limits]
coil_bind_margin = "1 mm"
[springs]
outer = ["[/red]"]
"""
COMMANDS = (
    ("status",),
    ("set", "list"),
    ("set", "show", NAMES[0]),
    ("set", "show", NAMES[0], "--curves"),
    ("set", "nominal", NAMES[0]),
    ("set", "strokes", NAMES[0]),
    ("set", "check", NAMES[0], *AT),
    ("set", "check", NAMES[0], *AT, "--why", LABELS[0]),
    ("set", "check", NAMES[0], *AT, "--budget"),
    ("set", "compare", NAMES[0], NAMES[1], *AT),
    ("set", "spring", NAMES[0], LABELS[0]),
    ("pair", "BUILD"),
    ("assign", "BUILD"),
    ("depths", "BUILD"),
    ("plan", "BUILD"),
    ("import", "--history"),
)
NAMELESS = {"strokes", "check", "assign"}  # these show the labels alone
WITH_LABELS = {"show", "strokes", "check", "compare"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a book of one set measured twice, and a build file."""
    folder = tmp_path_factory.mktemp("typed")
    book = ["--book", str(folder / "b.db")]
    rows = [
        f"{label},{height_mm},{20.0 * share * (50.0 - height_mm)}"
        for label, share in zip(LABELS, (1.0, 0.8, 1.01), strict=True)
        for height_mm in (45.0, 40.0, 35.0, 30.0)
    ]
    points = folder / "points [x].csv"
    points.write_text("label,height_mm,load_n\n" + "\n".join(rows) + "\n")
    for name in NAMES:
        new = ("set", "new", name, "--role", "single", "--labels", ",".join(LABELS))
        assert run([*book, *new, "--solid-height", "20mm", "--free-length", "50mm"]) == 0
        assert run([*book, "import", str(points), "--set", name]) == 0
    (folder / "one.toml").write_text(BUILD)
    return folder


@pytest.mark.skipif(sys.platform == "win32", reason="no such name there")
def test_a_files_name_forges_no_line(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = ["--book", str(made / "b.db")]
    again = made / "x\nNext: coilbench evil.csv"
    again.write_text((made / "points [x].csv").read_text().replace("20.0", "20.5"))
    new = ["set", "new", "third", "--role", "single", "--labels", ",".join(LABELS)]
    assert run([*book, *new]) == 0
    capsys.readouterr()
    assert run([*book, "import", str(again), "--set", "third"]) == 0
    said = capsys.readouterr().out
    assert "x\\u000aNext: coilbench evil.csv" in said
    assert len([line for line in said.splitlines() if line.startswith("Next: ")]) == 1


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_what_was_typed_is_shown_as_it_was(
    made: Path, capsys: pytest.CaptureFixture[str], command: tuple[str, ...]
) -> None:
    arguments = [str(made / "one.toml") if one == "BUILD" else one for one in command]
    assert run(["--book", str(made / "b.db"), *arguments]) in (0, 1)
    said = capsys.readouterr().out
    if not NAMELESS & set(command):
        assert NAMES[0] in said
    if WITH_LABELS & set(command) and "--why" not in command and "--curves" not in command:
        for label in LABELS:
            assert label in said
