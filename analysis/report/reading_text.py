"""What is said of a file that was read in, and of a scale read by hand. Light to import."""

from __future__ import annotations

GIVE = "how far scale and press give under the load"
TARE_RIGHT = (
    "right only if the scale showed that with all of the set-up on it and no spring pressed"
)
GIVE_HOW = "hardware/SCALE.md tells how to measure it; then: coilbench note --give"

READING_PHRASES: dict[str, str] = {
    "load_drop": "spring {label!r}: {load_n} at {height_mm} is less than at a greater height: a "
    "typing error, or a broken spring",
    "near_solid": "spring {label!r} was pressed to {height_mm}, too near its solid height "
    "{solid_height_mm}: its coils may have touched there",
    "file_uncertainty": "Loads are assumed good to {load_u_relative:.1%} and heights to "
    "{height_u_mm} (k = 2), since the file does not say; read by hand off a scale? --by-hand",
    "rig_of_another": "no rig was calibrated at this bench: the counts are read by another bench's "
    "calibration, of {rig}, and the ± is right only if they are of that rig; else take them back, "
    "calibrate this bench's, and import them again",
    "column_passed_over": "the column {column} is passed over",
    "presses_parted": "the file has {presses} presses: each is a stroke of its own",
    "way_down_only": "without the way back up: only the loading branch is there",
    "scale_never_weighed": "the scale was never weighed against known masses: ± {u_relative:.0%} "
    "of every load is assumed of it (k = 2); coilbench rig weigh --scale finds what it is",
    "weigh_scale_first": "weigh known masses on the scale before you press: coilbench rig weigh "
    "--scale NAME --from FILE (hardware/SCALE.md: filled buckets will do), then key the readings "
    "with --scale NAME; without it ± {u_relative:.0%} of every load is assumed (k = 2)",
    "scale_old": "the calibration of the scale {scale} is {age_days:.0f} days old, the limit is "
    "{limit_days:g}: calibrate it again before you measure, with coilbench rig weigh --scale",
    "scale_steps": "The scale reads in steps of {step_kg}",
    "scale_curved": "The scale is not linear (F-test at 1 %): a parabola is used",
}
