"""The JSON document of a pairing, and candidate sets that will not do."""

import json

import numpy as np
import pytest

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.report.document import document as to_document
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.unit_factors import KGF_N

TEXT = """
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
SINGLE = parse_build(TEXT, "six.toml")
PLAN = parse_build(TEXT + 'inner = ["heron"]', "six.toml")


def spring_set(name: str, role: str) -> SetCurves:
    read = Branch(np.array([50.0, 20.0]), np.array([0.0, 600.0]))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", name, Origin.KEYED, read, none, 1.0, 0.0, 0.0)
    return SetCurves(name, role, (fit_curve(name, [sweep]),), None)


def by_name(*sets: SetCurves) -> dict[str, SetCurves]:
    return {each.name: each for each in sets}


def test_the_document_has_the_agreed_keys() -> None:
    document = json.loads(
        json.dumps(
            to_document(
                pair_sets(PLAN, by_name(spring_set("larch", "outer"), spring_set("heron", "inner")))
            )
        )
    )
    assert set(document) == {
        "card",
        "retainer_clearance_mm",
        "combinations",
        "pairs",
        "trade_off",
    }
    assert set(document["card"]) == {
        "name", "seat_n", "open_n", "lift_mm", "implied_rate_n_per_mm", "loss_allowance",
    }  # fmt: skip
    assert document["card"]["seat_n"] == pytest.approx(40 * KGF_N)
    assert document["card"]["open_n"] == pytest.approx(78 * KGF_N)
    assert document["card"]["lift_mm"] == pytest.approx(10.9)
    (one,) = document["combinations"]
    assert set(one) == {
        "outer", "inner", "shim_mm", "seat_cut_mm", "seat_n", "seat_u_n", "open_n", "open_u_n",
        "rate_n_per_mm", "coil_bind_margin_mm", "fits", "reasons", "shims_mm", "outer_shims_mm",
        "inner_shims_mm", "seat_lowest_n",
        "verdict", "needs", "valves", "inside_as_they_come", "inside_chosen", "inside_surely",
        "limit_failures",
        "seat_highest_n", "open_lowest_n", "open_highest_n", "margins",
    }  # fmt: skip
    assert (one["outer"], one["inner"], one["shim_mm"]) == ("larch", "heron", 0.0)


def test_single_springs_have_a_null_inner() -> None:
    for role in ("single", "outer"):
        springs = by_name(spring_set("larch", role))
        document = json.loads(json.dumps(to_document(pair_sets(SINGLE, springs))))
        assert document["combinations"][0]["inner"] is None


@pytest.mark.parametrize(
    ("sets", "says"),
    [
        (by_name(spring_set("larch", "outer")), ["springs.inner", "'heron'", "no set"]),
        (by_name(spring_set("heron", "inner")), ["springs.outer", "'larch'", "no set"]),
        (
            by_name(spring_set("larch", "inner"), spring_set("heron", "inner")),
            ["springs.outer", "'larch'", "registered as inner"],
        ),
        (
            by_name(spring_set("larch", "single"), spring_set("heron", "inner")),
            ["springs.outer", "'larch'", "registered as single"],
        ),
    ],
)
def test_a_candidate_that_will_not_do(sets: dict[str, SetCurves], says: list[str]) -> None:
    with pytest.raises(CoilbenchError) as caught:
        pair_sets(PLAN, sets)
    for word in ["six.toml", *says]:
        assert word in str(caught.value)
