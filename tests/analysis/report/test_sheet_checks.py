"""The list of what to check before the engine turns, and a sheet of two cards, by hand."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping

import pytest

from coilbench.analysis.inputs.sheet import Sheet
from coilbench.analysis.report.sheet_page import sheet_page
from coilbench.analysis.report.sheet_tables import sheet_tables
from coilbench.analysis.report.sheet_text import (
    EngineCheck,
    engine_checks,
    outer_alone,
    sheet_document,
    sheet_text,
)
from coilbench.analysis.report.units import SI, Units

MakeSheet = Callable[..., Sheet]
Straight = tuple[float, float]
TEXT = """\
[cam]
name = "Lake twin"
{cam}
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
{parts}
[springs]
outer = ["larch"]
{inner}
{rest}
[head]
{head}
"""
INNER = 'inner = ["heron"]'
OFFSET = 'inner_offset = "2 mm"\n'
VALVES = '[head.valves]\n"1 in" = "40.0 mm"\n"1 ex" = "40.4 mm"\n'
TWO = (
    '[head.valves]\n"1 in" = {height = "40 mm", cam = "intake"}\n'
    '"1 ex" = {height = "40 mm", cam = "exhaust"}\n'
)
LIFT = 'valve_lift = "10 mm"'


def text(
    cam: str = LIFT,
    head: str = OFFSET + VALVES,
    parts: str = "",
    rest: str = "",
    inner: str = INNER,
) -> str:
    return TEXT.format(cam=cam, head=head, parts=parts, rest=rest, inner=inner)


def springs(count: int = 2) -> Mapping[str, Mapping[str, Straight]]:
    return {
        "larch": {f"larch-{n}": (50.0, 20.0 + 0.1 * n) for n in range(1, count + 1)},
        "heron": {f"heron-{n}": (48.0, 10.0) for n in range(1, count + 1)},
    }


SINGLE = {"larch": {"larch-1": (50.0, 30.0), "larch-2": (50.0, 30.0)}}


def checks(sheet: Sheet, units: Units = SI) -> dict[str, EngineCheck]:
    return {each.what: each for each in engine_checks(sheet, units)}


def about(sheet: Sheet, word: str) -> EngineCheck:
    (found,) = [each for what, each in checks(sheet).items() if word in what.lower()]
    return found


@pytest.fixture(scope="module")
def plain(make_a_sheet: MakeSheet) -> Sheet:
    return make_a_sheet(text(), springs())


@pytest.fixture(scope="module")
def page(plain: Sheet) -> str:
    return sheet_page(plain, SI)


@pytest.mark.parametrize(
    "word",
    ["piston", "retainer", "coil bind", "base circle", "turn", "break-in", "retorque", "lash and"],
)
def test_each_has_a_box_and_somebody_to_ask(plain: Sheet, page: str, word: str) -> None:
    one = about(plain, word)
    assert any(who in one.asks for who in ("maker", "grinder", "machinist"))
    listed = page.partition("Before the engine turns")[2]
    item = next(line for line in listed.splitlines() if one.what in line)
    assert 'class="box"' in item
    assert f"Ask {one.asks}." in item.replace("&#39;", "'")


def test_the_cautions_stand_before_it(page: str) -> None:
    assert page.index("can blind") < page.index("Before the engine turns")
    assert "qualified engine machinist" in page


def test_outers_alone_by_hand(plain: Sheet) -> None:
    """20.1 and 20.2 N/mm, free at 50 mm, under valves at 40.0 and 40.4 mm with 10 mm of lift."""
    spans = outer_alone(plain)
    assert spans is not None
    at = {row.outer.spring: row.outer.height_mm for row in plain.valves}
    for span, drop_mm in zip(spans, (0.0, 10.0), strict=True):
        by_hand = [
            rate * (50.0 - (at[f"larch-{n}"] - drop_mm)) for n, rate in ((1, 20.1), (2, 20.2))
        ]
        assert (span.least_n, span.most_n) == pytest.approx((min(by_hand), max(by_hand)), abs=0.1)
    said = about(plain, "break-in").how
    assert SI.load_text(spans[0].least_n) in said
    assert SI.load_text(spans[1].most_n) in said


def test_outers_alone_of_sets_whose_springs_are_not_named(make_a_sheet: MakeSheet) -> None:
    """One spring of each for two valves: any of the set, so that its only spring counts."""
    spans = outer_alone(make_a_sheet(text(), springs(1)))
    assert spans is not None
    assert spans[0].most_n == pytest.approx(20.1 * 10.0, abs=0.1)
    assert spans[0].least_n == pytest.approx(20.1 * 9.6, abs=0.1)


def test_single_springs_have_nothing_to_leave_out(make_a_sheet: MakeSheet) -> None:
    sheet = make_a_sheet(text(head=VALVES, inner=""), SINGLE)
    assert outer_alone(sheet) is None
    assert "single" in about(sheet, "break-in").how


def test_what_is_not_known_is_said_to_be(make_a_sheet: MakeSheet) -> None:
    sheet = make_a_sheet(text(), springs(), solid_mm=None)
    assert "not known of larch, heron" in about(sheet, "coil bind").how
    assert "not known" in about(sheet, "retainer").how
    assert "unknown" in about(sheet, "base circle").how
    assert "not known" in about(sheet, "lash and").how


def test_what_is_known_is_said(make_a_sheet: MakeSheet) -> None:
    cam = (
        'lobe_lift = "7 mm"\nrocker_ratio = 1.5\nlash = "0.5 mm"\nlobe_height = "38 mm"\n'
        'core_diameter = "31 mm"\nold_base_circle = "32 mm"'
    )
    head = f'retainer_clearance = "12.5 mm"\n{OFFSET}{VALVES}'
    sheet = make_a_sheet(text(cam, head), springs())
    assert "2.50 mm" in about(sheet, "retainer").how
    assert "8.00 mm" in about(sheet, "coil bind").how  # 40 - 2 - 10 - 20
    assert "10.00 mm" in about(sheet, "piston").how
    assert "flush" in about(sheet, "base circle").how  # 38 - 7 = 31 mm, the core's
    assert "do not run it" in about(sheet, "base circle").how
    assert "0.75 mm" in about(sheet, "lash and").how  # (32 - 31) / 2 * 1.5
    imperial = checks(sheet, Units("lbf", "in"))
    assert not any(" mm" in each.how or " kg" in each.how for each in imperial.values())


def test_the_document_has_list_and_lobe(plain: Sheet) -> None:
    document = json.loads(json.dumps(sheet_document(plain)))
    assert {"what", "how", "asks"} == set(document["checks"][0])
    assert [one["kind"] for one in document["lobe"]] == ["lobe_unknown"]


def test_a_sheet_of_two_cards(make_a_sheet: MakeSheet) -> None:
    """Hooke's law by hand: the exhaust's lift is 9 mm, the intake's 10 mm."""
    parts = '[cam.exhaust]\nvalve_lift = "9 mm"\nopen_load = "570 N"\n'
    sheet = make_a_sheet(text(parts=parts, head=OFFSET + TWO), springs())
    rows = {row.valve: row for row in sheet.valves}
    for valve, lift_mm in (("1 in", 10.0), ("1 ex", 9.0)):
        row = rows[valve]
        assert row.outer.open_height_mm == pytest.approx(40.0 - lift_mm)
        rate = 10.0 + 20.0 + 0.1 * int(str(row.outer.spring)[-1])
        assert row.open.load_n - row.seat.load_n == pytest.approx(rate * lift_mm, abs=0.2)
        assert row.fits is True
    page = sheet_page(sheet, SI)
    assert "Build sheet: Lake twin<" in page
    for words in ("600.00 N", "570.00 N"):
        assert words in page or words.replace(".00", ".0") in page
    assert "(intake)" in page
    assert "(exhaust)" in page
    assert [card["lift_mm"] for card in sheet_document(sheet)["cards"]] == [10.0, 9.0]
    columns = {table.name: table.columns for table in sheet_tables(sheet, SI)}["valves"]
    assert {"outer_shim_mm", "inner_shim_mm"} <= set(columns)


def test_the_best_pair_says_by_which_card(make_a_sheet: MakeSheet) -> None:
    parts = '[cam.exhaust]\nvalve_lift = "9 mm"\nopen_load = "570 N"\n'
    sheet = make_a_sheet(text(parts=parts, head=OFFSET + TWO), springs(1))
    assert "Lake twin, intake" in sheet_text(sheet, SI).verdict
    assert [row.fits for row in sheet.valves] == [True, True]


def test_a_shim_under_one_spring_is_named_on_the_page(make_a_sheet: MakeSheet) -> None:
    """Only with 1 mm under the inner alone are the loads the card's: 10 N/mm more."""
    rest = '[[shims]]\nthickness = "1 mm"\nunder = "inner"\n[limits]\nmax_shims = 1\n'
    cam = LIFT
    exact = text(cam, OFFSET + VALVES.replace("40.4", "40.0"), rest=rest)
    exact = exact.replace("300 N", "311 N").replace("600 N", "611 N")
    page = sheet_page(make_a_sheet(exact, springs()), SI)
    assert "inner 1.00" in page
    assert "under the inner alone" in page


@pytest.mark.parametrize(
    ("head", "shims", "says"),
    [
        ("", "", "doesn't give"),
        ('height_u = "0.1 mm"\n', "", "the installed height, rate"),
        ("", 'thickness_u = "0.02 mm"\n', "that of the installed height isn't given"),
        ('height_u = "0.1 mm"\n', 'thickness_u = "0.02 mm"\n', "installed height and shims"),
    ],
)
def test_the_method_says_which_heights_are_in_the_uncertainty(
    make_a_sheet: MakeSheet, head: str, shims: str, says: str
) -> None:
    rest = f'[[shims]]\nthickness = "0.4 mm"\n{shims}'
    sheet = make_a_sheet(text(head=head + OFFSET + VALVES, rest=rest), springs())
    assert says in sheet_text(sheet, SI).method["Uncertainty"]


def test_the_budget_on_the_sheet_holds_the_height(plain: Sheet, make_a_sheet: MakeSheet) -> None:
    given = make_a_sheet(text(head=f'height_u = "0.1 mm"\n{OFFSET}{VALVES}'), springs()).budget
    assert plain.budget is not None
    assert given is not None
    assert len(given.budget.lines) == len(plain.budget.budget.lines) + 1
    assert given.budget.expanded_u_n > plain.budget.budget.expanded_u_n
