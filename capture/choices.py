"""What a person may choose, and what is taken where they don't. Light to import."""

from __future__ import annotations

from typing import Literal

# Common practice, no source: work a spring a few times before reading it.
CONDITIONING_STROKES, MEASURED_STROKES = 2, 3

OWN = "own"  # the calibration that a stroke was measured with, as one chooses what reads it

SpringFact = Literal["free_length_mm", "solid_height_mm", "mark", "note"]
FACTS: dict[str, SpringFact] = {
    "free": "free_length_mm",
    "solid": "solid_height_mm",
    "mark": "mark",
    "note": "note",
}

# What can be forgotten of a set, with its column.
FORGET = {
    "free-length": "free_length_mm",
    "solid-height": "solid_height_mm",
    "wire": "wire_mm",
    "coil-diameter": "coil_diameter_mm",
    "active-coils": "active_coils",
    "note": "note",
    "mark": "mark",
    "rests": "rests_n",
}
