"""`demo`, `daemon` and `live` end to end on the simulated rig's serial bytes."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run
from coilbench.analysis.cli.demo import SETS, SPRINGS, Demo
from coilbench.capture.virtual.spring import draw_set


@pytest.fixture
def demo(demo_run: Callable[[int], Any], tmp_path: Path) -> Path:
    """A copy of the demo's book; the virtual rig of seed 1 is the demo's rig."""
    return Path(shutil.copy(demo_run(1).book, tmp_path / "demo.db"))


def unsound(seed: int, count: int = SPRINGS) -> dict[str, list[str]]:
    """Name the springs that the demo makes tired or cracked, of so many a set."""
    names: dict[str, list[str]] = {}
    for number, one in enumerate(SETS):
        drawn_as = (one.nominal, count, seed * len(SETS) + number)
        springs = draw_set(*drawn_as, tired=one.tired, cracked=one.cracked)
        sound = draw_set(*drawn_as)
        names[one.name] = [
            f"{one.name}-{place:02d}"
            for place, spring in enumerate(springs, start=1)
            if spring not in sound
        ]
    return names


def test_the_demo_flags_exactly_the_springs_it_made_unsound(
    demo_run: Callable[[int], Any],
) -> None:
    book, told = demo_run(1)
    assert told["book"] == str(book)
    assert told["lost_samples"] == 0
    assert {name: one["springs"] for name, one in told["sets"].items()} == dict.fromkeys(
        (one.name for one in SETS), SPRINGS
    )
    assert {name: one["flagged"] for name, one in told["sets"].items()} == unsound(1)
    assert told["best_pair"]["fits"]


def test_another_bench_has_other_unsound_springs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seven springs a set will do."""
    monkeypatch.setattr("coilbench.analysis.cli.demo.SPRINGS", 7)
    demo = Demo(tmp_path / "demo.db", 2)
    demo.calibrate(lambda _: None)
    demo.register()
    demo.capture(0, lambda _: None)
    name = SETS[0].name
    assert run(["--book", str(demo.book), "set", "check", name, "--at", "38.5mm", "--json"]) == 1
    springs = json.loads(capsys.readouterr().out)["springs"]
    flagged = [each["label"] for each in springs if each["flags"]]
    assert flagged == unsound(2, 7)[name] != unsound(1, 7)[name]


def test_the_demo_never_writes_over_a_file(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = demo.read_bytes()
    assert run(["demo", "--book", str(demo)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert demo.read_bytes() == before


def test_the_demos_book_reads_without_our_code(demo: Path) -> None:
    with closing(sqlite3.connect(demo)) as db:
        rows = db.execute(
            "SELECT set_name, sum(sweeps_counted), sum(samples_lost)"
            " FROM spring_summary GROUP BY set_name ORDER BY set_name"
        ).fetchall()
        assert rows == [(name, 36, 0) for name in ("heron", "larch", "plover", "rowan")]
        (points,) = db.execute(
            "SELECT count(*) FROM curve_points WHERE counted AND load_kg > 0"
        ).fetchone()
        assert points > 10_000


def test_the_daemon_captures_a_set(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = str(demo)
    run(["--book", book, "set", "new", "birch", "--role", "outer", "--count", "3"])
    port = "virtual:?pace=fast&springs=3&tired=1&seed=1"
    assert run(["--book", book, "daemon", "--port", port, "--set", "birch"]) == 0
    told = capsys.readouterr().out
    assert told.count(", stroke ") == 9
    assert told.count(", conditioning press ") == 6
    assert re.search(r"\b3 of 3 springs", told)
    assert " 0 lost" in told


def test_live_once_prints_one_frame_into_a_pipe(
    demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = str(demo)
    run(["--book", book, "set", "new", "alder", "--role", "outer", "--count", "3"])
    capsys.readouterr()
    port = "virtual:?pace=real&springs=3&seed=1"
    assert run(["--book", book, "live", "--once", "--port", port, "--set", "alder"]) == 0
    told = capsys.readouterr().out
    assert re.search(r"alder.*\b0 of 3 springs", told)
    assert re.search(r"(?m)^>alder-01\b", told)
    assert re.search(r"conditioning press 1 of 2\b", told)
    assert "\x1b[" not in told


def test_live_without_a_capture_says_so(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--book", str(demo), "live", "--once"]) == 0
    assert "No capture is running" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--port", "/dev/no-such-port", "--set", "larch"], "/dev/no-such-port"),
        (["--port", "virtual:?silent=1&pace=fast", "--set", "larch"], "virtual:"),
        (["--port", "virtual:?colour=red", "--set", "larch"], "colour"),
        (["--port", "virtual:", "--set", "oak"], "there is no set 'oak'"),
        (["--port", "recording:/no/such.wire", "--set", "larch"], "/no/such.wire"),
    ],
)
def test_a_daemon_that_cannot_start_says_why_in_one_line(
    demo: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert run(["--book", str(demo), "daemon", *arguments]) == 2
    told = capsys.readouterr()
    assert words in told.err
    assert len(told.err.splitlines()) == 1


def test_an_uncalibrated_rig_is_refused_with_the_command_that_mends_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = str(tmp_path / "new.db")
    run(["--book", book, "set", "new", "larch", "--role", "outer", "--count", "3"])
    assert run(["--book", book, "daemon", "--port", "virtual:?pace=fast", "--set", "larch"]) == 2
    assert "coilbench rig weigh" in capsys.readouterr().err
