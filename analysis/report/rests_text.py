"""What rests on the springs, in strokes that were told different weights: sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from coilbench.analysis.report.units import Units
from coilbench.capture.calibration.keyed_setup import KeptRests
from coilbench.capture.plain import as_typed
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.units import counted


def correction(set_name: str, rests_n: float | None) -> str:
    """Return the command that tells one weight for all strokes of a set, None: not known which."""
    weight = "WEIGHT" if rests_n is None else as_typed(f"{rests_n / KGF_N * 1000.0:.6g}g")
    return f"coilbench set edit {as_typed(set_name)} --rests {weight}"


def kept_lines(
    kept: Sequence[KeptRests], now_n: float | None, of_sets: Mapping[str, float], units: Units
) -> Iterator[str]:
    """Say which strokes keep another weight than is told now, and how to correct it.

    Args:
        kept: those strokes.
        now_n: as told of the rig; of_sets: as told of sets.
    """
    for one in kept:
        keep = "keeps" if one.strokes == 1 else "keep"
        command = correction(one.set_name, of_sets.get(one.set_name, now_n))
        yield (
            f"{counted(one.strokes, 'stroke')} of {one.set_name} {keep} "
            f"{units.small_load_text(one.rests_n)} on the spring, as told when pressed: if that "
            f"was wrong, correct it: {command}"
        )


def mixed_text(kept: Sequence[KeptRests], units: Units) -> str | None:
    """Say that a set's strokes have several weights in their loads; None where they have one."""
    if len(kept) < 2:
        return None
    each = ", ".join(f"{units.small_load_text(one.rests_n)} in {one.strokes}" for one in kept)
    return (
        f"the strokes of {kept[0].set_name} have different weights on the spring in their loads, "
        f"as told when they were pressed: {each}; if one was told wrong, correct all: "
        f"{correction(kept[0].set_name, None)}"
    )
