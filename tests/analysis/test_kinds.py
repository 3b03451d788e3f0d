"""Numerics name what they find by kinds, as a program does; the words are the report's."""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Iterator
from typing import Literal, get_args, get_origin

import pytest

import coilbench.analysis.curves
import coilbench.analysis.limits
import coilbench.analysis.rig
import coilbench.analysis.sets
import coilbench.capture.strokes

PACKAGES = (
    coilbench.analysis.curves,
    coilbench.analysis.sets,
    coilbench.analysis.rig,
    coilbench.analysis.limits,
    coilbench.capture.strokes,
)


def kinds() -> Iterator[tuple[str, str]]:
    for package in PACKAGES:
        for each in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            module = importlib.import_module(each.name)
            for name, value in vars(module).items():
                if get_origin(value) is Literal:
                    yield from ((f"{each.name}.{name}", str(kind)) for kind in get_args(value))


@pytest.mark.parametrize("package", PACKAGES, ids=lambda package: package.__name__)
def test_a_kind_is_a_name_and_no_sentence(package: object) -> None:
    name = getattr(package, "__name__", "")
    found = [(where, kind) for where, kind in kinds() if where.startswith(f"{name}.")]
    assert found
    assert [each for each in found if not re.fullmatch(r"[A-Za-z][a-z0-9_]*", each[1])] == []
