"""What several tests of curves read from one."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any

import pytest
from msgspec.structs import replace

from coilbench.analysis.curves.curve import SpringCurve


@pytest.fixture(scope="session")
def sm() -> Any:
    """Return statsmodels.api: it takes a second to load, so only who compares with it does."""
    return importlib.import_module("statsmodels.api")


@pytest.fixture(scope="session")
def loop_n() -> Callable[[SpringCurve, float], float]:
    """Return what reads loading less unloading load at a height."""

    def read(curve: SpringCurve, height_mm: float) -> float:
        down, up = (replace(curve, branch=side) for side in ("loading", "unloading"))
        return down.load_n_at(height_mm) - up.load_n_at(height_mm)

    return read
