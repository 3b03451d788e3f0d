"""What each pair would take, and closeness against effort."""

import json
import math

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.outcomes import Combination, PairAnswer, Pairing
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.reasons import BindRisk, ClearanceLow, LoadUnsure, RateMiss
from coilbench.analysis.engine.solid_heights import COUNT_U, UNSTATED_U_MM, SolidHeight
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.pairing_text import pairing_lines
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.unit_factors import KGF_N


def straight(
    name: str,
    free_mm: float,
    rate: float,
    *,
    solid_mm: float | None = 10.0,
    low_mm: float = 5.0,
    coil: Coil | None = None,
) -> SetCurves:
    """A set of one single spring that is known to be straight between two readings."""
    low_mm = max(low_mm, solid_mm or 0.0)  # no spring is read below where it is solid
    read = Branch(np.array([free_mm, low_mm]), np.array([0.0, rate * (free_mm - low_mm)]))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", f"{name}-01", Origin.KEYED, read, none, 0.1, 0.0, 0.0)
    curve = fit_curve(f"{name}-01", [sweep], free_length_mm=free_mm)
    down = curve.sweeps[0].loading
    assert down is not None
    fit = replace(curve.sweeps[0], loading=down._replace(bend=np.zeros(2)))
    curve = replace(curve, sweeps=(fit,))
    return SetCurves(name, "single", (curve,), solid_mm, coil)


def plan(*names: str, head: str = "", limits: str = "", shims: str = "") -> BuildFile:
    """A card of 300 N shut and 600 N at 10 mm of lift: 30 N/mm; 20 and 30 N of tolerance."""
    return parse_build(
        f"""
        [cam]
        name = "card"
        valve_lift = "10 mm"
        seat_load = "300 N"
        seat_tolerance = "20 N"
        open_load = "600 N"
        open_tolerance = "30 N"
        [head]
        installed_height = "40 mm"
        {head}
        [springs]
        outer = {list(names or ("larch",))}
        [limits]
        coil_bind_margin = "1.2 mm"
        {limits}
        {shims}
        """,
        "six.toml",
    )


SHIMS = '[[shims]]\nthickness = "1 mm"\n[[shims]]\nthickness = "0.4 mm"'


def pair(build: BuildFile, *sets: SetCurves) -> Pairing:
    return pair_sets(build, {each.name: each for each in sets})


def answer(build: BuildFile, springs: SetCurves) -> PairAnswer:
    (one,) = pair(build, springs).answers
    return one


def text(one: PairAnswer) -> str:
    return describe(one, Units())


# -- verdicts --------------------------------------------------------------------------------


def test_what_fits_says_with_what_and_how_much_room_there_is() -> None:
    one = answer(plan(shims=SHIMS), straight("larch", 49.1, 30.0))
    assert one.verdict == "fits"
    assert one.exact_mm == pytest.approx(-0.9, abs=1e-5)
    assert one.exact_open_n == pytest.approx(600.0, abs=1e-3)
    assert one.nearest.choice.shims_mm == (1.0,)
    assert one.window[:2] == pytest.approx((-0.9 - 20 / 30, -0.9 + 20 / 30), abs=1e-5)
    for words in ("fits with 1.00 mm", "shims of 0.23 mm to 1.57 mm", "0.90 mm of shims exactly"):
        assert words in text(one)


def test_what_nearly_fits_says_what_it_would_take() -> None:
    cut = answer(plan(shims=SHIMS), straight("larch", 51.0, 30.0))
    assert (cut.verdict, cut.obstacle) == ("misses", "stock")
    assert cut.exact_mm == pytest.approx(1.0, abs=1e-5)
    assert cut.window[:2] == pytest.approx((1 - 20 / 30, 1 + 20 / 30), abs=1e-5)
    assert text(cut).startswith("misses: a seat cut of 0.33 mm to 1.67 mm would do")
    shim = answer(plan(), straight("larch", 49.0, 30.0))
    assert (shim.verdict, shim.obstacle) == ("misses", "stock")
    assert text(shim).startswith("misses: shims of 0.33 mm to 1.67 mm would do")


def test_what_no_shim_can_mend_says_why() -> None:
    """Common practice, no source: a card of 40 kg shut and 78 kg at 10.9 mm implies 3.49 kg/mm;
    a pair that gives 42 and 84 is too strong at full lift in a way no shim can mend."""
    rate = 42.0 * KGF_N / 10.9
    card = """
        [cam]
        name = "card"
        valve_lift = "10.9 mm"
        seat_load = "40 kg"
        seat_tolerance = "1 kg"
        open_load = "78 kg"
        open_tolerance = "1 kg"
        [head]
        installed_height = "40 mm"
        [springs]
        outer = ["larch"]
        """
    one = answer(parse_build(card, "six.toml"), straight("larch", 50.9, rate))
    assert (one.verdict, one.obstacle) == ("misses", "rate")
    assert one.window is None
    assert one.exact_open_n / KGF_N == pytest.approx(82.0, abs=1e-4)
    assert one.rate == RateMiss("rate_high", pytest.approx(42.0 * KGF_N), 38.0 * KGF_N, 10.9)
    assert "too strong at full lift" in text(one)
    assert "no shim" in text(one)
    assert "this pair rises 42.00 kg = 3.853 kg/mm" in text(one)


def test_what_binds_or_meets_the_guide_says_so() -> None:
    springs = straight("larch", 49.0, 30.0, solid_mm=28.9)
    bound = answer(plan(shims=SHIMS), springs)
    assert (bound.verdict, bound.obstacle) == ("misses", "coil_bind")
    assert "shims of 0.33 mm to 1.10 mm would do, nothing was read beyond" in text(bound)
    assert "but that comes too near to coil bind" in text(bound)
    guide = plan(head='retainer_clearance = "11 mm"', shims=SHIMS)
    near = answer(guide, straight("larch", 49.0, 30.0))
    assert (near.verdict, near.obstacle) == ("misses", "clearance")
    assert "the retainer comes too near to the guide" in text(near)
    assert not any(each.fits for each in pair(guide, springs).combinations)
    assert pair(guide, straight("larch", 49.0, 30.0)).trades == ()
    for each in pair(guide, springs).combinations:
        assert ClearanceLow(1.0, 1.3) in each.reasons


def test_what_was_not_read_or_is_out_of_reach_says_so() -> None:
    shallow = answer(plan(), straight("larch", 50.0, 30.0, low_mm=35.0))
    assert (shallow.verdict, shallow.obstacle) == ("not_judged", None)
    assert [(n.label, n.height_mm, n.depth_mm) for n in shallow.best.needs] == [
        ("larch-01", 30.0, 20.0)
    ]
    assert "1 spring must be read" in text(shallow)
    weak = answer(plan(), straight("larch", 45.0, 10.0))
    assert (weak.verdict, weak.obstacle) == ("misses", "reach")
    assert weak.rate is None
    assert "out of reach of shims and cuts" in text(weak)


def test_too_few_springs_are_no_matter_of_reach() -> None:
    few = answer(plan(head="valves = 2"), straight("larch", 45.0, 10.0))
    assert "out of reach" not in text(few)
    assert "1 are available" in text(few)


def test_the_answers_come_best_first() -> None:
    sets = {
        "beech": straight("beech", 45.0, 10.0),
        "larch": straight("larch", 51.0, 30.0),
        "rowan": straight("rowan", 50.0, 30.0),
        "alder": straight("alder", 50.0, 30.0, low_mm=35.0),
    }
    pairing = pair_sets(plan(*sets), sets)
    found = [(one.best.outer, one.verdict) for one in pairing.answers]
    assert found == [
        ("rowan", "fits"), ("alder", "not_judged"), ("larch", "misses"), ("beech", "misses"),
    ]  # fmt: skip


# -- solid height from wire and coils --------------------------------------------------------


def test_a_computed_solid_height_counts_and_is_said() -> None:
    coil = Coil(4.0, 5.0, 30.0)  # solid at 28 mm
    (one,) = pair(plan(), straight("larch", 50.0, 30.0, solid_mm=None, coil=coil)).combinations
    assert one.coil_bind_margin_mm == pytest.approx(2.0)
    assert one.placed[0].springs.solid == SolidHeight(28.0, COUNT_U * 4.0, "computed")
    assert one.verdict == "near"  # a quarter of a turn more would leave 1 mm
    assert BindRisk("solid_computed", "larch", 28.0, 2.0, 1.2) in one.reasons
    gap = 1.5 * 5.0 * (0.0015 * 900.0 / 4.0 + 0.4)  # EN 13906-1, by hand: 5.53 mm
    assert one.placed[0].springs.smallest_gap_mm == pytest.approx(gap)
    assert any("EN 13906-1 asks for 5.53 mm of gaps" in describe(r, SI) for r in one.reasons)


def test_a_measured_solid_height_comes_before_a_computed_one() -> None:
    coil = Coil(4.0, 5.0, None)
    (one,) = pair(plan(), straight("larch", 50.0, 30.0, solid_mm=20.0, coil=coil)).combinations
    assert one.coil_bind_margin_mm == pytest.approx(10.0)
    assert one.placed[0].springs.solid == SolidHeight(20.0, UNSTATED_U_MM, "registered")
    assert one.reasons == ()


# -- what is not sure ------------------------------------------------------------------------


def kinds(one: Combination) -> list[str]:
    """Which of its reasons are that it is not sure."""
    return [reason.kind for reason in one.reasons if isinstance(reason, LoadUnsure)]


def test_what_the_uncertainty_leaves_open_is_neither_a_fit_nor_a_miss() -> None:
    inside = pair(plan(), straight("larch", 50.664, 30.0)).combinations[0]  # 319.9 ± 0.2 N shut
    assert inside.verdict == "near"
    assert kinds(inside) == ["unsure_inside"]
    outside = pair(plan(), straight("larch", 50.67, 30.0)).combinations[0]
    assert outside.verdict == "near"
    assert kinds(outside) == ["unsure_outside"]
    sure = pair(plan(), straight("larch", 50.5, 30.0)).combinations[0]
    assert (sure.verdict, sure.reasons) == ("fits", ())
    surely_not = pair(plan(), straight("larch", 55.0, 30.0)).combinations[0]
    assert (surely_not.verdict, kinds(surely_not)) == ("misses", [])


# -- closeness against effort ----------------------------------------------------------------


def test_each_step_of_effort_comes_nearer() -> None:
    head = 'max_seat_cut = "0.3 mm"'
    rowan = straight("rowan", 50.2, 30.0)
    pairing = pair(plan("larch", "rowan", head=head, shims=SHIMS), straight("larch", 49, 25), rowan)
    chosen = [each.combination for each in pairing.trades]
    assert [each.outer for each in chosen] == ["rowan"] * 3
    assert [each.choice.height_change_mm for each in chosen] == pytest.approx([0.0, 0.1, 0.2])
    assert [each.distance for each in pairing.trades] == pytest.approx([0.13, 0.0325, 0], abs=1e-6)
    words = describe(pairing.trades[0], SI)
    for part in ("no shims", "2.0 % high shut", "1.0 % high at full lift", "fits"):
        assert part in words


def test_nothing_that_less_effort_comes_nearer_than_is_offered() -> None:
    shims = '[[shims]]\nthickness = "0.4 mm"\ncount = 1'
    larch = straight("larch", 50.0, 30.0)
    pairing = pair(plan(shims=shims), larch)
    assert [trade.combination.choice.shims_mm for trade in pairing.trades] == [()]
    best = {}
    for each in pairing.combinations:
        best.setdefault(each.effort, each)
    assert len(best) == 2


def test_what_breaks_a_limit_or_the_stock_is_not_offered() -> None:
    short = '[[shims]]\nthickness = "1 mm"\ncount = 1'
    two = plan(head="valves = 2", shims=short)
    pairing = pair(two, straight("larch", 49.0, 30.0))
    assert [trade.combination.choice.shims_mm for trade in pairing.trades] == [()]
    bound = pair(plan(shims=SHIMS), straight("larch", 49.0, 30.0, solid_mm=29.5))
    assert bound.trades == ()


# -- the document ----------------------------------------------------------------------------


def test_the_document_says_it_all() -> None:
    sets = straight("larch", 49.1, 30.0), straight("rowan", 50.0, 30.0, low_mm=35.0)
    pairing = pair(plan("larch", "rowan", shims=SHIMS), *sets)
    found = json.loads(json.dumps(document(pairing), allow_nan=False))
    fits, unknown = found["pairs"]
    assert unknown["outer"] == "rowan"
    assert fits["verdict"] == "fits"
    assert fits["exact_shim_mm"] == pytest.approx(0.9, abs=1e-5)
    assert fits["exact_seat_cut_mm"] == 0.0
    assert fits["nearest_shim_mm"] == 1.0
    assert unknown["verdict"] == "not_judged"
    (*_, last) = found["trade_off"]
    assert (last["outer"], last["shims"], last["fits"]) == ("larch", 1, True)


def test_the_trade_off_is_drawn_to_one_scale() -> None:
    """The farthest is a full bar; the number is the miss in tolerances."""
    pairing = pair(plan(shims=SHIMS), straight("larch", 49.0, 30.0))
    trades, lines = pairing.trades, list(pairing_lines(pairing, SI))
    drawn = [line.split(" larch,")[0] for line in lines[-len(trades) :]]
    assert [float(each.split()[-1]) for each in drawn] == [
        pytest.approx(math.sqrt(trade.distance), abs=0.005) for trade in trades
    ]
    lengths = [each.count("#") for each in drawn]
    assert lengths[0] == max(lengths) == 16
    assert lengths == sorted(lengths, reverse=True)
    assert len({len(each) for each in drawn}) == 1


def test_both_margins_are_said_with_where_they_come_from() -> None:
    coil = Coil(4.0, 5.0, 30.0)
    measured = pair(plan(), straight("larch", 50.0, 30.0, coil=coil)).combinations[0]
    words = describe(measured.placed[0], SI)
    for part in ("margin 20.00 mm", "10.00 mm ± 0.30 mm, registered", "dynamic load is 5.53 mm"):
        assert part in words
    computed = pair(plan(), straight("larch", 50.0, 30.0, solid_mm=None, coil=coil))
    assert "28.00 mm ± 1.00 mm, computed" in describe(computed.combinations[0].placed[0], SI)
    unknown = pair(plan(), straight("larch", 50.0, 30.0, solid_mm=None))
    assert not any("margin" in line for line in pairing_lines(unknown, SI))


def test_the_room_at_the_guide_is_said_where_it_is_given() -> None:
    given = plan(head='retainer_clearance = "12 mm"')
    roomy, unsaid = (pair(build, straight("larch", 50.0, 30.0)) for build in (given, plan()))
    assert "  Retainer to guide at full lift: 2.00 mm." in pairing_lines(roomy, SI)
    assert document(roomy)["retainer_clearance_mm"] == 2.0
    assert not any("Retainer" in line for line in pairing_lines(unsaid, SI))


def test_each_pair_is_named_before_what_it_would_take() -> None:
    lines = list(pairing_lines(pair(plan(), straight("larch", 50.0, 30.0)), SI))
    at = next(n for n, line in enumerate(lines) if line.startswith("What each pair would take"))
    assert lines[at + 1].startswith("  larch: fits with no shims")
    assert lines[at + 1].endswith(".")


def test_what_meets_the_card_exactly_leaves_nothing_to_choose() -> None:
    """300 and 600 N to the last bit, against 303 and 606 N with no more effort."""
    sets = (straight(name, 50.0, rate, low_mm=30.0) for name, rate in (("a", 30.0), ("b", 30.3)))
    trades = pair(plan("a", "b"), *sets).trades
    assert [(each.combination.outer, each.distance) for each in trades] == [("a", 0.0)]
