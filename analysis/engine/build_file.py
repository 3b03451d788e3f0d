"""The build file: cam, head, shims, limits and candidate sets, read from TOML text. Pure."""

from __future__ import annotations

import math

from coilbench.analysis.engine.build_parts import BuildFile, Cam, Head, Limits, Shim, Springs
from coilbench.analysis.engine.toml_section import Section, load_toml
from coilbench.analysis.limits.limits_section import SECTIONS, parse_limits_given

__all__ = ["BuildFile", "Cam", "Head", "Limits", "Shim", "Springs", "parse_build"]

SEAT_CUT_STEP_MM = 0.1
COIL_BIND_MARGIN_MM = 1.2  # common practice, no source: about 1 to 1.5 mm for each spring
MIN_CLEARANCE_MM = 1.3  # common practice, no source: about 0.05 in, retainer to seal
MAX_SHIMS = 2
MOST_VALVES = 64
MOST_CHOICES = 2000  # seat cuts, or stacks of shims: more is a slip of the pen, not a plan


def parse_build(text: str, name: str) -> BuildFile:
    """Read a build file.

    Args:
        text: TOML; quantities are texts with units, a decimal comma is allowed in them.
        name: the file's name, for messages.

    Raises:
        CoilbenchError: not TOML, an unknown or missing key, a missing unit, a wrong type or an
            impossible value. It names the file, the line and the key.
    """
    plain = text.removeprefix("\ufeff")
    top = Section(name, plain, (), load_toml(plain, name))
    top.refuse_unknown(("cam", "head", "shims", "limits", "springs", *SECTIONS))
    notes: list[str] = []
    springs = _springs(top.section("springs"))
    cam = _cam(top.section("cam"), notes)
    head = _head(top.section("head"), cam, springs, notes)
    shims = _shims(top)
    limits = _limits(top, head, shims, notes)
    given = parse_limits_given(top, (*springs.outer, *springs.inner))
    return BuildFile(name, cam, head, shims, limits, springs, tuple(notes), given)


def _springs(section: Section) -> Springs:
    section.refuse_unknown(("outer", "inner"))
    outer = section.names("outer")
    inner = section.names("inner") if "inner" in section else ()
    for name in inner:
        if name in outer:
            section.fail(
                f"{name!r} is named as outer and as inner",
                key="inner",
                mend="A set has one role: name it once",
            )
    return Springs(outer, inner)


def _cam(section: Section, notes: list[str]) -> Cam:
    section.refuse_unknown(
        (
            "name", "valve_lift", "lobe_lift", "rocker_ratio", "lash", "seat_load",
            "seat_tolerance", "open_load", "open_tolerance", "max_rpm",
        )
    )  # fmt: skip
    seat_load_n = _above_zero(section, "seat_load", section.load_n("seat_load"))
    open_load_n = section.load_n("open_load")
    if open_load_n <= seat_load_n:
        section.fail(
            "the open load must be above the seat load",
            key="open_load",
            mend="The open load is the one at full lift",
        )
    max_rpm = None
    if "max_rpm" in section:
        max_rpm = _above_zero(section, "max_rpm", section.number("max_rpm"))
    return Cam(
        name=section.text_value("name"),
        valve_lift_mm=_valve_lift_mm(section, notes),
        seat_load_n=seat_load_n,
        seat_tolerance_n=_above_zero(section, "seat_tolerance", section.load_n("seat_tolerance")),
        open_load_n=open_load_n,
        open_tolerance_n=_above_zero(section, "open_tolerance", section.load_n("open_tolerance")),
        max_rpm=max_rpm,
    )


def _valve_lift_mm(section: Section, notes: list[str]) -> float:
    """Return the lift at the valve: valve_lift, or lobe_lift * rocker_ratio - lash.

    The lash (clearance) is the one measured at the valve: the lift it takes away comes after
    the rocker.
    """
    if "valve_lift" in section:
        for other in ("lobe_lift", "rocker_ratio", "lash"):
            if other in section:
                section.fail(
                    "valve_lift is given as well",
                    key=other,
                    mend="Give valve_lift alone, or lobe_lift, rocker_ratio and lash",
                )
        return _above_zero(section, "valve_lift", section.length_mm("valve_lift"))
    if "lobe_lift" not in section:
        section.fail(
            "the key valve_lift is missing",
            mend="Add valve_lift, or lobe_lift, rocker_ratio and lash",
        )
    lobe_lift_mm = _above_zero(section, "lobe_lift", section.length_mm("lobe_lift"))
    rocker_ratio = _above_zero(section, "rocker_ratio", section.number("rocker_ratio"))
    lash_mm = 0.0
    if "lash" in section:
        lash_mm = _not_negative(section, "lash", section.length_mm("lash"))
    else:
        notes.append("lash isn't given: 0 mm assumed")
    valve_lift_mm = lobe_lift_mm * rocker_ratio - lash_mm
    if not 0.0 < valve_lift_mm < math.inf:
        section.fail(
            f"lobe_lift * rocker_ratio - lash is {valve_lift_mm:.3f} mm, which is no lift",
            key="lobe_lift",
            mend="Check lobe_lift, rocker_ratio and lash (measured at the valve)",
        )
    return valve_lift_mm


def _head(section: Section, cam: Cam, springs: Springs, notes: list[str]) -> Head:
    section.refuse_unknown(
        (
            "installed_height", "inner_offset", "max_seat_cut", "seat_cut_step", "valves",
            "retainer_clearance",
        )
    )  # fmt: skip
    inner_offset_mm = 0.0
    if "inner_offset" in section:
        inner_offset_mm = section.length_mm("inner_offset")
    elif springs.inner:
        notes.append("inner_offset isn't given: 0 mm assumed, both springs stand at one height")
    valve_heights_mm, valve_count = _valves(section, cam, springs, inner_offset_mm)
    installed_height_mm = 0.0
    if "installed_height" in section or not valve_heights_mm:
        key, installed_height_mm = "installed_height", section.length_mm("installed_height")
        _room_for_lift(section, key, installed_height_mm, cam, springs, inner_offset_mm)
    if valve_heights_mm:
        installed_height_mm = math.fsum(valve_heights_mm.values()) / len(valve_heights_mm)
    max_seat_cut_mm, seat_cut_step_mm = _seat_cut_mm(section)
    clearance_mm, key = None, "retainer_clearance"
    if key in section:
        clearance_mm = _not_negative(section, key, section.length_mm(key))
    return Head(
        installed_height_mm,
        valve_heights_mm,
        inner_offset_mm,
        max_seat_cut_mm,
        seat_cut_step_mm,
        valve_count,
        clearance_mm,
    )


def _valves(
    section: Section, cam: Cam, springs: Springs, inner_offset_mm: float
) -> tuple[dict[str, float], int | None]:
    """Read the valves: a number of them, or a table with a height for each."""
    if "valves" not in section:
        return {}, None
    if not isinstance(section.table["valves"], dict):
        count = section.whole_number("valves")
        if not 1 <= count <= MOST_VALVES:
            section.fail(f"{count} valves are not possible", key="valves", mend="Count them")
        return {}, count
    valves = section.section("valves")
    heights_mm = {}
    for valve in valves.table:
        heights_mm[valve] = valves.length_mm(valve)
        _room_for_lift(valves, valve, heights_mm[valve], cam, springs, inner_offset_mm)
    return heights_mm, len(heights_mm) if heights_mm else None


def _room_for_lift(
    section: Section, key: str, height_mm: float, cam: Cam, springs: Springs, offset_mm: float
) -> None:
    """Refuse an installed height that leaves nothing of a spring at full lift."""
    lowest_mm = height_mm - max(offset_mm, 0.0) if springs.inner else height_mm
    if lowest_mm <= cam.valve_lift_mm:
        whose = "the inner's installed height" if lowest_mm < height_mm else "installed height"
        section.fail(
            f"{whose} {lowest_mm:.2f} mm is not above the valve lift {cam.valve_lift_mm:.2f} mm",
            key=key,
            mend="Check the height and the lift",
        )


def _seat_cut_mm(section: Section) -> tuple[float, float]:
    max_mm, step_mm = 0.0, SEAT_CUT_STEP_MM
    if "max_seat_cut" in section:
        max_mm = _not_negative(section, "max_seat_cut", section.length_mm("max_seat_cut"))
    if "seat_cut_step" in section:
        step_mm = _above_zero(section, "seat_cut_step", section.length_mm("seat_cut_step"))
    if max_mm > MOST_CHOICES * step_mm:
        section.fail(
            f"a cut of up to {max_mm:g} mm in steps of {step_mm:g} mm is more than "
            f"{MOST_CHOICES} choices",
            key="max_seat_cut",
            mend="Lower max_seat_cut or widen seat_cut_step",
        )
    return max_mm, step_mm


def _shims(top: Section) -> tuple[Shim, ...]:
    shims: list[Shim] = []
    for section in top.sections("shims"):
        section.refuse_unknown(("thickness", "count"))
        thickness_mm = _above_zero(section, "thickness", section.length_mm("thickness"))
        if any(math.isclose(thickness_mm, shim.thickness_mm) for shim in shims):
            section.fail(
                f"shims of {thickness_mm:g} mm are given twice",
                key="thickness",
                mend="Add their counts in one [[shims]]",
            )
        count = section.whole_number("count") if "count" in section else None
        shims.append(Shim(thickness_mm, count))
    return tuple(shims)


def _limits(top: Section, head: Head, shims: tuple[Shim, ...], notes: list[str]) -> Limits:
    margin_mm, max_shims, clearance_mm = COIL_BIND_MARGIN_MM, MAX_SHIMS, MIN_CLEARANCE_MM
    section = top.section("limits") if "limits" in top else Section(top.name, top.text, (), {})
    section.refuse_unknown(("coil_bind_margin", "max_shims", "min_clearance"))
    if "coil_bind_margin" in section:
        margin_mm = _not_negative(
            section, "coil_bind_margin", section.length_mm("coil_bind_margin")
        )
    else:
        notes.append(f"coil_bind_margin isn't given: {margin_mm:g} mm assumed, common practice")
    if "max_shims" in section:
        max_shims = section.whole_number("max_shims")
    elif shims:
        notes.append(f"max_shims isn't given: {max_shims} assumed")
    if shims and math.comb(len(shims) + min(max_shims, MOST_CHOICES), len(shims)) > MOST_CHOICES:
        section.fail(
            f"{len(shims)} thicknesses, up to {max_shims} under a valve, make more than "
            f"{MOST_CHOICES} stacks",
            key="max_shims",
            mend="Lower max_shims or leave thicknesses out",
        )
    if "min_clearance" in section:
        clearance_mm = _not_negative(section, "min_clearance", section.length_mm("min_clearance"))
    elif head.retainer_clearance_mm is not None:
        notes.append(f"min_clearance isn't given: {clearance_mm:g} mm assumed, common practice")
    return Limits(margin_mm, max_shims, clearance_mm)


def _above_zero(section: Section, key: str, number: float) -> float:
    if number <= 0.0:
        section.fail(f"{section.table[key]!r} must be above 0", key=key)
    return number


def _not_negative(section: Section, key: str, number: float) -> float:
    if number < 0.0:
        section.fail(f"{section.table[key]!r} must not be below 0", key=key)
    return number
