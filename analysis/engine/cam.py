"""The cam card: what it asks of all valves, or of intake's and exhaust's; the lobe. Pure.

From heel to nose a lobe is as high as its base circle's diameter and its lift together. One that
doesn't stand proud of the core all round stops a lifter that should turn on it, and wrecks both
(common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Self

import msgspec
from msgspec import Meta

from coilbench.analysis.engine.toml_source import (
    MOST,
    LengthMm,
    LengthMmOrZero,
    LoadN,
    Quantity,
    Share,
    Source,
    Table,
)
from coilbench.capture import units
from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError

ROUNDING = 1e-9  # N or mm: what lies just on a limit is inside it, whatever the last bit says
# Of a load whose card gives no tolerance. Cards and makers often allow 10 %, so that this is the
# cautious half; common practice, no source.
TOLERANCE_ASSUMED = 0.05
CRANK_PER_CAM = 2.0  # turns, four-stroke

Text = Annotated[str, Meta(pattern=r"\S")]
Positive = Annotated[float, Meta(gt=0.0, le=MOST)]


class OpenLoadN(LoadN):
    """A load at full lift, N."""

    like = "72 kg"


class LiftMm(LengthMm):
    """A lift, mm."""

    like = "10.2 mm"


class Tolerance(Quantity):
    """How far a load may be away: N, or a fraction of that load where is_share."""

    parse, like = staticmethod(units.parse_load_n), '2 kg" or "5%'
    is_share = False

    @classmethod
    def read(cls, text: str) -> Self:
        """Read a load or a percentage.

        Raises:
            CoilbenchError: it is neither.
        """
        if not text.rstrip().endswith("%"):
            return super().read(text)
        share = cls(Share.read(text))
        if share > Share.most:
            raise CoilbenchError(f"{text!r} is out of range", hint='Write it like "5%"')
        share.is_share = True
        return share

    def of(self, load_n: float) -> float:
        """Return it in N, of a load."""
        return self * load_n if self.is_share else float(self)


class Lobe(msgspec.Struct, frozen=True):
    """A lobe's dimensions, all in mm, as given; None where not.

    Attributes:
        height_mm: heel to nose.
        given_base_circle_mm: diameter of the base circle, where it is given itself.
        lift_mm: the lobe's own lift.
        core_mm: diameter of the cam's core beside the lobe.
        old_base_circle_mm: diameter of the base circle of the cam that was in the engine before.
        rocker_ratio: valve lift over lobe lift.
    """

    height_mm: float | None = None
    given_base_circle_mm: float | None = None
    lift_mm: float | None = None
    core_mm: float | None = None
    old_base_circle_mm: float | None = None
    rocker_ratio: float | None = None

    @property
    def base_circle_mm(self) -> float | None:
        """Diameter of the base circle: as given, else the lobe's height less its lift."""
        if self.height_mm is None or self.lift_mm is None:
            return self.given_base_circle_mm
        return round(self.height_mm - self.lift_mm, 6)

    @property
    def base_proud_mm(self) -> float | None:
        """How far the base circle stands above the core: half the difference of diameters."""
        if self.base_circle_mm is None or self.core_mm is None:
            return None
        return round((self.base_circle_mm - self.core_mm) / 2.0, 6)

    @property
    def nose_proud_mm(self) -> float | None:
        """How far the nose stands above the core: the base circle and the lift above that."""
        if self.base_proud_mm is None or self.lift_mm is None:
            return None
        return round(self.base_proud_mm + self.lift_mm, 6)

    @property
    def lower_mm(self) -> float | None:
        """How much lower the lifter sits than before: half the difference of diameters."""
        if self.base_circle_mm is None or self.old_base_circle_mm is None:
            return None
        return round((self.old_base_circle_mm - self.base_circle_mm) / 2.0, 6)

    @property
    def lower_at_valve_mm(self) -> float | None:
        """What that is at the valve, times the rocker ratio; None where that isn't known."""
        if self.lower_mm is None or self.rocker_ratio is None:
            return None
        return round(self.lower_mm * self.rocker_ratio, 6)

    def findings(self) -> Iterator[Finding]:
        """Yield how it stands to the core, how the base circle has changed, or what to ask."""
        base_mm = self.base_circle_mm
        if self.base_proud_mm is not None:
            kind = "lobe_proud" if self.base_proud_mm > 0.0 else "lobe_not_proud"
            yield Finding.of(
                kind,
                base_circle_mm=base_mm,
                core_diameter_mm=self.core_mm,
                base_proud_mm=self.base_proud_mm,
                nose_proud_mm=self.nose_proud_mm,
            )
        else:
            yield Finding.of("lobe_unknown", base_circle_mm=base_mm, core_diameter_mm=self.core_mm)
        if self.lower_mm is not None:
            yield Finding.of(
                "base_circle_changed",
                base_circle_mm=base_mm,
                old_base_circle_mm=self.old_base_circle_mm,
                lower_mm=self.lower_mm,
                lower_at_valve_mm=self.lower_at_valve_mm,
            )


class CamTable(Table, frozen=True):
    """[cam] as it stands, or with one of its parts laid over it."""

    instead: ClassVar[Mapping[str, str]] = {"valve_lift": " (or lobe_lift, rocker_ratio and lash)"}

    seat_load_n: LoadN
    open_load_n: OpenLoadN
    name: Text | None = None
    seat_tolerance: Tolerance | None = None
    open_tolerance: Tolerance | None = None
    valve_lift_mm: LiftMm | None = None
    lobe_lift_mm: LiftMm | None = None
    rocker_ratio: Positive | None = None
    lash_mm: LengthMmOrZero | None = None
    max_rpm: Positive | None = None
    lobe_height_mm: LengthMm | None = None
    base_circle_mm: LengthMm | None = None
    core_diameter_mm: LengthMm | None = None
    old_base_circle_mm: LengthMm | None = None

    @classmethod
    def also_required(cls, table: Mapping[str, Any]) -> Iterator[str]:
        """Name the lift, or what is missing to work it out; the lobe's where its height is."""
        if "lobe_lift" not in table and "valve_lift" not in table:
            yield "valve_lift"
        if "lobe_lift" in table and "rocker_ratio" not in table:
            yield "rocker_ratio"

    def read(self, source: Source, side: str | None, loss_allowance: float) -> Cam:
        """Work out what a card asks for.

        Raises:
            CoilbenchError: values that can't be together.
        """
        file_name = source.name.rpartition(".")[0] or source.name
        name = file_name if self.name is None else self.name
        if self.open_load_n <= self.seat_load_n:
            what = f"the open load {source.at('cam', 'open_load')!r} must be above the seat load"
            hint = f"Give the load at full lift, above {source.at('cam', 'seat_load')!r}"
            source.refuse(("cam", "open_load"), what, hint)
        return Cam(
            name=name if side is None else f"{name}, {side}",
            side=side,
            seat_load_n=self.seat_load_n * (1.0 + loss_allowance),
            seat_tolerance_n=_tolerance_n(self.seat_load_n, self.seat_tolerance),
            open_load_n=self.open_load_n * (1.0 + loss_allowance),
            open_tolerance_n=_tolerance_n(self.open_load_n, self.open_tolerance),
            valve_lift_mm=_valve_lift_mm(source, self),
            loss_allowance=loss_allowance,
            lash_mm=self.lash_mm,
            max_rpm=self.max_rpm,
            lobe=_lobe(source, self),
        )

    def notes(self, cam: Cam) -> Iterator[Finding]:
        """Yield what was assumed about a card, and by how much its loads are raised."""
        if self.lobe_lift_mm is not None and self.lash_mm is None:
            yield Finding.of("lash_assumed", lash_mm=0.0)
        given = (("seat", self.seat_tolerance), ("open", self.open_tolerance))
        ends = [end for end, tolerance in given if tolerance is None]
        if ends:
            yield Finding.of("tolerance_assumed", ends=ends, share=TOLERANCE_ASSUMED)
        if cam.loss_allowance > 0.0:
            yield Finding.of(
                "loss_allowance",
                card=cam.name,
                share=cam.loss_allowance,
                card_seat_n=float(self.seat_load_n),
                card_open_n=float(self.open_load_n),
                seat_n=cam.seat_load_n,
                open_n=cam.open_load_n,
            )


class Cam(msgspec.Struct, frozen=True):
    """What the cam card asks of some valves.

    Attributes:
        side: whose card it is; None where one card serves all valves.
        seat_load_n, open_load_n: what the springs must show: the card's loads, raised by
            loss_allowance, a fraction.
        seat_tolerance_n, open_tolerance_n: how far a load may be away, either way.
        valve_lift_mm: at the valve; given, or lobe_lift * rocker_ratio - lash, the lash
            (clearance) as measured at the valve.
        lash_mm, max_rpm: None where not given.
    """

    name: str
    side: str | None
    seat_load_n: float
    seat_tolerance_n: float
    open_load_n: float
    open_tolerance_n: float
    valve_lift_mm: float
    loss_allowance: float
    lash_mm: float | None
    max_rpm: float | None
    lobe: Lobe

    @property
    def implied_rate_n_per_mm(self) -> float:
        """The rate the card implies: (open - seat) / lift."""
        return (self.open_load_n - self.seat_load_n) / self.valve_lift_mm

    def fits(self, seat_n: float, open_n: float) -> bool:
        """Tell whether both loads are inside the tolerances; what lies just on one is."""
        return (
            abs(seat_n - self.seat_load_n) <= self.seat_tolerance_n + ROUNDING
            and abs(open_n - self.open_load_n) <= self.open_tolerance_n + ROUNDING
        )

    def distance(self, seat_n: float, open_n: float) -> float:
        """Return how far two loads are from the card's, each in its tolerance, squared, summed."""
        seat = (seat_n - self.seat_load_n) / self.seat_tolerance_n
        full = (open_n - self.open_load_n) / self.open_tolerance_n
        return seat * seat + full * full


def _tolerance_n(load_n: float, given: Tolerance | None) -> float:
    return TOLERANCE_ASSUMED * load_n if given is None else given.of(load_n)


def _valve_lift_mm(source: Source, table: CamTable) -> float:
    if table.valve_lift_mm is not None:
        for key in ("lobe_lift", "rocker_ratio", "lash"):
            if source.at("cam", key) is not None:
                what = f"{key} = {source.at('cam', key)!r} is given besides valve_lift"
                hint = "Give valve_lift alone, or lobe_lift, rocker_ratio and lash"
                source.refuse(("cam", key), what, hint)
        return float(table.valve_lift_mm)
    at_valve_mm = (table.lobe_lift_mm or 0.0) * (table.rocker_ratio or 0.0)
    lift_mm = at_valve_mm - (table.lash_mm or 0.0)
    if lift_mm <= 0.0:
        what = f"lobe_lift * rocker_ratio - lash is {lift_mm:.3f} mm, it must be above 0"
        hint = "Check lobe_lift, rocker_ratio and lash (measured at the valve)"
        source.refuse(("cam", "lobe_lift"), what, hint)
    return lift_mm


def _lobe(source: Source, table: CamTable) -> Lobe:
    """Put the lobe's dimensions together; its height is that over heel and nose."""
    if table.lobe_height_mm is not None:
        height = source.at("cam", "lobe_height")
        if table.base_circle_mm is not None:
            what = f"{height!r} is given besides base_circle"
            source.refuse(("cam", "lobe_height"), what, "Give the one that was measured")
        if table.lobe_lift_mm is None:
            what = f"{height!r} tells the base circle only together with the lobe's lift"
            hint = "Give lobe_lift and rocker_ratio in place of valve_lift, or give base_circle"
            source.refuse(("cam", "lobe_height"), what, hint)
        if table.lobe_height_mm <= table.lobe_lift_mm:
            what = f"{height!r} from heel to nose is not above the lobe's lift"
            hint = "lobe_height is base circle (a diameter) and lift together"
            source.refuse(("cam", "lobe_height"), what, hint)
    return Lobe(
        table.lobe_height_mm,
        table.base_circle_mm,
        table.lobe_lift_mm,
        table.core_diameter_mm,
        table.old_base_circle_mm,
        table.rocker_ratio,
    )


def exceeds(value: float, limit: float) -> bool:
    """Tell whether a value is over a limit by more than rounding."""
    return value > limit + ROUNDING


def cam_hz(crank_rpm: float) -> float:
    """Turns of the camshaft a second, at a speed of the crankshaft."""
    return crank_rpm / CRANK_PER_CAM / 60.0
