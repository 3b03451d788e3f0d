"""The JSON document of `set compare`. Pure."""

from __future__ import annotations

from typing import Any

from coilbench.analysis.sets.compare import Change, Comparison, MeanChange


def to_document(comparison: Comparison) -> dict[str, Any]:
    """Write a comparison: N, mm and N/mm, uncertainties expanded (k = 2), unknown is None."""
    return {
        "before": comparison.before,
        "after": comparison.after,
        "springs": [
            {
                "label": spring.label,
                "changed": spring.changed,
                "readings": [
                    {"height_mm": height_mm, **_change(change, "n")}
                    for height_mm, change in zip(comparison.heights_mm, spring.loads, strict=True)
                ],
                "rate": _change(spring.rate, "n_per_mm"),
            }
            for spring in comparison.springs
        ],
        "summary": [
            {"height_mm": height_mm, **_mean(mean, "n")}
            for height_mm, mean in zip(comparison.heights_mm, comparison.means, strict=True)
        ],
        "rate_summary": _mean(comparison.rate_mean, "n_per_mm"),
        "unmatched": list(comparison.unmatched),
    }


def _change(change: Change | None, unit: str) -> dict[str, Any]:
    return {
        f"before_{unit}": None if change is None else change.before,
        f"after_{unit}": None if change is None else change.after,
        f"change_{unit}": None if change is None else change.measured.value,
        f"change_u_{unit}": None if change is None else change.measured.u,
        "same_calibration": None if change is None else change.shared == "all",
        "shared_calibration": None if change is None else change.shared,
        "verdict": None if change is None else change.verdict,
    }


def _mean(mean: MeanChange | None, unit: str) -> dict[str, Any]:
    return {
        f"before_mean_{unit}": None if mean is None else mean.before,
        f"change_{unit}": None if mean is None else mean.change,
        f"change_u_{unit}": None if mean is None else mean.change_u,
        "springs": 0 if mean is None else mean.springs,
        "verdict": None if mean is None else mean.verdict,
    }
