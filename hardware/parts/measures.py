"""The rig's measures, read from dimensions.scad, so that drawings and reckonings follow them.

python hardware/parts/measures.py prints guide rod and press for several springs.
"""

from __future__ import annotations

import ast
import math
import operator
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

SOURCE = Path(__file__).parent / "dimensions.scad"
LINE = re.compile(r"^(\w+) = ([^;]+);", re.MULTILINE)
ASSERT = re.compile(r'^assert\((.+), "(.+)"\);', re.MULTILINE)
COMPARISONS: dict[type[ast.cmpop], Callable[[Any, Any], bool]] = {
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
}
OPERATORS: dict[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}
FUNCTIONS: dict[str, Callable[..., float]] = {"ceil": math.ceil, "floor": math.floor, "max": max}
TABLE_OF_SPRINGS_MM = (
    (38.0, 21.0),
    (44.0, 22.0),
    (48.0, 24.0),
    (52.0, 22.0),
    (52.0, 26.0),
    (58.0, 29.0),
    (65.0, 33.0),
)
"""Free length of the longest and least height of the lowest, from the shortest promised on."""


class Measures:
    """Each measure of dimensions.scad in mm as an attribute; a keyword puts another value in.

    Raises:
        KeyError: a keyword is no measure.
        ValueError: what OpenSCAD would refuse, an assert of dimensions.scad, does not hold.
    """

    def __init__(self, **settings: float) -> None:
        values: dict[str, float] = {}
        source = SOURCE.read_text(encoding="utf-8")
        for name, text in LINE.findall(source):
            expression = ast.parse(text, mode="eval").body
            values[name] = settings[name] if name in settings else _value(expression, values)
        unknown = settings.keys() - values.keys()
        if unknown:
            raise KeyError(f"dimensions.scad has no {', '.join(sorted(unknown))}")
        for text, words in ASSERT.findall(source):
            if not _holds(ast.parse(text, mode="eval").body, values):
                raise ValueError(words)
        self._values = values

    def __getattr__(self, name: str) -> float:
        try:
            return self._values[name]
        except KeyError:
            raise AttributeError(f"dimensions.scad has no {name}") from None


def of_spring(free_mm: float, least_mm: float) -> Measures:
    """Return the rig's measures for a row of the table, whatever stands lowest."""
    return Measures(free_length=free_mm, least_height=least_mm, inner_offset=0.0)


def _value(node: ast.expr, known: dict[str, float]) -> float:
    """Value of an expression of numbers, names told before, + - * / and FUNCTIONS."""
    match node:
        case ast.Constant(value=int() | float() as number):
            return number
        case ast.Name(id=name):
            return known[name]
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            return -_value(inner, known)
        case ast.BinOp(left=left, op=sign, right=right):
            result: float = OPERATORS[type(sign)](_value(left, known), _value(right, known))
            return result
        case ast.Call(func=ast.Name(id=name), args=arguments):
            return FUNCTIONS[name](*(_value(argument, known) for argument in arguments))
    raise ValueError(f"dimensions.scad: cannot read {ast.dump(node)}")


def _holds(node: ast.expr, known: dict[str, float]) -> bool:
    match node:
        case ast.Compare(left=left, ops=[sign], comparators=[right]):
            return COMPARISONS[type(sign)](_value(left, known), _value(right, known))
    raise ValueError(f"dimensions.scad: cannot read {ast.dump(node)}")


def press_rows() -> list[str]:
    """Rows of the page's table: spring, and what the press must have for it."""
    rows = ["| free | least | quill's travel | table to jaws, quill up |", "|---|---|---|---|"]
    for free_mm, least_mm in TABLE_OF_SPRINGS_MM:
        m = of_spring(free_mm, least_mm)
        rows.append(
            f"| {free_mm:.0f} | {least_mm:.0f} | {m.quill_travel:.1f} | {m.table_to_jaws:.1f} |"
        )
    return rows


def rod_rows() -> list[str]:
    """Rows of the page's table: spring, its rod, and the pusher's depth that follows."""
    rows = [
        "| free | least | screw M8 x | captures springs from | pusher's depth |",
        "|---|---|---|---|---|",
    ]
    for free_mm, least_mm in TABLE_OF_SPRINGS_MM:
        m = of_spring(free_mm, least_mm)
        rows.append(
            f"| {free_mm:.0f} | {least_mm:.0f} | {m.rod_length:.0f} | "
            f"{m.rod_shortest_spring:.1f} | {m.pusher_depth:.0f} |"
        )
    return rows


if __name__ == "__main__":
    print("\n".join([*rod_rows(), "", *press_rows()]))  # noqa: T201
