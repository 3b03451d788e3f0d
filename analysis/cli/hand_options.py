"""The options that say how readings by hand were taken, of `note` and of `import`."""

from __future__ import annotations

from coilbench.analysis.cli.common import FRACTION, LENGTH, LOAD, NUMBER, WEIGHT

NO_SCALE = "none"  # in place of a scale's name: its readings are taken as they are
NOTE_FLAGS = {
    "tare_n": ("--tare", LOAD, "What the scale shows with the blocks on it and no spring pressed."),
    "rests_n": (
        "--rests",
        WEIGHT,
        "What lay on the spring when the tare was read: the upper cup, if not lifted off.",
    ),
    "lever_ratio": (
        "--lever",
        NUMBER,
        "The spring's load over the load on the scale, where a bar divides it.",
    ),
    "lever_ratio_u": ("--lever-u", FRACTION, "Standard uncertainty of the lever's ratio."),
    "scale_resolution_n": ("--resolution", LOAD, "The scale's smallest step."),
    "scale_repeatability_n": (
        "--repeatability",
        LOAD,
        "Standard deviation of the scale's readings of one load.",
    ),
    "quill_resolution_mm": ("--quill", LENGTH, "The depth scale's smallest step."),
}
IMPORT_FLAGS = (
    ("--tare", "tare_n", LOAD, "what the scale showed with no spring pressed."),
    ("--lever", "lever_ratio", NUMBER, "the spring's load over the load on the scale."),
    ("--lever-u", "lever_ratio_u", FRACTION, "standard uncertainty of the lever's ratio."),
    ("--resolution", "scale_resolution_n", LOAD, "the scale's smallest step."),
    ("--repeatability", "scale_repeatability_n", LOAD, "standard deviation of its readings."),
    ("--quill", "quill_resolution_mm", LENGTH, "the depth scale's smallest step."),
)
