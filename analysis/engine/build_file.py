"""One section of a TOML text, read key by key; every complaint names file, line and key. Pure.

What a build file says of the wire and the valve train, all of it optional. Pure.

What a build file says, checked: cam, head, shims, limits, candidate sets. Pure.

The build file: cam, head, shims, limits and candidate sets, read from TOML text. Pure.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from bisect import bisect_left
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, Never

from coilbench.analysis.engine.coil import WIRES, Wire
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import parse_length_mm, parse_load_n, parse_mass_g, parse_stress_mpa

KeyPath = tuple[str | int, ...]
MOST = 1e6  # mm, N or anything: beyond it is a slip of the pen


def load_toml(text: str, name: str) -> dict[str, Any]:
    """Read TOML; a syntax error becomes one line.

    Raises:
        CoilbenchError: not valid TOML.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError is a ValueError
        raise CoilbenchError(
            f"not valid TOML: {' '.join(str(error).split())}",
            where=name,
            hint='Text and quantities stand in quotes, like valve_lift = "10.2 mm"',
        ) from error


def line_of(text: str, path: KeyPath) -> int | None:
    """Find the line (from 1) on which a key's statement begins; None if it isn't there.

    tomllib gives no lines. The first lines of a text hold a key or they don't, and more lines
    never take it away: so the answer is found by halving, by tomllib itself, exactly.

    Args:
        text: valid TOML.
        path: keys, and indices into arrays, from the top.
    """
    lines = text.replace("\r\n", "\n").split("\n")
    if not _first_lines_hold(lines, len(lines), path):
        return None
    numbers = range(len(lines) + 1)
    return bisect_left(numbers, True, key=lambda number: _first_lines_hold(lines, number, path))


def _first_lines_hold(lines: list[str], number: int, path: KeyPath) -> bool:
    """Tell whether the first lines, to the end of the statement they stop in, hold the key."""
    for end in range(number, len(lines) + 1):
        try:
            value: Any = tomllib.loads("\n".join(lines[:end]))
        except tomllib.TOMLDecodeError:
            continue  # stops inside a value of several lines
        for key in path:
            try:
                value = value[key]
            except (KeyError, IndexError, TypeError):
                return False
        return True
    return False


@dataclass(frozen=True)
class Section:
    """A table of a TOML text, with what it needs to say where something is wrong.

    Attributes:
        name: the file's name.
        text: the whole text.
        path: where the table stands.
        table: its keys.
    """

    name: str
    text: str
    path: KeyPath
    table: Mapping[str, Any]

    def __contains__(self, key: str) -> bool:
        return key in self.table

    def fail(self, what: str, *, key: str | None = None, hint: str | None = None) -> Never:
        """Raise a CoilbenchError that names the file, the line and the key.

        Args:
            what: what is wrong.
            key: the key at fault; None for the section itself.
            hint: what to do about it.
        """
        path = self.path if key is None else (*self.path, key)
        line = line_of(self.text, path) if path else None
        place = [self.name] if line is None else [self.name, f"line {line}"]
        if path:
            place.append(_path_text(path))
        raise CoilbenchError(what, where=", ".join(place), hint=hint)

    def refuse_unknown(self, known: Collection[str]) -> None:
        """Refuse the first key that isn't known, with the nearest one that is."""
        for key in self.table:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                hint = f"Perhaps {near[0]} is meant" if near else f"Known: {', '.join(known)}"
                self.fail("unknown key", key=key, hint=hint)

    def section(self, key: str) -> Section:
        """Return the table under a key."""
        value = self._required(key)
        if not isinstance(value, dict):
            self.fail("this must be a section", key=key, hint=f"Write it like [{key}]")
        return Section(self.name, self.text, (*self.path, key), value)

    def sections(self, key: str) -> tuple[Section, ...]:
        """Return the tables of an array of tables ([[key]]); none if it isn't there."""
        value = self.table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.fail("this must be a list of sections", key=key, hint=f"Write it like [[{key}]]")
        return tuple(
            Section(self.name, self.text, (*self.path, key, index), item)
            for index, item in enumerate(value)
        )

    def text_value(self, key: str) -> str:
        """Return a text that isn't blank."""
        value = self._required(key)
        if not isinstance(value, str) or not value.strip():
            self.fail(f"{_short(value)} is not a text", key=key, hint="Write it in quotes")
        return value

    def length_mm(self, key: str) -> float:
        """Return a length, mm."""
        return self._quantity(key, parse_length_mm, "38.5 mm")

    def load_n(self, key: str) -> float:
        """Return a load, N."""
        return self._quantity(key, parse_load_n, "34 kg")

    def mass_g(self, key: str) -> float:
        """Return a mass, g."""
        return self._quantity(key, parse_mass_g, "42.5 g")

    def stress_mpa(self, key: str) -> float:
        """Return a stress, MPa."""
        return self._quantity(key, parse_stress_mpa, "1900 MPa")

    def flag(self, key: str) -> bool:
        """Return a yes or no."""
        value = self._required(key)
        if not isinstance(value, bool):
            self.fail(
                f"{_short(value)} is neither true nor false",
                key=key,
                hint="Write true or false without quotes",
            )
        return value

    def number(self, key: str) -> float:
        """Return a plain number."""
        value = self._required(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= MOST:
            self.fail(
                f"{_short(value)} is not a number, or too large a one",
                key=key,
                hint="Write it without quotes and unit",
            )
        return float(value)

    def whole_number(self, key: str) -> int:
        """Return a whole number, 0 or more."""
        value = self._required(key)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 1_000_000:
            self.fail(f"{_short(value)} is not a whole number from 0 to a million", key=key)
        return value

    def names(self, key: str) -> tuple[str, ...]:
        """Return a list of different names, at least one."""
        value = self._required(key)
        if not isinstance(value, list) or not value:
            self.fail("this must be a list of names", key=key, hint='Write it like ["larch"]')
        for index, item in enumerate(value):
            if not isinstance(item, str) or not item.strip():
                self.fail(f"{_short(item)} is not a name", key=key, hint="Write it in quotes")
            if item in value[:index]:
                self.fail(f"{item!r} stands there twice", key=key, hint="Leave one of them out")
        return tuple(value)

    def _required(self, key: str) -> Any:
        if key not in self.table:
            where = f"[{_path_text(self.path)}]" if self.path else "the file"
            self.fail(f"the key {key} is missing", hint=f"Add {key} to {where}")
        return self.table[key]

    def _quantity(self, key: str, parse: Callable[[str], float], example: str) -> float:
        value = self._required(key)
        if not isinstance(value, str):
            self.fail(
                f"{_short(value)} has no unit",
                key=key,
                hint=f'Write it in quotes, like "{example}"',
            )
        try:
            quantity = parse(value)
        except CoilbenchError as error:
            self.fail(error.what, key=key, hint=error.hint)
        if not abs(quantity) <= MOST:
            self.fail(f"{value!r} is more than any spring's", key=key, hint="Check the number")
        return quantity


def _short(value: object) -> str:
    """Write a value on one line, cut where it is long."""
    try:
        text = repr(value)
    except ValueError:  # a whole number of thousands of digits
        text = "this"
    return text if len(text) <= 60 else f"{text[:60]}..."


def _path_text(path: KeyPath) -> str:
    """Write a path as keys with dots; list items are counted from 1."""
    text = ""
    for key in path:
        if isinstance(key, int):
            text += f"[{key + 1}]"
        else:
            plain = key.replace("_", "").replace("-", "").isalnum() and key.isascii()
            text += ("." if text else "") + (key if plain else repr(key))
    return text


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
                    hint="Write it like [wire.larch], with a set's name",
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
                hint=f"Known: {', '.join(WIRES)}; or leave it out and give tensile_strength",
            )
        wire = WIRES[name]
    return WireGiven(
        wire,
        _above_zero_limit(section, "tensile_strength", Section.stress_mpa),
        section.flag("shot_peened") if "shot_peened" in section else None,
        _above_zero_limit(section, "spring_mass", Section.mass_g),
    )


def _train(top: Section) -> ValveTrain:
    section = top.section("valve_train")
    section.refuse_unknown(
        ("lift_table", "rocker_ratio", "lash", "masses", "cam_side_masses", "weighing_u")
    )
    cam = top.section("cam")
    for key in ("rocker_ratio", "lash"):
        if key in section and key in cam:
            section.fail(f"{key} stands in [cam] as well", key=key, hint="Leave one of them out")
    lash_mm = None
    for place in (cam, section):
        if "lash" in place:
            lash_mm = place.length_mm("lash")
            if lash_mm < 0.0:
                place.fail("the lash must not be below 0", key="lash")
    ratio = _above_zero_limit(cam, "rocker_ratio", Section.number)
    if ratio is None:
        ratio = _above_zero_limit(section, "rocker_ratio", Section.number)
    cam_side_g = _masses_g(section, "cam_side_masses")
    if cam_side_g and ratio is None:
        section.fail(
            "what parts on the cam's side weigh at the valve depends on the rocker ratio",
            key="cam_side_masses",
            hint="Add rocker_ratio, 1.0 for parts that move as the valve does",
        )
    return ValveTrain(
        section.text_value("lift_table") if "lift_table" in section else None,
        ratio,
        lash_mm,
        _masses_g(section, "masses"),
        cam_side_g,
        _above_zero_limit(section, "weighing_u", Section.mass_g),
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


def _above_zero_limit(section: Section, key: str, read: Reader) -> float | None:
    if key not in section:
        return None
    number = read(section, key)
    if number <= 0.0:
        section.fail(f"{section.table[key]!r} must be above 0", key=key)
    return number


ROUNDING = 1e-9  # N or mm: what lies just on a limit is inside it, whatever the last bit says


@dataclass(frozen=True)
class Cam:
    """What the cam card asks for.

    Attributes:
        name: the card's name.
        valve_lift_mm: lift at the valve.
        seat_load_n, open_load_n: loads with the valve shut and at full lift.
        seat_tolerance_n, open_tolerance_n: how far each may be away, either way.
        max_rpm: engine speed, revolutions per minute; None where it isn't given.
    """

    name: str
    valve_lift_mm: float
    seat_load_n: float
    seat_tolerance_n: float
    open_load_n: float
    open_tolerance_n: float
    max_rpm: float | None

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


@dataclass(frozen=True)
class Head:
    """The heights the springs stand at.

    Attributes:
        installed_height_mm: the outer's, valve shut; the mean over the valves where each has
            its own.
        valve_heights_mm: by valve; empty where one height serves all.
        inner_offset_mm: the inner's height is the outer's less this.
        max_seat_cut_mm: how deep a spring seat may be cut; 0 for not at all.
        seat_cut_step_mm: the steps to consider.
        valve_count: how many valves there are; None where it isn't given.
        retainer_clearance_mm: retainer to guide or its seal, valve shut; None where it isn't
            given. What is done under the springs doesn't change it.
    """

    installed_height_mm: float
    valve_heights_mm: Mapping[str, float]
    inner_offset_mm: float
    max_seat_cut_mm: float
    seat_cut_step_mm: float
    valve_count: int | None = None
    retainer_clearance_mm: float | None = None

    @property
    def lowest_height_mm(self) -> float:
        """The outer's installed height at the valve where it is least."""
        return min(self.valve_heights_mm.values(), default=self.installed_height_mm)


@dataclass(frozen=True)
class Shim:
    """Shims of one thickness; count is how many there are, None for as many as needed."""

    thickness_mm: float
    count: int | None


@dataclass(frozen=True)
class Limits:
    """What must be kept.

    Attributes:
        coil_bind_margin_mm: least open height less solid height, for each spring.
        max_shims: most shims under one valve.
        min_clearance_mm: least distance from retainer to guide at full lift.
    """

    coil_bind_margin_mm: float
    max_shims: int
    min_clearance_mm: float


@dataclass(frozen=True)
class Springs:
    """Names of the candidate sets; inner is empty for single springs."""

    outer: tuple[str, ...]
    inner: tuple[str, ...]


@dataclass(frozen=True)
class BuildFile:
    """A build file, checked.

    Attributes:
        name: the file's name.
        notes: what wasn't given and was assumed, in words.
        given: wires and valve train, for the limits.
    """

    name: str
    cam: Cam
    head: Head
    shims: tuple[Shim, ...]
    limits: Limits
    springs: Springs
    notes: tuple[str, ...]
    given: LimitsGiven = NOTHING_GIVEN

    @property
    def clearance_mm(self) -> float | None:
        """Retainer to guide at full lift; None where it isn't given with the valve shut."""
        shut_mm = self.head.retainer_clearance_mm
        return None if shut_mm is None else round(shut_mm - self.cam.valve_lift_mm, 6)


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
                hint="A set has one role: name it once",
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
            hint="The open load is the one at full lift",
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
                    hint="Give valve_lift alone, or lobe_lift, rocker_ratio and lash",
                )
        return _above_zero(section, "valve_lift", section.length_mm("valve_lift"))
    if "lobe_lift" not in section:
        section.fail(
            "the key valve_lift is missing",
            hint="Add valve_lift, or lobe_lift, rocker_ratio and lash",
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
            hint="Check lobe_lift, rocker_ratio and lash (measured at the valve)",
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
            section.fail(f"{count} valves are not possible", key="valves", hint="Count them")
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
            hint="Check the height and the lift",
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
            hint="Lower max_seat_cut or widen seat_cut_step",
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
                hint="Add their counts in one [[shims]]",
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
            hint="Lower max_shims or leave thicknesses out",
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
