"""What a build file says of the wire and the valve train, all of it optional. Pure."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

from coilbench.analysis.engine.toml_section import Section
from coilbench.analysis.limits.material import WIRES, Wire

SECTIONS = ("wire", "valve_train")

Reader = Callable[[Section, str], float]


@dataclass(frozen=True)
class WireGiven:
    """What is known of one set's wire; None where it isn't given.

    Attributes:
        wire: its kind.
        tensile_mpa: tensile strength, comes before the kind's table.
        shot_peened: whether the springs are.
        spring_mass_g: one spring, weighed.
    """

    wire: Wire | None = None
    tensile_mpa: float | None = None
    shot_peened: bool | None = None
    spring_mass_g: float | None = None


@dataclass(frozen=True)
class ValveTrain:
    """What moves one valve; None where it isn't given.

    Attributes:
        lift_table: the CSV file's name, beside the build file.
        rocker_ratio: valve's lift over lobe's.
        lash_mm: clearance at the valve.
        masses_g: parts that move as the valve does, by name: a rocker with what it weighs there.
        cam_side_masses_g: parts that move as the lobe lifts, by name.
        weighing_u_g: expanded uncertainty, k = 2, of each part's mass.
    """

    lift_table: str | None = None
    rocker_ratio: float | None = None
    lash_mm: float | None = None
    masses_g: Mapping[str, float] = field(default_factory=dict)
    cam_side_masses_g: Mapping[str, float] = field(default_factory=dict)
    weighing_u_g: float | None = None


@dataclass(frozen=True)
class LimitsGiven:
    """What the limits are computed from; wires are by set."""

    wires: Mapping[str, WireGiven] = field(default_factory=dict)
    train: ValveTrain = field(default_factory=ValveTrain)


NOTHING_GIVEN = LimitsGiven()


def parse_limits_given(top: Section, set_names: Collection[str]) -> LimitsGiven:
    """Read [wire.SET] and [valve_train] with its [valve_train.masses].

    Args:
        top: the build file. Rocker ratio and lash are taken from its [cam] where they stand there.
        set_names: the sets it names.

    Raises:
        CoilbenchError: an unknown key or set, a missing unit or an impossible value.
    """
    wires = {}
    if "wire" in top:
        section = top.section("wire")
        for name in section.table:
            if name not in set_names:
                section.fail(
                    f"no set {name!r} is named under [springs]",
                    key=name,
                    mend="Write it like [wire.larch], with a set's name",
                )
            wires[name] = _wire(section.section(name))
    train = _train(top) if "valve_train" in top else ValveTrain()
    return LimitsGiven(wires, train)


def _wire(section: Section) -> WireGiven:
    section.refuse_unknown(("material", "tensile_strength", "shot_peened", "spring_mass"))
    wire = None
    if "material" in section:
        name = section.text_value("material")
        if name not in WIRES:
            section.fail(
                f"{name!r} is no wire of the table",
                key="material",
                mend=f"Known: {', '.join(WIRES)}; or leave it out and give tensile_strength",
            )
        wire = WIRES[name]
    return WireGiven(
        wire,
        _above_zero(section, "tensile_strength", Section.stress_mpa),
        section.flag("shot_peened") if "shot_peened" in section else None,
        _above_zero(section, "spring_mass", Section.mass_g),
    )


def _train(top: Section) -> ValveTrain:
    section = top.section("valve_train")
    section.refuse_unknown(
        ("lift_table", "rocker_ratio", "lash", "masses", "cam_side_masses", "weighing_u")
    )
    cam = top.section("cam")
    for key in ("rocker_ratio", "lash"):
        if key in section and key in cam:
            section.fail(f"{key} stands in [cam] as well", key=key, mend="Leave one of them out")
    lash_mm = None
    for place in (cam, section):
        if "lash" in place:
            lash_mm = place.length_mm("lash")
            if lash_mm < 0.0:
                place.fail("the lash must not be below 0", key="lash")
    ratio = _above_zero(cam, "rocker_ratio", Section.number)
    if ratio is None:
        ratio = _above_zero(section, "rocker_ratio", Section.number)
    cam_side_g = _masses_g(section, "cam_side_masses")
    if cam_side_g and ratio is None:
        section.fail(
            "what parts on the cam's side weigh at the valve depends on the rocker ratio",
            key="cam_side_masses",
            mend="Add rocker_ratio, 1.0 for parts that move as the valve does",
        )
    return ValveTrain(
        section.text_value("lift_table") if "lift_table" in section else None,
        ratio,
        lash_mm,
        _masses_g(section, "masses"),
        cam_side_g,
        _above_zero(section, "weighing_u", Section.mass_g),
    )


def _masses_g(section: Section, key: str) -> dict[str, float]:
    if key not in section:
        return {}
    masses = section.section(key)
    found = {}
    for part in masses.table:
        found[part] = masses.mass_g(part)
        if found[part] <= 0.0:
            masses.fail("a part's mass must be above 0", key=part)
    return found


def _above_zero(section: Section, key: str, read: Reader) -> float | None:
    if key not in section:
        return None
    number = read(section, key)
    if number <= 0.0:
        section.fail(f"{section.table[key]!r} must be above 0", key=key)
    return number
