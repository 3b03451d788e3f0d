"""One outer set, perhaps an inner set, and what lies under them, held against the card. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coilbench.analysis.engine import pairing_words
from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.placed import Load, PlacedSet, SetLoad, exceeds, parallel_load
from coilbench.analysis.engine.shims import SeatChoice, shortages
from coilbench.analysis.report.units import Units


@dataclass(frozen=True)
class Margin:
    """How far one set stays from coil bind.

    Attributes:
        margin_mm: open height at the lowest valve less solid height; None if unknown.
        solid_height_mm: the set's highest; None if unknown.
        computed: whether that is from wire and coils, not measured or registered.
        smallest_gap_mm: EN 13906-1's smallest sum of gaps under dynamic load, to hold the
            margin against; None where the dimensions aren't known.
    """

    set_name: str
    margin_mm: float | None
    solid_height_mm: float | None
    computed: bool
    smallest_gap_mm: float | None


@dataclass(frozen=True)
class LoadRange:
    """A load of two sets together.

    Attributes:
        load_n: outer and inner, means over the sets.
        load_u_n: its expanded uncertainty, k = 2: what the bench's errors have in common added
            plainly, the readings' own by root sum of squares.
        lowest_n, highest_n: the weakest springs of both sets together, and the strongest.
    """

    load_n: float
    load_u_n: float
    lowest_n: float
    highest_n: float


@dataclass(frozen=True)
class Combination:
    """One outer set, perhaps an inner set, and what is done under them.

    Attributes:
        outer, inner: names of the sets; inner is None for single springs.
        choice: the shims or the cut.
        seat, full: loads with the valve shut and at full lift; None if unknown.
        rate_n_per_mm: (open - seat) / lift; None if unknown.
        margins: of each set.
        limits_kept: no known coil bind margin and no known clearance is under its limit.
        stocked: there are shims enough to put the same under every valve.
        fits: both loads are inside the card's tolerances, and the limits are kept. The values
            decide; where the uncertainty reaches over a tolerance a reason says so.
        reasons: what doesn't fit, or should be known, in words and numbers.
    """

    outer: str
    inner: str | None
    choice: SeatChoice
    seat: LoadRange | None
    full: LoadRange | None
    rate_n_per_mm: float | None
    margins: tuple[Margin, ...]
    limits_kept: bool
    stocked: bool
    fits: bool
    reasons: tuple[str, ...]

    @property
    def coil_bind_margin_mm(self) -> float | None:
        """The smaller of both springs' at the lowest valve; None where one isn't known."""
        known = [each.margin_mm for each in self.margins if each.margin_mm is not None]
        return min(known) if len(known) == len(self.margins) else None

    @property
    def effort(self) -> tuple[bool, int, float]:
        """What it takes, to be compared: no cut before any cut, then shims, then depth."""
        cut_mm = self.choice.seat_cut_mm
        return cut_mm > 0.0, len(self.choice.shims_mm), cut_mm


def card_distance(combination: Combination, cam: Cam) -> float | None:
    """Return how far both loads are from the card, each in its tolerance, squared and summed.

    ((seat - target) / tolerance)^2 + ((open - target) / tolerance)^2; None if a load is unknown.
    """
    if combination.seat is None or combination.full is None:
        return None
    return cam.distance(combination.seat.load_n, combination.full.load_n)


def judge(
    build: BuildFile,
    placed: Sequence[PlacedSet],
    choice: SeatChoice,
    valves: int,
    units: Units,
) -> Combination:
    """Hold placed sets against the card and the limits."""
    cam, limit_mm = build.cam, build.limits.coil_bind_margin_mm
    seat, full = _together([each.seat for each in placed]), _together([p.open for p in placed])
    reasons: list[str] = []
    loads_fit, rate_n_per_mm = False, None
    if seat is not None and full is not None:
        rate_n_per_mm = (full.load_n - seat.load_n) / cam.valve_lift_mm
        loads_fit = cam.fits(seat.load_n, full.load_n)
        if not loads_fit:
            reasons += pairing_words.load_reasons(cam, seat.load_n, full.load_n, choice, units)
        reasons += pairing_words.unsure_reasons(cam, _pair(seat), _pair(full), units)
    for each in placed:
        reasons += pairing_words.unread_reasons(each, units)
        reasons += pairing_words.bind_reasons(each, limit_mm, units)
    near = pairing_words.clearance_reasons(build, units)
    reasons += near
    short = shortages(choice.shims_mm, build.shims, valves)
    reasons += pairing_words.stock_reasons(short, units)
    margins = tuple(_margin(each) for each in placed)
    bound = any(m.margin_mm is not None and exceeds(limit_mm, m.margin_mm) for m in margins)
    return Combination(
        outer=placed[0].springs.name,
        inner=placed[1].springs.name if len(placed) > 1 else None,
        choice=choice,
        seat=seat,
        full=full,
        rate_n_per_mm=rate_n_per_mm,
        margins=margins,
        limits_kept=not bound and not near,
        stocked=not short,
        fits=loads_fit and not bound and not near,
        reasons=tuple(reasons),
    )


def combination_document(combination: Combination) -> dict[str, object]:
    """Return one combination of the JSON document of `pair`, in N and mm."""
    seat, full, choice = combination.seat, combination.full, combination.choice
    return {
        "outer": combination.outer,
        "inner": combination.inner,
        "shim_mm": choice.shim_mm,
        "seat_cut_mm": choice.seat_cut_mm,
        "seat_n": None if seat is None else seat.load_n,
        "seat_u_n": None if seat is None else seat.load_u_n,
        "open_n": None if full is None else full.load_n,
        "open_u_n": None if full is None else full.load_u_n,
        "rate_n_per_mm": combination.rate_n_per_mm,
        "coil_bind_margin_mm": combination.coil_bind_margin_mm,
        "fits": combination.fits,
        "reasons": list(combination.reasons),
        "shims_mm": list(choice.shims_mm),
        "seat_lowest_n": None if seat is None else seat.lowest_n,
        "seat_highest_n": None if seat is None else seat.highest_n,
        "open_lowest_n": None if full is None else full.lowest_n,
        "open_highest_n": None if full is None else full.highest_n,
        "margins": [
            {
                "set": margin.set_name,
                "coil_bind_margin_mm": margin.margin_mm,
                "solid_height_mm": margin.solid_height_mm,
                "solid_height_computed": margin.computed,
                "smallest_gap_mm": margin.smallest_gap_mm,
            }
            for margin in combination.margins
        ],
    }


def _together(loads: Sequence[SetLoad]) -> LoadRange | None:
    """Add sets that act in parallel."""
    means, lowest_n, highest_n = list[Load](), 0.0, 0.0
    for load in loads:
        if load.mean is None or load.lowest_n is None or load.highest_n is None:
            return None
        means.append(load.mean)
        lowest_n += load.lowest_n
        highest_n += load.highest_n
    both = parallel_load(means)
    return LoadRange(both.load_n, both.load_u_n, lowest_n, highest_n)


def _pair(load: LoadRange) -> tuple[float, float]:
    return load.load_n, load.load_u_n


def _margin(placed: PlacedSet) -> Margin:
    springs = placed.springs
    return Margin(
        springs.name,
        placed.bind_margin_mm,
        springs.highest_solid_mm,
        springs.known_solid_mm is None and springs.highest_solid_mm is not None,
        None if springs.coil is None else springs.coil.smallest_gap_mm,
    )
