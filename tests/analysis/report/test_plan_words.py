"""What is said of a plan of presses, in words, on the page and as a document."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest
from msgspec.structs import replace

from coilbench.analysis.engine.presses import (
    STOP_RISK,
    Lacking,
    NotPressed,
    PairChoice,
    Press,
    PressPlan,
    Rival,
    TiredSpring,
)
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.plan_page import plan_page
from coilbench.analysis.report.plan_text import WEIGH, percent_text, plan_text
from coilbench.analysis.report.units import Units
from coilbench.capture.unit_factors import KGF_N

KG = Units("kg", "mm")
NASTY = '<b>"larch"</b>&'
BEST = PairChoice("larch", "heron", SeatChoice((0.5,)))
OTHER = PairChoice("rowan", "heron", SeatChoice(seat_cut_mm=0.2))
PLAN = PressPlan(
    "decide",
    (Press("larch", "larch-01", 38.5, 14.5, "decide", OTHER),),
    BEST,
    risk=0.034,
    common_risk=0.034,
    rivals=(Rival(OTHER, 0.034, 0.5 * KGF_N),),
    made=40,
    remaining=31,
)


def said(plan: PressPlan) -> str:
    return " / ".join(plan_text(plan, KG).sentences)


def test_the_leader_its_rival_and_how_sure() -> None:
    text = said(PLAN)
    for part in ("larch", "0.50 mm", "rowan", "0.20 mm", "3.4 %", "0.50 kg", "40 ", "31 "):
        assert part in text
    assert "so far" in text
    assert "so far:" not in said(replace(PLAN, presses=(), stage="done", risk=STOP_RISK / 2))


@pytest.mark.parametrize(("behind_n", "where"), [(-0.1, "nearer to"), (0.1, "farther from")])
def test_a_rival_may_look_nearer_and_be_riskier(behind_n: float, where: str) -> None:
    text = said(replace(PLAN, rivals=(Rival(OTHER, 0.034, behind_n * KGF_N),)))
    assert f"0.10 kg {where} the card" in text


def test_choices_within_what_can_be_read_are_called_equal() -> None:
    decided = replace(PLAN, ties=(OTHER,), risk=STOP_RISK / 2)
    assert "rowan" in said(decided)
    assert "equal" in said(decided)
    assert "Best" not in said(decided)
    assert "equal" not in said(PLAN)
    found = document(decided)
    assert found["equal"]
    assert [(each["outer"], each["seat_cut_mm"]) for each in found["ties"]] == [("rowan", 0.2)]


@pytest.mark.parametrize(("risk", "told"), [(STOP_RISK, True), (STOP_RISK - 1e-9, False)])
def test_what_presses_cannot_settle_is_said_where_it_could_decide(risk: float, told: bool) -> None:
    plan = replace(PLAN, common_risk=risk)
    assert (WEIGH in said(plan)) is told
    assert document(plan)["common_error_decides"] is told


def test_nothing_is_said_to_be_decided_before_all_was_read() -> None:
    plan = PressPlan("begin", PLAN.presses, made=0, remaining=32)
    text = said(plan)
    assert "larch" not in text
    assert "%" not in text


def test_safety_goes_with_every_batch_and_unknown_solid_heights_of_what_is_pressed() -> None:
    plan = replace(PLAN, solid_unknown=("larch", "plover"))
    assert "blind" in plan_text(plan, KG).cautions[0]
    assert "larch" in plan_text(plan, KG).cautions[1]
    assert "plover" not in plan_text(plan, KG).cautions[1]
    assert len(plan_text(PLAN, KG).cautions) == 1
    assert plan_text(replace(PLAN, presses=()), KG).cautions == ()


def test_what_is_not_pressed_or_left_out_is_named() -> None:
    plan = replace(
        PLAN,
        presses=(replace(PLAN.presses[0], depth_mm=None),),
        not_pressed=(NotPressed("larch", 26.0, 25.5),),
        left_out=("heron-03",),
        tired=(
            TiredSpring("heron", "heron-04", 0.97, 0.09, 0.05),
            TiredSpring("heron", "heron-05", 0.4, 0.051, 0.05),
        ),
    )
    text = said(plan)
    for part in ("26.00 mm", "25.50 mm", "heron-03", "97 %", "40 %", "free length"):
        assert part in text


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (0.00099, "below 0.1 %"),
        (0.001, "0.1 %"),
        (0.0996, "10.0 %"),
        (0.1, "10 %"),
        (0.999, "100 %"),
        (0.9995, "above 99.9 %"),
    ],
)
def test_a_chance_is_never_said_to_be_none(chance: float, text: str) -> None:
    assert percent_text(chance) == text


def test_the_document_holds_the_contract() -> None:
    found = document(PLAN)
    best = {"outer": "larch", "inner": "heron", "shim_mm": 0.5, "seat_cut_mm": 0.0}
    assert found["best"] == best
    assert (found["done"], found["risk"], found["remaining"]) == (False, 0.034, 31)
    press = found["presses"][0]
    assert press.pop("why")
    press.pop("kind")
    assert press == {"set": "larch", "label": "larch-01", "height_mm": 38.5, "depth_mm": 14.5}
    rival = found["rivals"][0]
    assert (rival["outer"], rival["seat_cut_mm"], rival["chance"]) == ("rowan", 0.2, 0.034)


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_whole_and_names_are_harmless() -> None:
    press = replace(PLAN.presses[0], set_name=NASTY, label=NASTY)
    page = plan_page(replace(PLAN, presses=(press,)), NASTY, KG, "2026-05-11T09:30:00+00:00")
    tags = Tags()
    tags.feed(page)
    assert tags.open == []
    assert "<b>" not in page
    assert page.count("&lt;b&gt;") >= 3
    assert page.index("blind") < page.index("38.50")
    done = plan_page(replace(PLAN, presses=()), "six.toml", KG, "2026-05-11T09:30:00+00:00")
    assert "<table" not in done


@pytest.mark.parametrize("chance", [0.4, 0.99])
@pytest.mark.parametrize("limit", [0.05, 0.08])
def test_only_a_spring_below_its_set_s_limit_is_said_to_have_lost_load(
    chance: float, limit: float
) -> None:
    inside, outside = (
        describe(TiredSpring("heron", "heron-04", chance, below, limit), Units())
        for below in (limit - 0.001, limit + 0.001)
    )
    assert "lost load" not in inside
    assert f"{100 * limit:g} %" in inside
    assert f"{100 * limit - 0.1:.1f} %" in inside
    assert "lost load" in outside


@pytest.mark.parametrize(("below", "words"), [(-1.38, "138 %"), (-0.02, "2.0 %")])
def test_a_spring_above_its_set_lost_no_load(below: float, words: str) -> None:
    text = describe(TiredSpring("heron", "heron-04", 0.9999, below, 0.05), Units())
    assert f"higher than its set by about {words}" in text
    assert "lower" not in text
    assert "another set" in text


def test_too_few_springs_are_no_end_of_the_work() -> None:
    short = (Lacking("heron", "inner", 7, 8),)
    text = plan_text(replace(PLAN, presses=(), stage="done", lacking=short), KG)
    assert "too few" in text.title
    assert any("7 springs of 8 can be used, so 1 inner is lacking" in one for one in text.sentences)
