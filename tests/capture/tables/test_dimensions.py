"""Lengths that can't be are refused, those that look like a slip are asked about."""

from __future__ import annotations

import pytest

from coilbench.capture.errors import CoilbenchError, Doubtful
from coilbench.capture.tables.dimensions import (
    INCH_MM,
    PLAUSIBLE_MM,
    SOLID_SHARES,
    Pressed,
    Sizes,
    doubts,
    refuse_installed,
    refuse_length,
    refuse_sizes,
)

# a sound spring, its solid height by Shigley's table 10-1 (closed and ground): 4.2 (4.5 + 2)
SOUND = {
    "free_length_mm": 53.2,
    "solid_height_mm": 27.3,
    "wire_mm": 4.2,
    "coil_diameter_mm": 31.0,
    "active_coils": 4.5,
}
READ = (Pressed(38.9, 200.0, 2.0, 0.05), Pressed(28.0, 360.0, 2.0, 0.05))


def test_a_sound_spring_is_not_asked_about() -> None:
    assert doubts(Sizes(**SOUND), READ) == []


@pytest.mark.parametrize("known", [["free_length_mm", "solid_height_mm"], list(SOUND)])
@pytest.mark.parametrize("factor", [INCH_MM, 1.0 / INCH_MM, 10.0, 0.1])
@pytest.mark.parametrize("name", [name for name in SOUND if name.endswith("_mm")])
def test_an_inch_or_a_decimal_in_any_length_is_never_taken_unasked(name, factor, known) -> None:
    given = {one: SOUND[one] for one in {*known, name}}
    given[name] *= factor
    with pytest.raises(CoilbenchError):
        refuse_sizes(Sizes(**given), changed=[name])
    with pytest.raises(CoilbenchError):
        refuse_sizes(Sizes(**{name: given[name]}), changed=[name])


def test_the_length_that_was_meant_is_named() -> None:
    with pytest.raises(Doubtful, match=r"Perhaps 24 mm is meant"):
        refuse_sizes(Sizes(53.2, 2.4), changed=["solid_height_mm"])
    with pytest.raises(Doubtful, match=r"Perhaps 21.08 mm is meant \(0.83 in\)"):
        refuse_sizes(Sizes(53.2, 0.83), changed=["solid_height_mm"])


def test_somebody_who_is_sure_has_it_stored_but_never_what_can_not_be() -> None:
    refuse_sizes(Sizes(53.2, 2.4), sure=True)
    with pytest.raises(CoilbenchError, match="not below"):
        refuse_sizes(Sizes(53.2, 53.2), sure=True)


def test_what_was_there_before_is_not_asked_about_again() -> None:
    refuse_sizes(Sizes(53.2, 2.4, wire_mm=4.2), changed=["wire_mm"])


@pytest.mark.parametrize(("share", "kept"), [(0.001, True), (-0.001, False)])
def test_the_solid_share_has_its_edges(share, kept) -> None:
    least, most = SOLID_SHARES
    for at in (least + share, most - share):
        assert (doubts(Sizes(60.0, 60.0 * at)) == []) is kept


@pytest.mark.parametrize("name", PLAUSIBLE_MM)
def test_each_range_has_its_edges(name) -> None:
    least, most = PLAUSIBLE_MM[name]
    for inside, outside in ((least, 0.99 * least), (most, 1.01 * most)):
        assert doubts(Sizes(**{name: inside})) == []
        assert doubts(Sizes(**{name: outside}))


def test_solid_is_compared_with_wire_and_turns_by_the_handbook() -> None:
    # Shigley, table 10-1: d (Na + 1) for plain ground ends to d (Na + 3) for closed ones
    for solid_mm, sound in ((4.2 * 5.5, True), (4.2 * 7.5, True), (19.0, False), (37.0, False)):
        found = doubts(Sizes(None, solid_mm, 4.2, 31.0, 4.5))
        assert (found == []) is sound


def test_a_spring_that_was_read_at_26_is_not_solid_at_42() -> None:
    read = (Pressed(26.0, 400.0, 2.0, 0.1),)
    for solid_mm in (42.0, 26.3):
        with pytest.raises(CoilbenchError, match="above the 26 mm"):
            refuse_sizes(Sizes(60.0, solid_mm), read, sure=True)
    refuse_sizes(Sizes(60.0, 26.1), read)


def test_a_spring_that_pushes_at_38_9_is_longer() -> None:
    for free_mm in (15.0, 38.7):
        with pytest.raises(CoilbenchError, match="push"):
            refuse_sizes(Sizes(free_mm), READ[:1], sure=True)
    refuse_sizes(Sizes(38.85), READ[:1])
    refuse_sizes(Sizes(38.0), [Pressed(38.9, 5.0, 2.0, 0.05)])  # a load that may be none


def test_a_free_length_far_from_where_the_loads_run_out_is_asked_about() -> None:
    # 160 N over 10.9 mm: 200 N run out 13.6 mm higher, at 52.5 mm
    refuse_sizes(Sizes(53.2), READ)
    refuse_sizes(Sizes(69.9), READ)
    with pytest.raises(Doubtful, match="run out"):
        refuse_sizes(Sizes(70.1), READ)


def test_a_springs_solid_height_far_from_its_sets_is_asked_about() -> None:
    refuse_sizes(Sizes(53.2, 20.0, set_solid_mm=24.0))
    with pytest.raises(Doubtful, match="the set's"):
        refuse_sizes(Sizes(53.2, 17.9, set_solid_mm=24.0))


@pytest.mark.parametrize(
    ("height_mm", "said"),
    [(53.2, "loose"), (83.2, "loose"), (24.0, "solid"), (1.54, "unusual"), (990.6, "unusual")],
)
def test_an_installed_height_where_no_spring_can_stand_is_asked_about(height_mm, said) -> None:
    springs = [Sizes(53.2, 24.5), Sizes(50.0, 24.0)]
    with pytest.raises(Doubtful, match=said):
        refuse_installed(height_mm, springs)
    refuse_installed(53.1, springs)
    refuse_installed(24.1, springs)
    refuse_installed(83.2, [])
    refuse_installed(83.2, [*springs, Sizes()])  # one is not known


def test_an_engines_length_has_its_range() -> None:
    refuse_length(2.0, (2.0, 30.0))
    with pytest.raises(Doubtful, match=r"Perhaps 10.92 mm is meant \(0.43 in\)"):
        refuse_length(0.43, (2.0, 30.0))


@pytest.mark.parametrize(
    ("typed_mm", "meant"),
    [(4.95, r"49\.5 mm is meant \(the decimal\)"), (1.52, r"38\.61 mm is meant \(1\.52 in\)")],
)
def test_a_slipped_decimal_comes_before_more_inches_than_a_spring_has(
    typed_mm: float, meant: str
) -> None:
    with pytest.raises(Doubtful, match=meant):
        refuse_length(typed_mm, (20.0, 150.0))
