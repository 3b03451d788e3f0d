"""What `coilbench begin` asks for the build file: the words, an example, why it matters."""

from __future__ import annotations

from typing import Literal

import msgspec

from coilbench.analysis.cli.asking import with_unit
from coilbench.analysis.report.units import Units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.dimensions import INSTALLED_MM, refuse_length
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.units import parse_length_mm, parse_number

Kind = Literal["length", "load", "load or percent", "number", "words"]


class Question(msgspec.Struct, frozen=True):
    """One key of the build file.

    Attributes:
        section: where the key stands, unless the asker says otherwise.
        example: N or mm for a quantity.
        why: what can't be told without it; empty for what may stay open without loss.
        instead: keys of the same section that this one takes the place of.
        within_mm: what such lengths are, wide (our choice, no source); another one is asked about.
    """

    section: tuple[str, ...]
    key: str
    ask_for: str
    kind: Kind
    example: float | str
    why: str = ""
    instead: tuple[str, ...] = ()
    within_mm: tuple[float, float] | None = None

    def words(self, units: Units) -> str:
        """Return the question, with the unit and an example."""
        return f"{self.ask_for} ({self._like(units)})"

    def _like(self, units: Units) -> str:
        if isinstance(self.example, str):
            return f"like {self.example}"
        if self.kind == "number":
            return f"like {self.example:g}"
        unit = units.length if self.kind == "length" else units.load
        number = units.length_number if self.kind == "length" else units.load_number
        percent = " or in %" if self.kind == "load or percent" else ""
        return f"in {unit}{percent}, like {number(self.example)}"

    def refuse_unlikely(self, value: object) -> None:
        """Ask about an answer, as value_of reads it, that is outside what such lengths are.

        Raises:
            Doubtful: it is.
        """
        if self.within_mm is not None:
            refuse_length(parse_length_mm(str(value)), self.within_mm)

    def value_of(self, text: str, units: Units) -> str | int | float:
        """Read an answer as the build file takes it.

        Raises:
            CoilbenchError: it is no number where one is needed.
        """
        if self.kind == "words":
            if not text.isprintable():
                raise CoilbenchError("this holds signs that can't be printed", hint="Type it again")
            return text
        if self.kind == "number":
            number = parse_number(text)
            return int(number) if number.is_integer() and "." not in text else number
        if self.kind == "length":
            return with_unit(text, units.length)
        return with_unit(text, units.load)


_CAM = ("cam",)
_LIFT_MM = (2.0, 30.0)
NAME = Question(_CAM, "name", "Its name, as on the card", "words", "road grind")
LIFTS = {
    "valve": (
        Question(
            _CAM,
            "valve_lift",
            "Valve lift",
            "length",
            10.2,
            "the height at full lift, and so the load there, depends on it",
            ("lobe_lift", "rocker_ratio", "lash"),
            _LIFT_MM,
        ),
    ),
    "lobe": (
        Question(
            _CAM,
            "lobe_lift",
            "Lobe lift",
            "length",
            6.8,
            "the height at full lift, and so the load there, depends on it",
            ("valve_lift",),
            _LIFT_MM,
        ),
        Question(
            _CAM,
            "rocker_ratio",
            "Rocker ratio, valve lift over lobe lift",
            "number",
            1.5,
            "it makes the valve's lift of the lobe's",
        ),
        Question(
            _CAM,
            "lash",
            "Lash at the valve",
            "length",
            0.2,
            "the lift is less by it",
            within_mm=(0.0, 2.0),
        ),
    ),
}
_FIVE = "5 % of the load is taken in its place"
CARD = (
    Question(
        _CAM,
        "seat_load",
        "Seat load, valve shut",
        "load",
        34.0 * KGF_N,
        "nothing can be judged against the card",
    ),
    Question(
        _CAM, "seat_tolerance", "its tolerance, either way", "load or percent", 2.0 * KGF_N, _FIVE
    ),
    Question(
        _CAM,
        "open_load",
        "Open load, at full lift",
        "load",
        72.0 * KGF_N,
        "nothing can be judged against the card",
    ),
    Question(
        _CAM, "open_tolerance", "its tolerance, either way", "load or percent", 3.0 * KGF_N, _FIVE
    ),
)
MAX_RPM = Question(
    _CAM,
    "max_rpm",
    "Highest engine speed, 1/min",
    "number",
    6200,
    "surge and valve float are not compared with it",
)
HEAD = {
    question.key: question
    for question in (
        Question(
            ("head",),
            "installed_height",
            "Installed height of the outer, valve shut, all valves",
            "length",
            39.0,
            "no load can be read at the height that a spring will stand at",
            within_mm=INSTALLED_MM,
        ),
        Question(
            ("head",),
            "height_u",
            "How well these heights are known, ± (k = 2: 19 of 20 within)",
            "length",
            0.2,
            "every ± of loads and bind margins leaves it out",
            within_mm=(0.0, 2.0),
        ),
        Question(
            ("head",),
            "inner_offset",
            "How much lower the inner stands than the outer",
            "length",
            2.0,
            "both are taken to stand at one height",
            within_mm=(-10.0, 15.0),
        ),
        Question(
            ("head",),
            "max_seat_cut",
            "How deep a seat may be cut, 0 for not at all",
            "length",
            0.6,
            "no cut is considered",
            within_mm=(0.0, 3.0),
        ),
    )
}
SCALE = (
    Question(("scale",), "name", "Its name", "words", "bathroom"),
    Question(
        ("scale",),
        "step",
        "Its smallest step",
        "load",
        0.1 * KGF_N,
        "0.1 kg is taken in its place",
    ),
    Question(
        ("scale",),
        "tare",
        "The tare: what it shows with all of the set-up on it and no spring pressed; 0 for nothing",
        "load",
        3.2 * KGF_N,
        "every load would be too high by it: note asks for it before the first reading",
    ),
)
GIVE = (
    Question(
        ("scale",),
        "give",
        "Its give with the press: how far the quill goes on, from touching a solid block to a load",
        "length",
        1.1,
        "the faces stand farther apart than the quill says, and no ± has it: hardware/SCALE.md",
        within_mm=(0.0, 5.0),
    ),
    Question(
        ("scale",),
        "give_at",
        "and that load",
        "load",
        50.0 * KGF_N,
        "a give without its load corrects nothing",
    ),
)
