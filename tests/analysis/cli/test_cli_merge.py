"""`coilbench merge`, as a person types it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from support.book_changes import calibrates, makes, write


def told(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    capsys.readouterr()
    done = run(list(arguments))
    out = capsys.readouterr()
    assert done == status, out.err
    return out.out + out.err


def test_two_books_are_merged_and_what_happened_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = str(tmp_path / "one.db"), str(tmp_path / "two.db")
    for book in (one, two):
        told(capsys, "--book", book, "set", "new", "larch", "--role", "outer", "--count", "2")
        told(capsys, "--book", book, "note", "--set", "larch", "larch-01 38.5mm 22.4kg")
    words = told(capsys, "--book", one, "merge", two)
    assert re.search(r"\b1 set.*\b2 springs.*\b1 stroke", words)
    assert re.search(r"larch~\w{4}", words)
    assert "kept as " in words
    listed = json.loads(told(capsys, "--book", one, "set", "list", "--json"))["sets"]
    assert [(one["springs"], one["name"][:6]) for one in listed] == [(2, "larch"), (2, "larch~")]
    assert "nothing new." in told(capsys, "--book", one, "merge", two)
    again = json.loads(told(capsys, "--book", one, "merge", two, "--json"))
    assert again == {"books": [two], "brought": {}, "notes": [], "kept": None}


def test_a_refusal_is_one_line_and_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = str(tmp_path / "one.db")
    told(capsys, "--book", one, "set", "new", "larch", "--role", "outer", "--count", "2")
    words = told(capsys, "--book", one, "merge", one, status=2)
    assert len(words.splitlines()) == 1
    assert "the book itself" in words
    assert "Missing argument" in told(capsys, "--book", one, "merge", status=2)


def test_springs_added_to_a_set_of_two_names_are_labelled_by_its_bare_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = (str(tmp_path / name) for name in ("one.db", "two.db"))
    for book in (one, two):
        told(capsys, "--book", book, "set", "new", "elm", "--role", "outer", "--count", "2")
    told(capsys, "--book", one, "merge", two)
    listed = json.loads(told(capsys, "--book", one, "set", "list", "--json"))["sets"]
    (other,) = (each["name"] for each in listed if "~" in each["name"])
    told(capsys, "--book", one, "set", "edit", other, "--count", "3")
    shown = json.loads(told(capsys, "--book", one, "set", "show", other, "--json"))
    assert [spring["label"] for spring in shown["springs"]] == ["elm-01", "elm-02", "elm-03"]


def test_a_settled_nominal_is_said_in_the_display_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = tmp_path / "one.db", tmp_path / "two.db"
    told(capsys, "--book", str(one), "set", "new", "larch", "--role", "outer", "--count", "2")
    two.write_bytes(one.read_bytes())
    told(capsys, "--book", str(one), "set", "nominal", "larch", "230N@38.1mm")
    told(capsys, "--book", str(two), "set", "nominal", "larch", "240N@38.1mm")
    shown = ("--load-unit", "lbf", "--length-unit", "in")
    words = told(capsys, *shown, "--book", str(one), "merge", str(two))
    assert "entered at two benches" in words
    assert "54.0 lbf at 1.500 in" in words  # 240 N over 4.4482216152605 N, 38.1 mm over 25.4 mm
    assert " mm" not in words
    told(capsys, "--book", str(one), "set", "nominal", "larch", "230N@38.1mm")
    merged = ("merge", str(one), "--json")
    (note,) = json.loads(told(capsys, *shown, "--book", str(two), *merged))["notes"]
    # said later, knowing of the 240
    assert "now 230.0 N at 38.10 mm, no tolerance; before 240.0 N at 38.10 mm" in note


def test_two_scales_of_one_name_are_told_apart_in_what_was_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each bench's own is the one that it calls so, before and after."""
    one, two = str(tmp_path / "one.db"), str(tmp_path / "two.db")
    for book, name, factor in ((one, "larch", 1.0), (two, "fir", 0.8)):
        file = tmp_path / "weights.csv"
        file.write_text(
            "mass_kg,shown_kg\n" + "".join(f"{kg},{factor * kg}\n" for kg in (0, 10, 20, 40))
        )
        weigh = ("rig", "weigh", "--scale", "bathroom", "--from", str(file))
        told(capsys, "--book", book, *weigh)
        told(capsys, "--book", book, "set", "new", name, "--role", "outer", "--count", "2")
        note = ("note", "--set", name, "--scale", "bathroom", "--tare", "1kg")
        told(capsys, "--book", book, *note, "1 38.5 24", "1 27.6 30")
    words = told(capsys, "--book", two, "merge", one)
    full = re.search(r"that is (bathroom~\w{4}) here, and bathroom stays this bench's", words)
    assert full is not None
    assert f"scale {full[1]}" in told(capsys, "--book", two, "set", "readings", "larch")
    assert "scale bathroom " in told(capsys, "--book", two, "set", "readings", "fir")
    note = ("note", "--set", "larch", "2 38.5 20", "--scale", "bathroom", "--tare", "0kg")
    told(capsys, "--book", two, *note)
    listed = json.loads(told(capsys, "--book", two, "set", "readings", "larch", "--json"))
    assert listed["readings"][-1]["load_n"] == pytest.approx(9.80665 * 20 / 0.8, rel=1e-6)


def test_another_benchs_rig_is_not_shown_as_this_benchs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = (str(tmp_path / name) for name in ("one.db", "two.db"))
    write(Path(one), calibrates(2000.0))
    write(Path(two), makes("rowan"))
    told(capsys, "--book", two, "merge", one)
    whose = "No rig was calibrated at this bench: this is another bench's"
    assert whose in told(capsys, "--book", two, "rig", "card")
    assert "another bench's: no rig was calibrated at this one" in told(
        capsys, "--book", two, "status"
    )
    assert whose not in told(capsys, "--book", one, "rig", "card")


def test_what_another_bench_told_is_said_in_the_display_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = tmp_path / "one.db", tmp_path / "two.db"
    told(capsys, "--book", str(one), "set", "new", "oak", "--role", "outer", "--count", "2")
    two.write_bytes(one.read_bytes())
    told(capsys, "--book", str(one), "set", "edit", "oak", "--rests", "900g")
    words = told(capsys, "--book", str(two), "merge", str(one))
    assert (
        "oak: the weight that rests on the springs was changed at another bench: now 0.90 kg"
        in (words)
    )
    for book, length in ((one, "53.1mm"), (two, "53.4mm")):
        told(capsys, "--book", str(book), "set", "edit", "oak", "--free-length", length)
    words = told(capsys, "--length-unit", "in", "--book", str(two), "merge", str(one))
    assert "oak: the free length was entered at two benches, neither knowing of the other" in words
    assert "2.102 in holds, not 2.091 in" in words  # 53.4 and 53.1 mm over 25.4 mm; the later
