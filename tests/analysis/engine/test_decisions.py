"""What is said of shops read in part, against every way of building them from full knowledge."""

from collections import Counter

import pytest

from bench_decisions import judge
from support.shops import make_shop


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_nothing_that_is_said_is_false_and_the_needs_lead_to_the_best(seed: int) -> None:
    said = Counter[str]()
    judge(make_shop(seed), said)
    assert {what: count for what, count in said.items() if "false" in what and count} == {}
    assert said["end equals full knowledge"] == 1
    assert said["proven"] + said["not proven"] == 3
