"""Stacks of shims from stock and cuts of the seat."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.engine.build_file import Shim
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.reasons import Shortage
from coilbench.analysis.engine.shims import SeatChoice, SeatOptions

CARD = """\
[cam]
name = "card"
valve_lift = "10 mm"
seat_load = "34 kg"
seat_tolerance = "2 kg"
open_load = "72 kg"
open_tolerance = "3 kg"
[springs]
outer = ["larch"]
[head]
installed_height = "39 mm"
"""


def shim_stacks(stock: list[Shim], most: int, valves: int = 1) -> tuple[tuple[float, ...], ...]:
    return tuple(choice.shims_mm for choice in SeatOptions(stock, most, valves).alike())


def stacks_from_stock(stock: list[Shim], most: int, valves: int) -> tuple[tuple[float, ...], ...]:
    return tuple(choice.shims_mm for choice in SeatOptions(stock, most, valves).mixed())


def total_mm(stack: tuple[float, ...]) -> float:
    return SeatChoice(stack).shim_mm


def test_every_thickness_that_can_be_had() -> None:
    stock = [Shim(0.5, 12), Shim(0.25, 3), Shim(1.0, 0)]
    assert shim_stacks(stock, 0) == ((),)
    assert shim_stacks([], 1_000_000) == ((),)
    assert shim_stacks(stock, 2) == ((), (0.25,), (0.5,), (0.25, 0.5), (0.5, 0.5))
    assert (0.25, 0.25, 0.25, 0.25) not in shim_stacks(stock, 4)  # three in stock
    # one shim of 1.0 for two valves is short, two of 0.5 each are not
    assert (0.5, 0.5) in shim_stacks([Shim(0.5, 4), Shim(1.0, 1)], 2, valves=2)
    assert (1.0,) in shim_stacks([Shim(0.5, 4), Shim(1.0, 2)], 2, valves=2)


def test_what_is_short_is_counted() -> None:
    stock = [Shim(0.5, 12), Shim(0.25, None)]
    assert SeatOptions(stock, 2, 12).shortages(SeatChoice((0.25, 0.5))) == ()
    assert SeatOptions(stock, 2, 12).shortages(SeatChoice((0.5, 0.5))) == (Shortage(0.5, 24, 12),)


def test_cuts_are_whole_steps() -> None:
    def cuts(deepest_mm: float, step_mm: float) -> tuple[float, ...]:
        cuts = f'max_seat_cut = "{deepest_mm} mm"\nseat_cut_step = "{step_mm} mm"\n'
        return SeatOptions.of(parse_build(CARD + cuts, "b.toml"), 1).cuts_mm

    assert cuts(0.0, 0.1) == ()
    assert cuts(0.3, 0.1) == (0.1, 0.2, 0.3)  # 0.3 / 0.1 is a little under 3 in binary
    assert cuts(0.35, 0.1) == (0.1, 0.2, 0.3)
    assert cuts(0.05, 0.1) == ()


def test_a_shim_lowers_and_a_cut_raises() -> None:
    assert SeatChoice((0.3, 0.7)).height_change_mm == pytest.approx(-1.0)
    assert SeatChoice(seat_cut_mm=0.4).height_change_mm == pytest.approx(0.4)


stocks = st.lists(
    st.builds(Shim, st.integers(1, 8).map(lambda n: n / 4), st.none() | st.integers(0, 3)),
    max_size=3,
    unique_by=lambda shim: shim.thickness_mm,
)


@settings(max_examples=60, deadline=None)
@given(stock=stocks, most=st.integers(0, 3))
def test_stacks_are_what_laying_out_every_shim_gives(stock: list[Shim], most: int) -> None:
    """Each single shim laid out by hand, taken or left."""
    pieces = [s.thickness_mm for s in stock for _ in range(3 if s.count is None else s.count)]
    fewest: dict[float, int] = {}
    for size in range(most + 1):
        for stack in itertools.combinations(pieces, size):
            fewest.setdefault(sum(stack), size)
    stacks = shim_stacks(stock, most)
    assert [total_mm(stack) for stack in stacks] == sorted(fewest)
    assert [len(stack) for stack in stacks] == [fewest[total] for total in sorted(fewest)]


def test_a_stack_that_is_never_of_use_is_left_out() -> None:
    enough, scarce = Shim(0.5, None), Shim(1.0, 2)
    # (1.0,) saves a shim, (0.5, 0.5) saves the scarce ones
    assert stacks_from_stock([enough, scarce], 2, 4) == (
        (),
        (0.5,),
        (1.0,),
        (0.5, 0.5),
        (0.5, 1.0),
        (1.0, 1.0),
    )
    assert stacks_from_stock([enough, Shim(1.0, 8)], 2, 4)[2:4] == ((1.0,), (0.5, 1.0))
    assert stacks_from_stock([], 2, 4) == ((),)
    assert stacks_from_stock([enough], 0, 4) == ((),)


@settings(max_examples=60, deadline=None)
@given(stock=stocks, most=st.integers(0, 3), valves=st.integers(1, 3))
def test_every_stack_has_one_that_is_as_good(stock: list[Shim], most: int, valves: int) -> None:
    """As thick, with no more shims in all and no more of any that could run short."""
    kept = stacks_from_stock(stock, most, valves)
    scarce = [shim.thickness_mm for shim in SeatOptions(stock, most, valves).scarce]
    thicknesses = sorted(shim.thickness_mm for shim in stock)
    for size in range(most + 1):
        for stack in itertools.combinations_with_replacement(thicknesses, size):
            if SeatOptions(stock, most).shortages(SeatChoice(stack)):
                assert stack not in kept
                continue
            assert any(
                total_mm(other) == total_mm(stack)
                and len(other) <= len(stack)
                and all(other.count(t) <= stack.count(t) for t in scarce)
                for other in kept
            )
