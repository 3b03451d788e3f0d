"""`coilbench set strokes`, and what `set check` says of strokes: seen, kept, overruled."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench.capture.blocks import Finding
from coilbench.capture.book import opening
from coilbench.capture.book.counting import uncount
from coilbench.capture.book.notes import note_of
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set

KG = 9.80665
AT = ("--at", "38.5mm", "--at", "27.6mm")
FINE = ("--resolution", "0.01kg", "--repeatability", "0.02kg", "--quill", "0.01mm")

Call = Callable[..., Any]  # says what conftest.py's Said is
ELM = ("set", "check", "elm", "--at", "38mm", "--at", "29mm")


def load_n(said: Any, label: str, at: int = 1) -> float:
    springs = {spring["label"]: spring for spring in said.document["springs"]}
    return float(springs[label]["readings"][at]["load_n"])


def test_a_slip_is_left_out_said_and_overruled_for_every_later_report(pressed: Call) -> None:
    said = pressed(*ELM)
    assert re.search(r"\bb\b.*\b2\b.*slipped.*\b1\.6", said.out)
    assert re.search("coilbench set strokes elm --use b:2", said.out)
    true_n = 16.0 * (53.0 - 29.0)
    assert load_n(pressed(*ELM, "--json"), "b") == pytest.approx(true_n, abs=0.2)
    used = pressed("set", "strokes", "elm", "--use", "b:2")
    assert used.status == 0
    assert "a: 3 strokes kept, nothing against them." in used.out
    assert "  2: kept, by a ruling. slipped:" in used.out
    assert "c: not measured yet." in used.out
    # a third of 16 N, both branches at 29 mm lie below the slip
    assert load_n(pressed(*ELM, "--json"), "b") == pytest.approx(true_n - 16.0 / 3.0, abs=0.3)
    assert pressed("set", "strokes", "elm", "--by-rule", "b:2").status == 0
    assert load_n(pressed(*ELM, "--json"), "b") == pytest.approx(true_n, abs=0.2)


def test_a_stroke_that_was_redone_is_said_in_words(pressed: Call, tmp_path: Path) -> None:
    pressed(*ELM)
    with open_book(tmp_path / "b.db") as db:
        found = note_of([Finding.of("pressed_again", presses=2)])
        db.execute("UPDATE sweeps SET note = ?", [found])
        db.conn.commit()
        assert uncount(db, find_set(db, "elm").spring("a").spring_id, last_only=True)
    said = " ".join(pressed("set", "strokes", "elm", "--spring", "a").out.split())
    assert "did not count it: pressed 2 times before the release; redone" in said
    assert "{" not in said


def test_a_stroke_in_doubt_that_a_person_let_count_is_said_to_be_one(
    pressed: Call, tmp_path: Path
) -> None:
    doubt = Finding.of("datum_moved", label="a", moved_mm=0.5, calibrated_anew=False)
    pressed(*ELM)
    with open_book(tmp_path / "b.db") as db:
        row = next(
            db.query(
                "SELECT sweeps.id FROM sweeps JOIN springs ON springs.id = spring_id"
                " WHERE label = 'a'"
            )
        )
        found = note_of([doubt, Finding.of("accepted", label="a")])
        db.execute("UPDATE sweeps SET note = ? WHERE id = ?", [found, row["id"]])
        db.conn.commit()
    said = " ".join(pressed("set", "strokes", "elm").out.split())
    assert "1: kept, in doubt: a moved by +0.50 mm" in said
    assert "counts, as you said" in said
    spring = pressed("set", "strokes", "elm", "--json").document["springs"][0]
    assert spring["strokes"][0]["why"] == "in_doubt"


def test_why_lists_every_stroke_of_that_spring(pressed: Call) -> None:
    said = pressed(*ELM, "--why", "b")
    listed = said.out[said.out.index("Strokes:") :].splitlines()
    assert listed[1] == "  1: kept, nothing against it."
    assert listed[2].startswith("  2: left out, slipped. slipped: the load suddenly lost")
    assert "  3: kept, nothing against it." in listed
    assert "Your rulings override this: coilbench set strokes --help." in " ".join(said.out.split())
    strokes = pressed(*ELM, "--why", "b", "--json").document["strokes"]
    assert [one["kept"] for one in strokes] == [True, False, True]
    assert strokes[1]["findings"][0]["kind"] == "slipped"


def test_a_stroke_that_stopped_short_of_what_is_asked_is_named(pressed: Call) -> None:
    said = pressed("set", "check", "elm", "--at", "38mm", "--at", "26mm", "--why", "a")
    assert said.status == 2  # no spring at all was measured at 26 mm
    assert "was measured from 27." in said.err


def test_every_stroke_left_out_leaves_the_spring_unmeasured(pressed: Call) -> None:
    arguments = [word for n in (1, 2, 3) for word in ("--leave", f"b:{n}")]
    assert pressed("set", "strokes", "elm", *arguments).status == 0
    said = pressed(*ELM)
    assert "Not measured yet: b, c." in said.out


def test_a_mistyped_reading_is_taken_out_again(larch: Call) -> None:
    assert larch("note", "--set", "larch", *FINE, "--yes", "1 38.5mm 32.0kg").status == 0
    before = load_n(larch("set", "check", "larch", *AT, "--json"), "larch-01", 0)
    assert larch("set", "strokes", "larch", "--leave", "1:3").status == 0
    after = load_n(larch("set", "check", "larch", *AT, "--json"), "larch-01", 0)
    assert (before / KG, after / KG) == pytest.approx((27.477, 22.954), abs=0.01)


def test_strokes_as_json(pressed: Call) -> None:
    told = pressed("set", "strokes", "elm", "--spring", "b", "--json").document
    (spring,) = told["springs"]
    assert [one["number"] for one in spring["strokes"]] == [1, 2, 3]
    assert [one["why"] for one in spring["strokes"]] == [
        "nothing_against",
        "spoilt",
        "nothing_against",
    ]


def test_every_stroke_of_a_set_can_be_left_out_and_counted_again(pressed: Call) -> None:
    """As when another's false set came in: it can't be removed, and no build takes its springs."""
    every = [f"{label}:{n}" for label in ("a", "b") for n in (1, 2, 3)]
    said = pressed("set", "strokes", "elm", *(word for one in every for word in ("--leave", one)))
    assert said.status == 0
    assert said.out.count("left out, by ") == len(every)
    assert "no stroke of set 'elm' counts" in (refused := pressed(*ELM)).err
    assert "coilbench set strokes elm" in refused.err
    assert pressed("set", "strokes", "elm", "--by-rule", "a:1").status == 0
    assert pressed(*ELM).status in (0, 1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("elm", "--use", "b"), "is not a stroke"),
        (("elm", "--use", "b:"), "is not a stroke"),
        (("elm", "--use", "b:-1"), "is not a stroke"),
        (("elm", "--use", "b:4"), "has no stroke 4"),
        (("elm", "--leave", "c:1"), "It has none yet"),
        (("elm", "--leave", "z:1"), "no spring 'z'"),
        (("elm", "--leave", "b:1", "--use", "b:1"), "duplicate stroke"),
        (("elm", "--leave", "b:1", "--use", "b:9"), "has no stroke 9"),
        (("elm", "--spring", "z"), "no spring 'z'"),
        (("oak",), "there is no set 'oak'"),
    ],
)
def test_strokes_refuse_in_one_line(
    pressed: Call, content: Callable[[], str], arguments: tuple[str, ...], words: str
) -> None:
    before = content()
    pressed("set", "strokes", *arguments).refused(words)
    assert content() == before


def test_a_short_stroke_is_kept_for_what_it_reached(
    pressed: Call, tmp_path: Path, slipping_file: Callable[..., str]
) -> None:
    text = Path(slipping_file(tmp_path, "short.csv")).read_text().splitlines()
    rows = [row for row in text[1:] if float(row.split(",")[2]) > 33.0]
    # closed up in time where the deepest part was cut away, as if it had been let go there
    rows = [f"{n / 50:.2f},{row.split(',', 1)[1]}" for n, row in enumerate(rows)]
    (tmp_path / "short.csv").write_text("\n".join([text[0], *rows]))
    file = str(tmp_path / "short.csv")
    assert pressed("import", file, "--set", "elm", "--label", "a").status == 0
    said = pressed(*ELM, "--why", "a")
    told = " ".join(said.out[said.out.index("Strokes:") :].split())
    assert re.search(r"\b4\b.*\b33\.", told)
    assert re.search(r"\b29\.00 mm", told)


def test_a_spring_whose_every_stroke_slipped_is_unsure(
    pressed: Call, tmp_path: Path, slipping_file: Callable[..., str]
) -> None:
    file = slipping_file(tmp_path, "c.csv", 1.2)
    assert pressed("import", file, "--set", "elm", "--label", "c").status == 0
    said = pressed(*ELM)
    assert "c unsure: its only stroke is doubtful (slipped): seat it again and press it" in said.out
    assert "c stroke 1: kept, slipped, but too few others to go by. slipped:" in said.out
    assert "To leave one out: coilbench set strokes elm --leave c:1" in said.out
    # whoever rules it in has looked
    assert pressed("set", "strokes", "elm", "--use", "c:1").status == 0
    assert "unsure" not in pressed(*ELM).out


def test_springs_that_were_exchanged_in_the_press_get_each_others_label(pressed: Call) -> None:
    before = pressed(*ELM, "--json")
    loads = {label: load_n(before, label) for label in ("a", "b")}
    assert loads["a"] != loads["b"]
    said = pressed("set", "strokes", "elm", "--swap", "a", "b").out
    assert re.search(
        r"pressed as a is now b's.*by hand stay with their labels", " ".join(said.split())
    )
    swapped = pressed(*ELM, "--json")
    assert load_n(swapped, "a") == loads["b"]
    assert load_n(swapped, "b") == loads["a"]
    strokes = pressed("set", "strokes", "elm", "--swap", "b", "a", "--json").document
    assert [spring["label"] for spring in strokes["springs"]] == ["a", "b", "c"]
    assert load_n(pressed(*ELM, "--json"), "a") == loads["a"]


@pytest.mark.parametrize("labels", [("a", "a"), ("a", "none"), ("none", "a")])
def test_a_swap_that_cannot_be_changes_nothing(pressed: Call, labels: tuple[str, str]) -> None:
    before = pressed(*ELM, "--json").out
    said = pressed("set", "strokes", "elm", "--swap", *labels)
    assert (said.status, said.out) == (2, "")
    assert pressed(*ELM, "--json").out == before


def test_strokes_of_a_book_that_cannot_be_written_are_shown_and_not_ruled_on(
    pressed: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = pressed("set", "strokes", "elm")
    monkeypatch.setattr(opening, "may_be_written", lambda _: False)
    said = pressed("set", "strokes", "elm")
    assert (said.status, said.out) == (0, shown.out)
    said = pressed("set", "strokes", "elm", "--leave", "a:1")
    assert said.status == 2
    assert "cannot be written" in said.err
