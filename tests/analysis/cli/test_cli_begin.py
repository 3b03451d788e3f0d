"""`coilbench begin`: from nothing to the first press, whenever it is interrupted."""

from __future__ import annotations

import io
import sqlite3
import tomllib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import click
import pytest

from coilbench.analysis.cli import asking
from coilbench.analysis.cli.begin import _missing
from coilbench.analysis.cli.begin_draft import Draft, pending_sets
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set, set_names
from coilbench.capture.unit_factors import KGF_N, LBF_N

# What the person knows: the first words of a question that is part of it, and the answer.
SETS = {
    "larch": {
        "outer, inner": "outer",
        "how many": "4",
        "free": "53",
        "solid": "24.5mm",
        "mean coil": "30",
        "active coils": "4.5",
        "wire": "3.8 mm",
    },
    "heron": {
        "outer, inner": "inner",
        "how many": "h1, h2, h3",
        "free": "",
        "solid": "",
        "wire": "",
    },
}
ANSWERS = {
    "outer (or single) sets": "",
    "inner sets": "",
    "Its name, as on the card": "road # grind",
    "One card": "one",
    "Does the card": "valve",
    "Valve lift": "10.2",
    "Seat load": "75 lbs",
    "its tolerance": "5%",
    "Open load": "706 N",
    "Highest engine speed": "6200",
    "Installed height": "39",
    "How many valves": "1 in, 1 ex",
    "valve 1 in": "",
    "valve 1 ex": "1.54in",
    "How well these heights": "0.1 mm",
    "How much lower": "2",
    "How deep a seat": "",
    "thickness x how many": "0.5 x 12",
    "Its name (like bathroom)": "bathroom",
    "Its smallest step": "0.1",
    "The tare": "0",
    "Its give": "1.1",
    "and that load": "50",
    "Has it been weighed": "no",
}
BUILD = {
    "cam": {
        "name": "road # grind",
        "valve_lift": "10.2 mm",
        "seat_load": "75 lbs",
        "seat_tolerance": "5%",
        "open_load": "706 N",
        "open_tolerance": "5%",
        "max_rpm": 6200,
    },
    "head": {
        "installed_height": "39 mm",
        "height_u": "0.1 mm",
        "inner_offset": "2 mm",
        "valves": {"1 in": {}, "1 ex": "1.54in"},
    },
    "springs": {"outer": ["larch"], "inner": ["heron"]},
    "scale": {
        "name": "bathroom",
        "step": "0.1 kg",
        "tare": "0 kg",
        "give": "1.1 mm",
        "give_at": "50 kg",
    },
    "shims": [{"thickness": "0.5 mm", "count": 12}],
}


class Person:
    """Answers by the question, and what has an answer already with Enter.

    An impatient one leaves at each question that is new, and answers it when it is asked again.
    """

    def __init__(self, book: Path) -> None:
        self.book, self.patient = book, True
        self.told: set[str] = set()  # what was asked and had an answer
        self.met: set[tuple[str, ...]] = set()

    def __call__(self, question: str, **_: Any) -> str:
        asked = (question, *(self._sets() if question.startswith("Name of") else ()))
        if asked not in self.met:
            self.met.add(asked)
            if not self.patient:
                raise click.Abort
        assert question not in self.told or question.startswith(("Name of", "thickness")), question
        answer = self._answer(question)
        if answer and not question.endswith("]"):
            self.told.add(question)
        return answer

    def _answer(self, question: str) -> str:
        if question.startswith("Name of"):
            return next((one for one in SETS if one not in self._sets()), "")
        if question.endswith("]") and "valve or lobe" not in question:
            return ""
        name = next((one for one in SETS if question.startswith(f"  {one}:")), None)
        answers = ANSWERS if name is None else SETS[name]
        return next(answer for words, answer in answers.items() if words in question)

    def _sets(self) -> list[str]:
        if not self.book.exists():
            return []
        with closing(sqlite3.connect(self.book)) as db:  # opening it as a book costs more
            return [name for (name,) in db.execute("SELECT name FROM sets")]


@pytest.fixture
def person(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Person:
    somebody = Person(tmp_path / "b.db")
    monkeypatch.setattr(asking.click, "prompt", somebody)
    return somebody


@pytest.fixture
def begin(call: Callable[..., Any], person: Person, tmp_path: Path) -> Callable[[], Any]:
    """Run `begin` with that person; return what it said."""
    return lambda: call("begin", str(tmp_path / "engine.toml"))


def kept(folder: Path) -> tuple[Any, ...]:
    with open_book(folder / "b.db") as db:
        sets = [find_set(db, name) for name in set_names(db)]
    dimensions = [
        (s.name, s.role, s.labels, s.free_length_mm, s.solid_height_mm, s.wire_mm,
         s.coil_diameter_mm, s.active_coils)
        for s in sets
    ]  # fmt: skip
    return dimensions, tomllib.loads((folder / "engine.toml").read_text())


def test_from_nothing_to_the_first_press(begin, call, tmp_path) -> None:
    said = begin()
    assert (said.status, said.err) == (0, "")
    sets, build = kept(tmp_path)
    assert sets == [
        ("larch", "outer", tuple(f"larch-0{n}" for n in range(1, 5)), 53.0, 24.5, 3.8, 30.0, 4.5),
        ("heron", "inner", ("h1", "h2", "h3"), None, None, None, None, None),
    ]
    assert build == BUILD
    text = (tmp_path / "engine.toml").read_text()
    assert "# with the valve shut" in text
    assert "#? max_seat_cut" in text
    assert "taken as 53 mm" in said.out
    assert "taken as 0.5 mm" in said.out
    assert "max seat cut" in said.out
    plan = call("plan", str(tmp_path / "engine.toml"), "--json").document
    first = plan["presses"][0]
    assert first["label"] in said.out
    assert f"{first['height_mm']:.2f}" in said.out
    assert call("status").out.count("coilbench") >= 1


def test_left_at_every_question_nothing_kept_is_lost_and_it_goes_on(
    begin, person, tmp_path, monkeypatch
) -> None:
    """The same book and file as of one who answered at one sitting; nobody is asked twice."""
    begin()
    whole, met = kept(tmp_path), person.met
    for name in ("engine.toml", "b.db"):
        (tmp_path / name).unlink()
    person.patient, person.told, person.met = False, set(), set()
    monkeypatch.setattr("coilbench.analysis.cli.begin.show_plan", lambda *_: None)
    times = 0
    while (said := begin()).status != 0:
        assert "coilbench begin" in said.out
        times += 1
        assert times == len(person.met)  # it came further
    assert kept(tmp_path) == whole
    left, all_there_are = (
        {asked[0].partition(" [")[0] for asked in one} for one in (person.met, met)
    )
    assert left >= all_there_are


def test_a_set_that_can_not_be_registered_yet_waits_in_the_file(piped, call, tmp_path) -> None:
    piped("larch", "", 'row "an', "single")
    text = (tmp_path / "engine.toml").read_text()
    assert pending_sets(text) == {"larch": "", 'row "an': "single"}
    said = piped("?", "", "4", "", "")
    assert pending_sets((tmp_path / "engine.toml").read_text()) == {}
    assert kept(tmp_path)[0][0][:2] == ('row "an', "single")
    assert 'row "an: outer, inner or single [single]' in said.out


def test_answered_again_nothing_changes(begin, tmp_path) -> None:
    begin()
    before = kept(tmp_path), (tmp_path / "engine.toml").read_text()
    begin()
    assert (kept(tmp_path), (tmp_path / "engine.toml").read_text()) == before


# ------------------------------------------------------------------ over a pipe


@pytest.fixture
def piped(
    call: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Any]:
    """Run `begin` with lines on a pipe, which ends behind them."""

    def run_it(*lines: str, units: tuple[str, ...] = ()) -> Any:
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        return call("begin", str(tmp_path / "engine.toml"), units=units)

    return run_it


def build(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "engine.toml").read_text())


CARD_ALONE = ("", "")  # no set; the card's name


def test_all_unknown_says_what_is_missing_and_how_to_go_on(piped, tmp_path) -> None:
    said = piped(*[""] * 20)
    assert said.status == 0
    assert build(tmp_path) == {"cam": {}, "head": {}, "springs": {}, "scale": {}}
    for what in ("valve lift", "seat load", "open load", "installed height", "springs"):
        assert what in said.out
    assert "Go on with: coilbench begin" in said.out


def test_numbers_are_in_the_shown_units(piped, tmp_path) -> None:
    lines = (*CARD_ALONE, "", "", "0.4", "75", "4")
    said = piped(*lines, units=("--load-unit", "lbf", "--length-unit", "in"))
    assert "taken as 75 lbf" in said.out
    cam = build(tmp_path)["cam"]
    assert cam == {"valve_lift": "0.4 in", "seat_load": "75 lbf", "seat_tolerance": "4 lbf"}


def test_what_can_not_be_is_said_and_asked_again(piped, tmp_path) -> None:
    said = piped(*CARD_ALONE, "", "", "10mm", "75 mm", "34 kg", "", "30 kg", "60 kg")
    assert build(tmp_path)["cam"] == {
        "valve_lift": "10 mm", "seat_load": "34 kg", "open_load": "60 kg"
    } or build(tmp_path)["cam"]["open_load"] == "60 kg"  # fmt: skip
    assert "not a unit of load" in said.err
    assert "seat load" in said.err


def test_a_changed_mind_changes_that_and_keeps_comments(piped, tmp_path) -> None:
    piped(*CARD_ALONE, "", "", "10mm", "34 kg")
    path = tmp_path / "engine.toml"
    path.write_text(path.read_text().replace("[head]", "# my own words\n[head]  # and these"))
    piped(*CARD_ALONE, "", "", "", "36 kg", "2 kg", "?")
    text = path.read_text()
    assert "# my own words\n[head]  # and these" in text
    assert build(tmp_path)["cam"] == {
        "valve_lift": "10mm", "seat_load": "36 kg", "seat_tolerance": "2 kg"
    }  # fmt: skip
    piped(*CARD_ALONE, "", "", "?")
    assert "valve_lift" not in build(tmp_path)["cam"]


def test_what_is_changed_in_an_editor_meanwhile_stays(call, tmp_path, monkeypatch) -> None:
    path = tmp_path / "engine.toml"

    def answers(question: str, **_: Any) -> str:
        if "Open load" in question:
            path.write_text(path.read_text() + "# a note\n")
            return "70 kg"
        if "its tolerance" in question and "# a note" in path.read_text():
            raise click.Abort
        return "30 kg" if "Seat load" in question else ""

    monkeypatch.setattr(asking.click, "prompt", answers)
    call("begin", str(path))
    assert path.read_text().endswith("# a note\n")
    assert build(tmp_path)["cam"] == {"seat_load": "30 kg", "open_load": "70 kg"}


def test_two_cards(piped, tmp_path) -> None:
    side = ("", "10mm", "34kg", "", "70kg", "")
    piped(*CARD_ALONE, "two", *side, "", "9.5mm", "", "", "71kg", "", "6000", "39mm",
          "1 in, 2 in", "", "39.1mm", "1 ex")  # fmt: skip
    found = build(tmp_path)
    assert found["cam"]["intake"]["valve_lift"] == "10mm"
    assert found["cam"]["exhaust"] == {"valve_lift": "9.5mm", "open_load": "71kg"}
    assert found["head"]["valves"] == {
        "1 in": {"cam": "intake"},
        "2 in": {"height": "39.1mm", "cam": "intake"},
        "1 ex": {"cam": "exhaust"},
    }


@pytest.mark.parametrize(
    ("text", "why"),
    [("[cam", "TOML"), ("[engine]\nx = 1\n", "engine"), ('[cam]\nseat_load = "3"\n', "unit")],
)
def test_a_file_that_is_none_of_its_own_stays_as_it_is(piped, call, tmp_path, text, why) -> None:
    path = tmp_path / "engine.toml"
    path.write_text(text)
    piped("larch").refused(why)
    assert path.read_text() == text
    assert not (tmp_path / "b.db").exists()


def test_a_folder_that_is_not_there_is_said_before_anything_is_asked(call, tmp_path) -> None:
    call("begin", str(tmp_path / "no" / "engine.toml")).refused("no such folder")


def test_the_scales_step_sets_what_one_reading_is_worth(begin, call, tmp_path) -> None:
    """Before any reading the plan counts with the scale that was given."""
    begin()
    path = tmp_path / "engine.toml"
    assert "--resolution 0.1kg" in call("plan", str(path)).out
    coarse = path.read_text().replace('"0.1 kg"', '"2 kg"')
    path.write_text(coarse)
    assert "--resolution 2kg" in call("plan", str(path)).out
    assert LBF_N < KGF_N  # lbs were kept as typed
    assert build(tmp_path)["cam"]["seat_load"] == "75 lbs"


def test_a_slip_of_a_length_is_asked_about_and_y_keeps_it(call, tmp_path, monkeypatch) -> None:
    given = ["larch", "outer", "4", "2.087", "53", "2.4", "n", ""]  # n: it stays unknown
    given += ["elm", "outer", "4", "53", "2.4", "y", ""]
    lines = "\n".join([*given, "", "", "", "one", "valve", "0.43", "10.9"]) + "\n"
    monkeypatch.setattr("sys.stdin", io.StringIO(lines))
    said = call("begin", str(tmp_path / "engine.toml"))
    assert "53.01 mm" in said.err + said.out
    sets, build = kept(tmp_path)
    assert [each[3:5] for each in sets] == [(53.0, None), (53.0, 2.4)]
    assert build["cam"]["valve_lift"] == "10.9 mm"


def test_which_valve_has_no_installed_height_is_said(call, tmp_path) -> None:
    file = tmp_path / "engine.toml"
    file.write_text('[head.valves]\n"1 in" = "39 mm"\n"1 ex" = {}\n"2 in" = "39 mm"\n')
    draft = Draft(file, file.read_text())
    (line,) = [one for one in _missing(draft) if "installed height" in one]
    assert "1 ex" in line
    assert "1 in" not in line


def test_u_goes_back_to_the_question_before_and_across_parts(call, tmp_path, monkeypatch) -> None:
    asked: list[str] = []
    sets = ["larch", "outer", "4", "53", "24.5", "", "", ""]  # and the candidates
    back_to_the_lift = ["road", "one", "valve", "10.9", "34", "u", "u", "10.2", "35"]
    to_the_tolerance = ["2", "72", "3", "u", "4", "6200"]
    to_the_speed = ["39", "u", "u", "6300"]  # across the parts
    head = ["39.5", "12", "back", "16"]
    answers = iter([*sets, *back_to_the_lift, *to_the_tolerance, *to_the_speed, *head])

    def prompt(question: str, **_: Any) -> str:
        asked.append(question)
        answer = next(answers, None)
        if answer is None:
            raise click.Abort
        return answer

    monkeypatch.setattr(asking.click, "prompt", prompt)
    call("begin", str(tmp_path / "engine.toml"))
    build = tomllib.loads((tmp_path / "engine.toml").read_text())
    assert build["cam"]["valve_lift"] == "10.2 mm"
    assert build["cam"]["seat_load"] == "35 kg"
    assert build["cam"]["open_tolerance"] == "4 kg"
    assert build["cam"]["max_rpm"] == 6300
    assert build["head"]["installed_height"] == "39.5 mm"
    assert build["head"]["valves"] == 16


def test_a_number_is_no_set_s_name_and_u_reaches_the_name(call, tmp_path, monkeypatch) -> None:
    given = [".177", "2.020 in", "larsh", "u", "larch", "outer", "4", "53mm", "24mm", "", "heron"]
    given += ["outer", "u", "u", "12b", "inner", "2", "", "", "", ""]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(given) + "\n"))
    said = call("begin", str(tmp_path / "engine.toml"))
    assert "a set that is called so: coilbench set new .177" in " ".join(
        (said.out + said.err).split()
    )
    sets, _ = kept(tmp_path)
    assert [each[0] for each in sets] == ["larch", "12b"]
    assert pending_sets((tmp_path / "engine.toml").read_text()) == {}


def test_u_goes_back_among_a_sets_dimensions(call, tmp_path, monkeypatch) -> None:
    given = ["larch", "outer", "4", "53", "24.5", "3.8", "u", "u", "24", "3.9", "30", "4.5"]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(given) + "\n"))
    call("begin", str(tmp_path / "engine.toml"))
    sets, _ = kept(tmp_path)
    assert [each[3:] for each in sets] == [(53.0, 24.0, 3.9, 30.0, 4.5)]


def test_what_is_not_known_is_asked_once_a_run(call, tmp_path, monkeypatch) -> None:
    """Though u asks the whole part again."""
    given = ["larch", "outer", "4", "53", "", "", "elm", "u", "oak", "inner", "2", "", "", ""]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(given) + "\n"))
    said = call("begin", str(tmp_path / "engine.toml"))
    assert said.out.count("larch: wire diameter") == 1
    assert [each[0] for each in kept(tmp_path)[0]] == ["larch", "oak"]
