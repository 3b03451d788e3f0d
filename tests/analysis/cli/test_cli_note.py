"""Typed readings as lines: slips are asked about, refused where nobody answers; one is mended."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.analysis.cli import note_asking, run
from support.shared import copied, made_once

from .conftest import Call

KG = 9.80665


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four springs, 53 mm free, solid at 24 mm, of which two are read at both heights."""
    return made_once(tmp_path_factory, "noted", _make)


def _make(folder: Path) -> None:
    book = ["--book", str(folder / "b.db")]
    new = ["set", "new", "oak", "--role", "outer", "--count", "4", "--free-length", "53mm"]
    assert run([*book, *new, "--solid-height", "24mm"]) == 0
    lines = ("1 38.5mm 22.4kg", "1 27.6mm 41.7kg", "2 38.5mm 22.7kg", "2 27.6mm 42.1kg")
    assert run([*book, "note", "--set", "oak", *lines]) == 0


@pytest.fixture
def oak(call: Call, made: Path, tmp_path: Path) -> Call:
    copied(made, tmp_path)
    return call


def kept(call: Call, label: str = "") -> list[tuple[str, float]]:
    """What counts, as listed: name and what the scale showed, kg."""
    told = call("set", "readings", "oak", *([label] if label else []), "--json").document
    return [
        (one["reading"], round(one["shown_load_n"] / KG, 2))
        for one in told["readings"]
        if one["counts"]
    ]


@pytest.mark.parametrize(
    ("line", "facts"),
    [
        ("oak-03 27.6mm 419kg", r"419.*41\.9.*41\.90 kg was meant.*--yes"),
        ("oak-03 27.6mm 4.19kg", r"41\.90 kg was meant.*--yes"),
        ("oak-01 35mm 15kg", r"15\.00 kg.*22\.40 kg.*oak-01:1.*--remove oak-01:1"),
        ("oak-03 22.6mm 38.5kg", "solid"),
        ("oak-03 41.9mm 27.6kg", r"27\.60 mm 41\.90 kg was meant"),
        ("oak-03 14.5mm 22.4kg", "solid.*14.50 mm down"),
        ("oak-03 54mm 22.4kg", "above the free length"),
        ("oak-03 24.5mm 47kg", "solid.*--yes"),
        ("oak-03 38.5mm 0kg", "no more than the tare"),
        ("oak-03 38.5mm -3kg", "no more than the tare"),
        ("oak-09 38.5mm 22kg", "has no spring"),
    ],
)
def test_a_doubtful_line_is_refused_with_the_way_out_and_changes_nothing(
    oak: Call, content: Callable[[], str], line: str, facts: str
) -> None:
    before = content()
    oak("note", "--set", "oak", "oak-04 38.5mm 22.5kg", line).refused(facts)
    assert content() == before


@pytest.mark.parametrize(
    ("line", "stored"),
    [
        ("3 27.6mm 419kg", True),
        ("3 24.5mm 47kg", True),
        ("3 38.5mm 0kg", False),
        ("3 54mm 22.4kg", False),
        ("3 22.6mm 38.5kg", False),
        ("1 35mm 15kg", False),  # beside what counts of it, one of the two is wrong
    ],
)
def test_yes_stores_what_is_possible_and_nothing_else(oak: Call, line: str, stored: bool) -> None:
    before = len(kept(oak))
    assert oak("note", "--set", "oak", "--yes", line).status == (0 if stored else 2)
    assert len(kept(oak)) == before + stored


def test_lines_of_one_run_are_held_against_one_another(oak: Call) -> None:
    oak("note", "--set", "oak", "3 38.5mm 22.6kg", "3 27.6mm 20kg").refused(
        "less than the 22.60 kg"
    )
    assert oak("note", "--set", "oak", "3 38.5mm 22.6kg", "3 27.6mm 42kg").status == 0


def test_numbers_without_a_unit_are_taken_and_that_is_said_once(oak: Call) -> None:
    said = oak("note", "--set", "oak", "3 38.5 22.6", "4 15 down 22.0 # rusty")
    assert said.status == 0
    assert len(said.err.splitlines()) == 1
    inches = ("--length-unit", "in", "--load-unit", "lbf")
    said = oak("note", "--set", "oak", "3 1.0866 92.4", "4 1.087in 92 lbs", units=inches)
    assert said.status == 0
    assert len(said.err.splitlines()) == 1
    assert kept(oak, "3") == [("oak-03:1", 22.6), ("oak-03:2", pytest.approx(41.91, abs=0.01))]
    said = oak("set", "check", "oak", "--at", "38.5", "--at", "27.6", "--json")
    assert said.document["set"] == "oak"
    assert len(said.err.splitlines()) == 1
    row = oak("set", "readings", "oak", "4", "--json").document["readings"][0]
    assert (row["remark"], row["depth_mm"], row["spring_height_mm"]) == ("rusty", 15.0, 38.0)


@pytest.mark.parametrize(("typed_mm", "asks"), [("15", True), ("21.19", True), ("21.21", False)])
def test_a_first_length_that_is_as_likely_a_depth_is_asked_about(
    call: Call, typed_mm: str, asks: bool
) -> None:
    """0.4 of 53 mm is 21.2: few springs are pressed so deep. Common practice, no source."""
    new = ("set", "new", "oak", "--role", "outer", "--count", "2", "--free-length", "53mm")
    assert call(*new).status == 0
    said = call("note", "--set", "oak", f"1 {typed_mm} 22.4")
    assert said.status == (2 if asks else 0)
    assert ("down" in said.err) == asks


def test_a_reading_is_replaced_and_removed_and_both_stay_listed(oak: Call) -> None:
    said = oak("note", "--set", "oak", "--replace", "oak-01 27.6mm 41.9kg")
    assert said.status == 0
    assert "oak-01:2" in said.out
    assert kept(oak, "1") == [("oak-01:1", 22.4), ("oak-01:3", 41.9)]
    assert oak("note", "--set", "oak", "--remove", "1:1").status == 0
    assert kept(oak, "1") == [("oak-01:3", 41.9)]
    assert oak("note", "--set", "oak", "--remove", "oak-02 38.5mm").status == 0
    assert kept(oak, "2") == [("oak-02:2", 42.1)]
    told = oak("set", "readings", "oak", "oak-01").out
    assert all(f"oak-01:{n}" in told for n in (1, 2, 3))
    assert oak("set", "strokes", "oak", "--leave", "2:2").status == 0
    assert kept(oak, "2") == []
    assert oak("set", "strokes", "oak", "--use", "2:2").status == 0
    assert kept(oak, "2") == [("oak-02:2", 42.1)]


@pytest.mark.parametrize(
    ("arguments", "facts"),
    [
        (("--replace", "oak-03 27.6mm 41.9kg"), "none.*set readings oak oak-03"),
        (("--replace", "oak-01 27.6mm 419kg"), "41.90 kg was meant"),
        (("--replace", "oak-01:9 27.6mm 41.9kg"), "oak-01:1, oak-01:2"),
        (("--remove", "oak-01:9"), "oak-01:1, oak-01:2"),
        (("--remove", "oak-01"), "not a length"),
        (("--remove", "oak-03 38.5mm"), "none"),
        (("--remove", "oak-01:1", "--remove", "oak-01:9"), "oak-01:1, oak-01:2"),
    ],
)
def test_what_cannot_be_mended_changes_nothing(
    oak: Call, content: Callable[[], str], arguments: tuple[str, ...], facts: str
) -> None:
    before = content()
    oak("note", "--set", "oak", *arguments).refused(facts)
    assert content() == before


def test_an_undone_replacement_counts_again_what_it_replaced(oak: Call) -> None:
    assert oak("note", "--set", "oak", "--replace", "1 27.6mm 40.9kg").status == 0
    assert oak("note", "--set", "oak", "--take-back", "last").status == 0
    assert [kg for _, kg in kept(oak, "1")] == [22.4, 41.7]


def test_asked_for_in_a_pipe_it_goes_on_where_it_was(
    oak: Call, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Three springs in one sitting, the fourth in the next."""
    answers = iter(["22.5", "u", "22.6 # second try", "419", "m", "to 4", "22.3", "q"])
    monkeypatch.setattr(note_asking.click, "prompt", lambda *_, **__: next(answers))
    shutil.copy(tmp_path / "b.db", tmp_path / "kept.db")
    said = oak("note", "--set", "oak")
    assert said.status == 0
    assert "4 of 8" in said.out
    assert kept(oak, "3") == [("oak-03:2", 22.6), ("oak-03:3", 41.9)]
    assert kept(oak, "4") == [("oak-04:1", 22.3)]
    asked: list[str] = []

    def at_the_end(words: str, **_: object) -> str:
        asked.append(words)
        return "q"

    monkeypatch.setattr(note_asking.click, "prompt", at_the_end)
    assert oak("note", "--set", "oak").status == 0
    assert asked[0].startswith("oak-04 (spring 4 of 4), 27.60 mm = 25.40 mm on the quill")


# ------------------------------------------------------------------------ how they were taken


def setups(call: Call, name: str = "oak") -> list[tuple[float, str | None]]:
    told = call("set", "readings", name, "--json").document
    return [(round(one["tare_n"] / KG, 3), one["scale"]) for one in told["readings"]]


def test_a_tare_that_is_not_given_is_as_the_last_time_and_said(oak: Call) -> None:
    said = oak("note", "--set", "oak", "--tare", "3.2kg", "3 38.5mm 25.8kg")
    assert "Earlier readings of oak" in said.out  # those of the fixture had none
    said = oak("note", "--set", "oak", "4 38.5mm 25.9kg")
    assert "As the last time" in said.out
    assert "tare 3.20 kg" in said.out
    assert sorted(setups(oak)) == [(0.0, None)] * 4 + [(3.2, None)] * 2
    said = oak("note", "--set", "oak", "--tare", "0kg", "4 27.6mm 41.9kg")
    assert "Earlier readings of oak" in said.out
    assert sorted(setups(oak)) == [(0.0, None)] * 5 + [(3.2, None)] * 2


def test_another_set_is_read_as_the_last_was_and_it_is_said_whose(oak: Call) -> None:
    assert oak("note", "--set", "oak", "--tare", "3.2kg", "3 38.5mm 25.8kg").status == 0
    assert oak("set", "new", "elm", "--role", "inner", "--count", "2").status == 0
    said = oak("note", "--set", "elm", "1 36mm 15kg")
    assert "oak" in said.out
    assert "tare 3.20 kg" in said.out
    assert setups(oak, "elm") == [(3.2, None)]


def test_a_verdict_on_a_reading_that_its_neighbours_contradict_names_it(call: Call) -> None:
    """49.7 kg for 47.9: the rate beside it is 2.6 kg/mm, where the others have 1.6."""
    assert call("set", "new", "elm", "--role", "outer", "--count", "5").status == 0
    for spring in range(1, 6):
        lines = [f"{spring} {mm}mm {22.4 + 1.62 * (38.5 - mm):.1f}kg" for mm in (38.5, 24.5, 22.8)]
        assert call("note", "--set", "elm", "--tare", "0kg", *lines[:2]).status == 0
        if spring < 5:
            assert call("note", "--set", "elm", lines[2]).status == 0
    slip = ("note", "--set", "elm", "--tare", "3.2kg", "5 22.8mm 53.0kg")  # 49.8 without its tare
    call(*slip).refused(r"47\.80.*--yes")
    assert call(*slip, "--yes").status == 0
    told = (call("set", "readings", "elm"), call("set", "check", "elm", "--at", "22.8mm",
            "--why", "elm-05"))  # fmt: skip
    for said in told:
        assert "elm-05:3 may be a slip" in " ".join(said.out.split())
        assert "elm-05:2 may" not in said.out
    assert "may be a slip" not in call("set", "readings", "elm", "elm-01").out


def test_a_decimal_left_out_beyond_a_weighed_scale_is_offered_even_for_a_first_reading(
    call: Call, tmp_path: Path
) -> None:
    rows = "".join(f"{kg},{kg}\n" for kg in (0, 20, 40, 60, 0, 20, 40, 60))
    (tmp_path / "w.csv").write_text(f"mass_kg,shown_kg\n{rows}")
    assert call("set", "new", "ash", "--role", "outer", "--count", "2").status == 0
    assert call("rig", "weigh", "--scale", "bath", "--from", str(tmp_path / "w.csv")).status == 0
    call("note", "--set", "ash", "--scale", "bath", "1 27.6mm 433kg").refused(
        r"43\.30 kg was meant"
    )


SHEET = "spring,1.7 in lbf,1.22 in lbf\n1,90,197\n2,91,199\n3,90,198\n4,94,208\n"
STROKES = [
    (i / 80.0, 1.68 * (20.0 - abs(20.0 - i / 4.0)), 33.0 + abs(20.0 - i / 4.0)) for i in range(161)
]


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("3 1.22in 97.8lbf", True),  # 197.8 was meant, at a height of the sheet and beside it
        ("3 1.2201in 97.8lbf", True),
        ("3 1.2199in 97.8lbf", True),
        ("3 1.15in 97.8lbf", True),  # beyond all that was read
        ("3 1.8in 140lbf", True),
        ("4 1.217in 198.0lbf", True),
        ("3 1.22in 197.8lbf", False),
        ("3 1.22in 201lbf", False),
        ("4 1.217in 208.5lbf", False),
        ("3 1.15in 213lbf", False),
        ("3 1.8in 68lbf", False),
        ("3 1.45in 145lbf", False),
    ],
)
def test_a_reading_at_or_beyond_the_ends_of_an_imported_sheet_is_weighed(
    call: Call, tmp_path: Path, line: str, asked: bool
) -> None:
    file = tmp_path / "sheet.csv"
    file.write_text(SHEET)
    assert call("set", "new", "ash", "--role", "outer", "--count", "4").status == 0
    assert call("import", str(file), "--set", "ash").status == 0
    assert call("note", "--set", "ash", line).status == (2 if asked else 0)


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("1 33mm 33.6kg", False),
        ("1 33mm 23.6kg", True),
        ("1 32.9mm 23.6kg", True),
        ("1 31mm 36.9kg", False),
        ("1 31mm 63.9kg", True),
    ],
)
def test_a_reading_at_or_beyond_the_end_of_a_curve_is_weighed(
    call: Call, tmp_path: Path, line: str, asked: bool
) -> None:
    file = tmp_path / "stroke.csv"
    rows = "".join(f"{t_s},{kg},{mm}\n" for t_s, kg, mm in STROKES)
    file.write_text(f"t_s,load_kg,height_mm\n{rows}")
    assert call("set", "new", "ash", "--role", "outer", "--count", "2").status == 0
    assert call("import", str(file), "--set", "ash", "--label", "1").status == 0
    assert call("note", "--set", "ash", line).status == (2 if asked else 0)
