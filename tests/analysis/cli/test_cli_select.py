"""Candidate sets out of the whole book: `outer = "*"` in the build file."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from coilbench.analysis.cli import run
from coilbench.analysis.inputs import candidates, selecting
from support.lake_twin import ALL_ALIKE, build_text, labels_of, register
from support.shared import copied, made_once

EVERY = 'outer = "*"\ninner = "*"'
# name, role, free length in mm, rate in N/mm: larch and heron are near the card, rowan a little
# off, the others far
SETS = (
    ("larch", "outer", 50.0, 20.0),
    ("rowan", "outer", 50.1, 20.05),
    ("oak", "outer", 55.0, 30.0),
    ("heron", "inner", 48.0, 10.0),
    ("crane", "inner", 52.0, 18.0),
)
UNTIMED = ("--seconds", "3600")
NAMED = 'outer = ["larch", "rowan", "oak"]\ninner = ["heron", "crane"]'


@pytest.fixture(scope="session")
def shelves(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five sets of six straight springs, pressed in steps of 0.2 mm; larch-03 is tired."""

    def make(folder: Path) -> None:
        path = folder / "book.db"
        for name, role, free_mm, rate in SETS:
            register(
                *(path, name, role, labels_of(name), (free_mm, rate), ("--solid-height", "18mm")),
                heights_mm=np.arange(46.0, 25.0 if name != "oak" else 27.0, -0.2),
                tired=3 if name == "larch" else None,
            )
            mark = "red" if name in ("larch", "heron") else "blue"
            assert run(["--book", str(path), "set", "edit", name, "--mark", mark]) == 0

    return made_once(tmp_path_factory, "shelves", make)


@pytest.fixture
def book(shelves: Path, tmp_path: Path) -> Path:
    return copied(shelves, tmp_path) / "book.db"


def build(book: Path, springs: str, valves: str = ALL_ALIKE.format(2)) -> str:
    path = book.parent / "twin.toml"
    shims = '[[shims]]\nthickness = "0.4 mm"\ncount = 4'
    path.write_text(build_text(valves, springs=springs, shims=shims))
    return str(path)


def told(book: Path, capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    assert run(["--book", str(book), *arguments]) == status
    return capsys.readouterr().out


def assigned(book: Path, capsys: pytest.CaptureFixture[str], springs: str) -> dict[str, Any]:
    found = json.loads(told(book, capsys, "assign", build(book, springs), *UNTIMED, "--json"))
    assert isinstance(found, dict)
    return found


def test_every_set_is_the_same_as_all_of_them_named(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    every, named = (assigned(book, capsys, springs) for springs in (EVERY, NAMED))
    shelves = {shelf["role"]: shelf for shelf in every.pop("from_book")}
    assert every == named
    assert (shelves["outer"]["springs"], shelves["outer"]["sets"]) == (18, 3)
    assert shelves["inner"]["judged"] == ["heron", "crane"]  # as they were made
    assert shelves["outer"]["only_looked_at"] == 0


def few(patch: pytest.MonkeyPatch, spare: int = 0) -> None:
    """Take five sets for many; without time so many springs for each valve are judged."""
    patch.setattr(selecting, "FEW_SETS", 1)
    patch.setattr(selecting, "SPARE", spare)


def test_of_many_sets_the_nearest_are_judged_and_the_bound_is_over_all(
    book: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    everything = assigned(book, capsys, NAMED)
    few(monkeypatch, 1)
    no_time = ("assign", build(book, EVERY), "--seconds", "0")
    found = json.loads(told(book, capsys, *no_time, "--json"))
    judged = {shelf["role"]: shelf["judged"] for shelf in found["from_book"]}
    assert judged["outer"] in (["larch"], ["rowan"])
    assert judged["inner"] == ["heron"]
    assert found["objective"] >= everything["objective"] - 1e-9
    assert found["bound"] <= everything["objective"]
    assert not found["proven"]  # the other may come nearer
    out = told(book, capsys, *no_time)
    assert "From the whole book, outer: 18 springs of 3 sets." in out
    assert re.search(r"Judged: (larch|rowan), .*12 springs of other sets were only looked at", out)
    assert re.search(r"Not proven: .* 12 .* read exactly, 18 springs were only looked at", out)
    assert "no other choice is below 0" in out
    assert re.search(r"takes first looks to be off by up to .*; on \d+ judged springs? it was", out)


def test_sets_are_judged_until_no_other_can_come_nearer(
    book: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Oak is far too strong, crane too: they are not judged, and it is proven without them."""
    four = ALL_ALIKE.format(4)
    few(monkeypatch)
    everything, found = (
        json.loads(told(book, capsys, "assign", build(book, springs, four), *UNTIMED, "--json"))
        for springs in (NAMED, EVERY)
    )
    outer, inner = found["from_book"]
    assert (outer["judged"], outer["only_looked_at"]) == (["larch", "rowan"], 6)
    assert (inner["judged"], inner["only_looked_at"]) == (["heron"], 6)
    assert found["objective"] == pytest.approx(everything["objective"], abs=1e-6)
    assert found["proven"] == everything["proven"]
    assert found["bound"] == pytest.approx(everything["bound"], abs=1e-6)
    chosen = next(one for one in found["levels"] if one["effort"] == found["effort"])
    assert (chosen["read_exactly"], chosen["looked_at"]) == (18, 12)


def test_several_at_once_give_the_same_as_one_after_the_other(
    book: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    few(monkeypatch)
    found = []
    for many, instead in ((99, (candidates.Several, "each")), (1, (candidates.SetJudge, "_alone"))):
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / f"cache{many}"))
        with monkeypatch.context() as patch:
            patch.setattr(candidates, "MANY", many)
            patch.delattr(*instead)
            found.append(assigned(book, capsys, EVERY))
    assert found[0] == found[1]
    assert found[0]["from_book"][0]["judged"]


def test_what_was_judged_before_is_read_from_its_answer(
    book: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    """All answers are kept by the first question: then nothing is only looked at."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    everything = assigned(book, capsys, NAMED)
    few(monkeypatch)
    found = assigned(book, capsys, EVERY)
    outer, inner = found["from_book"]
    assert outer["judged"] == ["larch", "rowan", "oak"]
    assert outer["only_looked_at"] == inner["only_looked_at"] == 0
    assert found["objective"] == pytest.approx(everything["objective"], abs=1e-6)
    assert found["proven"] == everything["proven"]
    with closing(sqlite3.connect(book)) as plain:
        assert plain.execute("SELECT count(*) FROM sets").fetchone() == (5,)
    more = book.parent / "more.csv"
    more.write_text("label,height_mm,load_n\nrowan-01,40.0,200\nrowan-01,39.0,220\n")
    assert run(["--book", str(book), "import", str(more), "--set", "rowan"]) == 0
    capsys.readouterr()
    again = ("assign", build(book, EVERY), "--seconds", "0", "--json")
    outer = json.loads(told(book, capsys, *again))["from_book"][0]
    assert outer["only_looked_at"] == 6  # rowan's answer is of what was there before


def test_however_little_time_there_is_every_valve_has_springs(
    book: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(selecting, "FEW_SETS", 1)
    where = build(book, EVERY)
    found = json.loads(told(book, capsys, "assign", where, "--seconds", "0", "--json"))
    assert len(found["valves"]) == 2
    assert found["bound"] <= found["objective"]


def test_pair_compares_the_nearest_sets(
    book: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    few(monkeypatch)
    monkeypatch.setattr(selecting, "MOST_PAIRED", 1)
    out = told(book, capsys, "pair", build(book, EVERY))
    assert "Judged: larch" in out
    assert "rowan" not in out
    document = json.loads(told(book, capsys, "pair", build(book, EVERY), "--json"))
    assert {each["outer"] for each in document["combinations"]} == {"larch"}
    assert document["from_book"][1]["judged"] == ["heron"]


def test_where_selects_by_mark_and_by_what_was_pressed(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    red = assigned(book, capsys, f'{EVERY}\nwhere = {{ mark = "Red" }}')
    assert [shelf["judged"] for shelf in red["from_book"]] == [["larch"], ["heron"]]
    deep = assigned(book, capsys, f'{EVERY}\nwhere = {{ read_down_to = "26 mm" }}')
    outer = deep["from_book"][0]
    assert (outer["judged"], outer["outside"]) == (["larch", "rowan"], 6)
    out = told(book, capsys, "assign", build(book, f'{EVERY}\nwhere.read_down_to = "26 mm"'))
    assert "18 springs of 3 sets; 6 not pressed as far as springs.where asks." in out


def test_what_was_not_read_stays_out_and_is_counted(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = ["set", "new", "ash", "--role", "outer", "--count", "4"]
    assert run(["--book", str(book), *new]) == 0
    short = book.parent / "short.csv"
    short.write_text("label,height_mm,load_n\nash-01,45.0,100\nash-01,44.0,120\n")
    assert run(["--book", str(book), "import", str(short), "--set", "ash"]) == 0
    capsys.readouterr()
    outer = assigned(book, capsys, EVERY)["from_book"][0]
    assert (outer["springs"], outer["unmeasured"], outer["not_read"]) == (22, 3, 1)
    assert "ash" not in outer["judged"]


def test_the_sheet_takes_every_set_too(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = json.loads(told(book, capsys, "report", build(book, EVERY), "--json"))
    assert "larch" in json.dumps(sheet)


@pytest.mark.parametrize(
    ("springs", "valves", "said"),
    [
        (f'{EVERY}\nwhere = {{ mark = "green" }}', None, "no outer spring marked 'green'"),
        (f'{EVERY}\nwhere = {{ colour = "red" }}', None, "colour: unknown key.*Known: mark, read"),
        (f"{EVERY}\nwhere = {{ read_down_to = 26 }}", None, "26 has no unit"),
        (f'{EVERY}\nwhere = "mark is red"', None, "is not a section"),
        (f'{NAMED}\nwhere = {{ mark = "red" }}', None, "where selects from every set"),
        ('outer = "larch"', None, r'not a list of sets. Write a list like \["larch"\], or "\*"'),
        ("outer = 3", None, r'3 is not a list, or "\*"'),
        (f'{EVERY}\nwhere = {{ read_down_to = "5 mm" }}', None, "none of the book's 18 outer"),
        (EVERY, "installed_height = '40 mm'", "no set says how many valves"),
    ],
)
def test_what_selects_nothing_is_refused_in_one_line(
    book: Path, capsys: pytest.CaptureFixture[str], springs: str, valves: str | None, said: str
) -> None:
    given = () if valves is None else (valves,)
    assert run(["--book", str(book), "assign", build(book, springs, *given)]) == 2
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert re.search(said, err), err


@pytest.mark.parametrize("command", [("plan",), ("depths",), ("set", "check", "larch", "--build")])
def test_commands_that_need_names_say_so(
    book: Path, capsys: pytest.CaptureFixture[str], command: tuple[str, ...]
) -> None:
    assert run(["--book", str(book), *command, build(book, EVERY)]) == 2
    assert re.search("needs sets by name.*assign chose", capsys.readouterr().err)


def test_a_label_that_seems_to_be_of_another_set_is_told_with_its_own(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As after sharing: larch here is another bench's fir there, so its labels say larch."""
    told(book, capsys, "set", "edit", "larch", "--rename", "birch")
    valves = assigned(book, capsys, EVERY)["valves"]
    taken = [valve for valve in valves if valve["outer_set"] == "birch"]
    assert taken
    assert all(valve["outer"].startswith("birch/larch-") for valve in taken)
    assert all(valve["inner"].startswith(f"{valve['inner_set']}-") for valve in valves)
    assert "birch/larch-0" in told(book, capsys, "assign", build(book, EVERY), *UNTIMED)
    sheet = build(book, EVERY)
    told(book, capsys, "report", sheet, *UNTIMED)
    assert "birch/larch-0" in Path(sheet).with_suffix(".html").read_text()
    named = assigned(book, capsys, 'outer = ["birch"]\ninner = ["heron"]')["valves"]
    assert {valve["outer"][:6] for valve in named} == {"larch-"}  # the file says which set


def full_name(book: Path, name: str) -> str:
    with closing(sqlite3.connect(book)) as db:
        (set_id,) = db.execute("SELECT id FROM sets WHERE name = ?", [name]).fetchone()
    return f"{name}~{set_id[:4]}"


@pytest.mark.parametrize(
    "command", [("assign",), ("pair",), ("plan",), ("report", "-o", "sheet.html"), ("depths",)]
)
def test_one_set_under_two_names_is_refused_and_under_its_full_name_it_is_itself(
    book: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: tuple[str, ...],
) -> None:
    larch, heron = (full_name(book, name) for name in ("larch", "heron"))
    twice = build(book, f'outer = ["larch", "{larch}"]\ninner = ["heron"]')
    monkeypatch.chdir(book.parent)
    verb, *options = command
    assert run(["--book", str(book), verb, twice, *options]) == 2
    refused = " ".join(capsys.readouterr().err.split())
    assert f"'larch' and '{larch}' are one set in this book, 'larch'" in refused
    assert not Path("sheet.html").exists()
    if command[0] == "plan":  # where an inner stands is asked by its name
        full, bare = (
            told(book, capsys, "plan", build(book, springs))
            for springs in (
                f'outer = ["{larch}"]\ninner = ["{heron}"]',
                'outer = ["larch"]\ninner = ["heron"]',
            )
        )
        assert full == bare
