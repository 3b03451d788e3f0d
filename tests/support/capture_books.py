"""Books that are ready for a capture of springs on a simulated rig."""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest

from coilbench.capture.book.calibrations import store_part
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, labels_for, new_set
from coilbench.capture.calibration.model import NewPart
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.virtual.instrument import RigModel

MakeBook = Callable[..., Path]


def book_maker(folder: Path) -> MakeBook:
    """Return what makes a book there with one set, larch, and a calibration as good as can be.

    Its load, travel and flex are fitted to what the simulated rig really does, so that whatever a
    captured stroke is out by comes from the capture.
    """

    def make(rig: RigModel, *, name: str = "bench.db", **options: Any) -> Path:
        path = folder / name
        path.write_bytes(_made(rig, **options))
        return path

    return make


@cache
def _made(
    rig: RigModel,
    *,
    springs: int = 2,
    conditioning: int = 1,
    measured: int = 2,
    device_id: str | None = None,
    boot_id: int | None = None,
    flex: bool = True,
) -> bytes:
    """Return such a book's file, made once for all tests of a process."""
    labels = labels_for("larch", springs)
    plan = SetPlan(
        "larch", "outer", labels, conditioning_strokes=conditioning, measured_strokes=measured
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "made.db"
        with open_book(path, create=True) as db:
            kinds = ("load", "travel", "flex") if flex else ("load", "travel")
            for kind, fit in zip(kinds, true_fits(rig), strict=False):
                part = NewPart(kind, "truth", fit, [], device_id=device_id, boot_id=boot_id)
                store_part(db, part)
            new_set(db, plan)
        return path.read_bytes()


@pytest.fixture
def make_book(tmp_path: Path) -> MakeBook:
    return book_maker(tmp_path)


def true_fits(rig: RigModel) -> tuple[PolynomialFit, PolynomialFit, PolynomialFit]:
    load_n = np.linspace(0.0, 0.9 * rig.cell_range_n, 15)
    load = fit_polynomial(rig.cell_counts(load_n), load_n, 2)
    height_mm = np.linspace(0.0, rig.rest_height_mm, 8)
    counts = (rig.rest_height_mm - height_mm) * rig.travel_counts_per_mm
    travel = fit_polynomial(counts, height_mm, 1)
    powers = np.vander(load_n, 4, increasing=True)[:, 1:]
    bend, *_ = np.linalg.lstsq(powers, rig.flex_mm(load_n), rcond=None)
    nothing = ((0.0,) * 4,) * 4
    top = float(load_n[-1])
    flex = PolynomialFit((0.0, *bend.tolist()), nothing, 0.0, 0.0, top, load_n.shape[0])
    return load, travel, flex
