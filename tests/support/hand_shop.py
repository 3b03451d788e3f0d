"""Springs read by hand off a simulated scale and quill, one press each."""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.hand_repeats import with_repeats
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import HandReading, Origin, Sweep
from coilbench.capture.unit_factors import KGF_N

Array = NDArray[np.float64]
NONE = Branch(np.empty(0), np.empty(0))
FREE_MM, RATE = 53.0, 16.0
STEP_N, REPEAT_N, STEP_MM = 0.1 * KGF_N, 0.2 * KGF_N, 0.1
USUAL = KeyedSetup()


def swept(
    label: str, height_mm: Array, load_n: Array, setup: KeyedSetup = USUAL, run: str = "r"
) -> Sweep:
    """Return one run's readings of one spring on the way down."""
    sweep_id = f"{label}/{run}"
    u = setup.load_u_n, setup.load_u_relative, setup.height_u_mm
    read = Branch(np.asarray(height_mm, float), np.asarray(load_n, float))
    return Sweep(sweep_id, label, Origin.KEYED, read, NONE, *u, hand=HandReading(setup, run, run))


def shop(
    rng: np.random.Generator,
    *,
    rates: Array | None = None,
    gain: float | None = None,
    tails: bool = False,
    name: str = "run",
    springs: int = 2,
    repeats: int = 1,
    setup: KeyedSetup = USUAL,
    scatter_n: float = REPEAT_N,
    gain_sd: float = 0.005,
    runs: int = 1,
    wanted: int | None = None,
) -> tuple[list[SpringCurve], Array]:
    """Read springs at 38 and 27 mm off a simulated scale; returns curves and true rates.

    Args:
        rates: of the springs, N/mm; else drawn.
        gain: what the scale shows over what is on it; else drawn with gain_sd.
        tails: scatter as Student's t with three degrees of freedom, of the same standard deviation.
        wanted: how many of the curves; all where None.
    """
    if rates is None:
        rates = RATE * (1.0 + rng.normal(0.0, 0.02, springs))
    gain = 1.0 + rng.normal(0.0, gain_sd) if gain is None else gain
    sweeps = dict[str, list[Sweep]]()
    tare_n = setup.tare_n + rng.normal(0.0, scatter_n) if setup.tare_taken else 0.0
    tare_n = np.round(tare_n / STEP_N) * STEP_N
    stops = {(run, mm): rng.uniform(-0.5, 0.5) * STEP_MM for run in range(runs) for mm in (38, 27)}
    for i, rate in enumerate(rates):
        own = []
        for run in range(runs):
            heights = np.repeat([38.0, 27.0], repeats)
            stop = np.array([stops[run, int(mm)] for mm in heights])
            at = heights + stop + rng.uniform(-0.5, 0.5, heights.size) * STEP_MM
            true = rate * (FREE_MM - at) * gain + setup.tare_n
            unit = rng.standard_t(3.0, at.size) / 3.0**0.5 if tails else rng.normal(size=at.size)
            shown = np.round((true + scatter_n * unit) / STEP_N) * STEP_N
            typed = replace(setup, tare_n=float(tare_n))
            own.append(swept(f"s{i}", heights, shown - tare_n, typed, f"{name} {run}"))
        sweeps[f"s{i}"] = own
    told = with_repeats(sweeps)
    return [fit_curve(label, own) for label, own in list(told.items())[:wanted]], rates
