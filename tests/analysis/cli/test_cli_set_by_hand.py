"""`coilbench set edit` and `set measure`: what is corrected or measured by hand, and its effect."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench.capture.tables.spring_lines import caliper_u_mm

Call = Callable[..., Any]  # says what conftest.py's Said is
AT = ("--at", "38.5mm", "--at", "27.6mm")


def springs(call: Call, name: str = "larch") -> list[dict[str, Any]]:
    return call("set", "show", name, "--json").document["springs"]  # type: ignore[no-any-return]


def flagged(call: Call, kind: str) -> list[str]:
    check = call("set", "check", "larch", *AT, "--json").document
    return [
        one["label"] for one in check["springs"] if kind in (flag["kind"] for flag in one["flags"])
    ]


# ------------------------------------------------------------------------ edit


def test_edit_adds_corrects_and_forgets(larch: Call) -> None:
    said = larch("set", "edit", "larch", "--free-length", "53mm", "--solid-height", "24.5mm",
                 "--wire", "4.2mm", "--coil-diameter", "30mm", "--active-coils", "4.5",
                 "--role", "single", "--note", "blue tin", "--mark", "white")  # fmt: skip
    assert said.status == 0
    shown = larch("set", "show", "larch", "--json").document["set"]
    assert shown["free_length_mm"] == 53.0
    assert (shown["role"], shown["note"], shown["mark"]) == ("single", "blue tin", "white")
    for word in ("53.00 mm", "24.50 mm", "blue tin", "white"):
        assert word in larch("set", "show", "larch").out
    done = larch("set", "edit", "larch", "--forget", "solid-height", "--forget", "note",
                 "--wire", "4.3mm", "--json").document  # fmt: skip
    assert done["changed"] == {"wire_mm": 4.3, "solid_height_mm": None, "note": None}
    shown = larch("set", "show", "larch", "--json").document["set"]
    assert (shown["solid_height_mm"], shown["wire_mm"], shown["note"]) == (None, 4.3, None)


@pytest.mark.parametrize(
    ("typed", "kind"),
    [
        ("26.05mm", None),
        ("26.15mm", "margin_unsure"),
        ("26.25mm +- 0.1mm", None),
        ("26.35mm ± 0.1mm", "margin_unsure"),
        ("26.45mm +- 0.1mm", "margin_low"),
    ],
)
@pytest.mark.parametrize("new", [False, True])
def test_a_registered_solid_height_may_state_its_uncertainty(
    larch: Call, tmp_path: Path, typed: str, kind: str | None, new: bool
) -> None:
    """Open at 27.6 mm, 1.2 mm asked for: solid at 26.4 mm or less; ± 0.3 mm where none is given."""
    name = "elm" if new else "larch"
    if new:
        made = ("--role", "single", "--count", "3", "--solid-height", typed)
        assert larch("set", "new", name, *made).status == 0
        lines = [f"{n} {mm}mm {kg}kg" for n in (1, 2, 3) for mm, kg in ((38.5, 23.0), (27.6, 40.9))]
        assert larch("note", "--set", name, *lines).status == 0
    else:
        said = larch("set", "edit", name, "--role", "single", "--solid-height", typed)
        assert said.status == 0
        assert ("±" in said.out) is ("0.1mm" in typed)
    path = tmp_path / "road.toml"
    path.write_text(BUILD.replace("larch", name))
    best = larch("pair", str(path), "--json").document["combinations"][0]
    kinds = {one["kind"] for one in best["reasons"]}
    assert kinds & {"margin_low", "margin_unsure", "binds"} == ({kind} if kind else set())


def test_a_stated_uncertainty_goes_with_the_solid_height_it_is_of(larch: Call) -> None:
    done = larch("set", "edit", "larch", "--solid-height", "24.5mm +- 0.2mm", "--json").document
    assert done["changed"] == {"solid_height_mm": 24.5, "solid_height_u_mm": pytest.approx(0.2)}
    done = larch("set", "new", "after", "--again", "larch")
    assert "±" in larch("set", "show", "after").out
    larch("set", "edit", "larch", "--solid-height", "24.6mm")
    assert "±" not in larch("set", "show", "larch").out
    larch("set", "edit", "after", "--forget", "solid-height")
    assert "±" not in larch("set", "show", "after").out
    larch("set", "edit", "larch", "--solid-height", "24mm +- -1mm").refused("negative")


def test_edit_adds_springs(larch: Call) -> None:
    assert larch("set", "edit", "larch", "--count", "10").status == 0
    assert larch("set", "edit", "larch", "--labels", "odd one, x").status == 0
    labels = [one["label"] for one in springs(larch)]
    assert labels[8:] == ["larch-09", "larch-10", "odd one", "x"]


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ((), "nothing to change"),
        (("--count", "7"), "8 springs"),
        (("--count", "9", "--labels", "x"), "--count or --labels"),
        (("--wire", "4mm", "--forget", "wire"), "--wire"),
        (("--solid-height", "60mm", "--free-length", "53mm"), "not below"),
        (("--labels", "larch-01"), "larch-01"),
    ],
)
def test_edit_refuses_in_one_line(
    larch: Call, content: Callable[[], str], options: tuple[str, ...], why: str
) -> None:
    before = content()
    larch("set", "edit", "larch", *options).refused(why)
    assert content() == before


def test_depths_are_counted_from_the_new_free_length_and_it_is_said(call: Call) -> None:
    call("set", "new", "elm", "--role", "outer", "--count", "1")
    refused = call("note", "--set", "elm", "elm-01 15mm down 20kg")
    refused.refused("set edit")  # the command that mends it
    assert call("set", "edit", "elm", "--free-length", "53mm").status == 0
    assert call("note", "--set", "elm", "elm-01 15mm down 20kg").status == 0
    said = call("set", "edit", "elm", "--free-length", "53.4mm")
    assert "elm-01" in said.out
    assert springs(call, "elm")[0]["lowest_height_mm"] == pytest.approx(38.4)


# --------------------------------------------------------------------- measure


def test_measured_lengths_marks_and_notes_are_shown_with_their_uncertainty(larch: Call) -> None:
    said = larch("set", "measure", "larch", "larch-03 free 52.8mm",
                 "larch-03 solid 24.1mm +- 0.2mm",
                 'larch-04 mark "two green dots"', "larch-05 note rusty")  # fmt: skip
    assert said.status == 0
    assert re.search(r"larch-03 +52\.80 ±0\.10 +24\.10 ±0\.20", said.out)
    assert re.search(r"larch-04 +not measured +not measured +two green dots", said.out)
    own = springs(larch)
    assert own[2]["free_length_u_mm"] == pytest.approx(2.0 * caliper_u_mm(0.05))
    assert own[2]["solid_height_u_mm"] == pytest.approx(0.2)
    assert (own[3]["mark"], own[4]["note"]) == ("two green dots", "rusty")
    words = larch("set", "spring", "larch", "larch-04").out
    assert "two green dots" in words
    assert "not measured" in words
    told = larch("set", "spring", "larch", "larch-03", "--json").document
    assert (told["free_length_mm"], told["free_length_from"]) == (52.8, "by_hand")
    assert told["solid_height_u_mm"] == pytest.approx(0.2)


def test_what_nobody_measured_is_not_compared_with_itself(larch: Call) -> None:
    """The set's own free length says nothing of a spring, and flags none."""
    larch("set", "edit", "larch", "--free-length", "53mm")
    why = larch("set", "check", "larch", *AT, "--why", "larch-01").out
    assert "not measured" in why
    assert "0.0%" not in why.partition("free length")[2].partition("\n")[0]
    check = larch("set", "check", "larch", *AT, "--json").document
    assert {one["free_length_mm"] for one in check["springs"]} == {None}


@pytest.mark.parametrize(("free", "short"), [("51.7mm", True), ("51.9mm", False)])
def test_short_follows_from_the_measured_length_by_more_than_its_uncertainty(
    larch: Call, free: str, short: bool
) -> None:
    """2 % below 53 mm is 51.94 mm, less the caliper's ± 0.10 mm."""
    larch("set", "edit", "larch", "--free-length", "53mm")
    larch("set", "measure", "larch", f"larch-03 free {free}")
    assert flagged(larch, "short") == (["larch-03"] if short else [])


def test_a_measured_length_is_taken_back(larch: Call) -> None:
    larch("set", "measure", "larch", "larch-03 free 52.8mm")
    larch("set", "measure", "larch", "larch-03 free none")
    assert springs(larch)[2]["free_length_mm"] is None


def test_what_export_writes_measure_reads(larch: Call, tmp_path: Path) -> None:
    lines = ("larch-03 free 52.8mm", "larch-03 solid 24.1mm +- 0.2mm", "larch-04 mark =green",
             "larch-05 note a, b")  # fmt: skip
    larch("set", "measure", "larch", *lines)
    before = springs(larch)
    assert larch("export", "--out", str(tmp_path / "csv")).status == 0
    for line in lines:
        label, what, _ = line.split(maxsplit=2)
        larch("set", "measure", "larch", f"{label} {what} none")
    assert springs(larch)[2]["free_length_mm"] is None
    file = str(tmp_path / "csv" / "by-hand" / "larch.csv")
    assert larch("set", "measure", "larch", "--from", file).status == 0
    assert springs(larch) == before


def test_a_file_with_a_wrong_line_keeps_none(larch: Call, tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    file.write_text("label,what,value\nlarch-01,free,52.8mm\nlarch-02,wire,4mm\n")
    larch("set", "measure", "larch", "--from", str(file)).refused("line 3.*wire")
    file.write_text("label,what\nlarch-01,free\n")
    larch("set", "measure", "larch", "--from", str(file)).refused("value")
    larch("set", "measure", "larch", "larch-01 free 5mm", "--from", str(file)).refused("--from")
    assert springs(larch)[0]["free_length_mm"] is None


# ---------------------------------------------------------------------- guided


@pytest.fixture
def guided(call: Call, monkeypatch: pytest.MonkeyPatch) -> Call:
    """Two springs, measured by answers on a pipe that ends behind them."""
    call("set", "new", "elm", "--role", "outer", "--labels", "a,b")

    def run_it(*answers: str, options: tuple[str, ...] = (), **units: Any) -> Any:
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{one}\n" for one in answers)))
        return call("set", "measure", "elm", *options, **units)

    return run_it


def known(call: Call) -> list[tuple[Any, ...]]:
    keys = ("free_length_mm", "solid_height_mm", "mark")
    return [tuple(one[key] for key in keys) for one in springs(call, "elm")]


def test_guided_asks_spring_by_spring_and_u_takes_back(guided: Call, call: Call) -> None:
    said = guided("u", "52.8", "24mm", "u", "23.9mm", "red", "u", "blue", "x", "52.7mm", "", "")
    assert said.status == 0
    assert known(call) == [(52.8, 23.9, "blue"), (52.7, None, None)]
    assert "taken as 52.8 mm" in said.out
    assert "'x'" in said.err
    assert "blind" in said.out


def test_guided_goes_on_with_what_is_not_known(guided: Call, call: Call) -> None:
    stopped = guided("52.8mm", "")
    assert stopped.status != 0
    assert "1 answer kept" in stopped.out
    assert "coilbench set measure elm" in stopped.out
    assert known(call) == [(52.8, None, None), (None, None, None)]
    assert guided("24mm", "", "52.7mm", "24.2mm", "").status == 0
    assert known(call) == [(52.8, 24.0, None), (52.7, 24.2, None)]


def test_guided_asks_what_it_is_told_to_in_the_shown_units(guided: Call, call: Call) -> None:
    said = guided("2.08", "", options=("--ask", "free"), units=("--length-unit", "in"))
    assert said.status == 0
    assert known(call)[0][0] == pytest.approx(2.08 * 25.4)
    assert "blind" not in said.out  # nothing is pressed for a free length


def test_guided_says_what_can_not_be_and_asks_again(guided: Call, call: Call) -> None:
    call("set", "edit", "elm", "--free-length", "53mm")
    said = guided("5.28mm", "52.8mm", "", "", "", "", "")
    assert "far from" in said.err
    assert known(call)[0][0] == 52.8


# ------------------------------------------------------------------- coil bind


BUILD = """
[cam]
valve_lift = "10.9 mm"
seat_load = "23 kg"
seat_tolerance = "10 kg"
open_load = "41 kg"
open_tolerance = "10 kg"
[head]
installed_height = "38.5 mm"
valves = 2
[limits]
coil_bind_margin = "1.2 mm"
[springs]
outer = ["larch"]
"""


@pytest.mark.parametrize(
    ("solid", "kind"),
    [("26.25mm", None), ("26.35mm", "margin_unsure"), ("26.45mm", "margin_low")],
)
def test_bind_is_judged_with_the_solid_heights_uncertainty(
    larch: Call, tmp_path: Path, solid: str, kind: str | None
) -> None:
    """Open at 27.6 mm, 1.2 mm asked for: solid at 26.4 mm or less, and ± 0.1 mm by hand."""
    larch("set", "edit", "larch", "--role", "single")
    lines = [f"larch-0{n} solid {solid} +- 0.1mm" for n in range(1, 9)]
    assert larch("set", "measure", "larch", *lines).status == 0
    path = tmp_path / "road.toml"
    path.write_text(BUILD)
    best = larch("pair", str(path), "--json").document["combinations"][0]
    kinds = {one["kind"] for one in best["reasons"]}
    assert kinds & {"margin_low", "margin_unsure", "binds"} == ({kind} if kind else set())
    assert (best["verdict"] == "fits") == (kind is None)


@pytest.mark.parametrize(("solid", "pressed"), [("26.35mm", True), ("26.45mm", False)])
def test_what_was_measured_by_hand_of_a_spring_not_yet_read_holds_for_the_plan(
    call: Call, tmp_path: Path, solid: str, pressed: bool
) -> None:
    """Its depth counts from its own free length; the margin of 1.2 mm counts from one's."""
    call("set", "new", "larch", "--role", "single", "--count", "4", "--free-length", "53mm")
    path = tmp_path / "road.toml"
    path.write_text(BUILD)
    first = call("plan", str(path), "--json").document["presses"][0]
    label, height_mm = first["label"], first["height_mm"]
    assert first["depth_mm"] == pytest.approx(53.0 - height_mm)
    call("set", "measure", "larch", f"{label} free 52.4mm", f"larch-04 solid {solid}")
    again = call("plan", str(path), "--json").document["presses"]
    assert bool(again) == pressed  # 27.6 mm at full lift
    depths_mm = {one["label"]: one["depth_mm"] + one["height_mm"] for one in again}
    assert not pressed or depths_mm.pop(label) == pytest.approx(52.4)
    assert set(depths_mm.values()) <= {53.0}


# ------------------------------------------------------------------------ slips


@pytest.mark.parametrize(
    "given",
    [
        ("edit", "larch", "--solid-height", "2.4mm"),
        ("edit", "larch", "--solid-height", "0.83mm"),
        ("edit", "larch", "--free-length", "510mm"),
        ("measure", "larch", "larch-03 solid 2.1mm"),
        ("new", "oak", "--role", "outer", "--count", "3", "--free-length", "2.008mm"),
    ],
)
def test_a_length_that_looks_like_a_slip_is_stored_only_with_yes(larch: Call, given) -> None:
    assert larch("set", "edit", "larch", "--free-length", "53mm").status == 0
    refused = larch("set", *given)
    assert refused.status == 2
    assert "--yes" in refused.err
    assert larch("set", *given, "--yes").status == 0
    # and what was kept so is no matter when something else is changed
    assert larch("set", "edit", "larch", "--note", "blue tin").status == 0


def test_what_the_readings_contradict_is_refused_even_with_yes(larch: Call) -> None:
    for option, length in (("--solid-height", "42mm"), ("--free-length", "30mm")):
        said = larch("set", "edit", "larch", option, length, "--yes")
        assert said.status == 2
        assert "larch-" in said.err


def test_a_set_is_renamed_and_one_without_readings_is_removed(call: Call) -> None:
    assert call("set", "new", "larsh", "--role", "outer", "--count", "2").status == 0
    assert call("set", "new", "2.020", "--role", "outer", "--count", "2").status == 0
    assert call("set", "edit", "2.020", "--free-length", "53mm").status == 0
    assert call("set", "edit", "larsh", "--rename", "larch").status == 0
    taken = call("set", "edit", "2.020", "--rename", "larch")
    assert (taken.status, "already" in taken.err) == (2, True)
    assert call("note", "--set", "larch", "larsh-01 38mm 30kg").status == 0
    kept = call("set", "edit", "larch", "--remove")
    assert (kept.status, "readings" in kept.err) == (2, True)
    assert call("set", "edit", "larch", "--remove", "--rename", "elm").status == 2
    assert call("set", "edit", "2.020", "--remove").status == 0
    listed = call("set", "list").out
    assert "2.020" not in listed
    assert "larch" in listed
    assert "larsh " not in listed
