"""How near springs come to coil bind and how their solid heights are known: sentences and JSON."""

from __future__ import annotations

from coilbench.analysis.engine.placed import PlacedSet
from coilbench.analysis.engine.reasons import BindRisk, SolidContradicted, SomeBind
from coilbench.analysis.engine.solid_heights import SolidFrom
from coilbench.analysis.report.document import describe, filled, first_few, json_keys, sentences
from coilbench.analysis.report.units import Units

# The assumed ± are ours: see the engine's solid heights.
SOLID_FROM: dict[SolidFrom, str] = {
    "own": "measured",
    "sisters": "from its sisters",
    "stated": "registered",
    "registered": "registered (its ± is assumed)",
    "computed": "computed from wire and coils (its ± is assumed)",
}
json_keys(
    PlacedSet,
    "set=springs.name coil_bind_margin_mm=bind_margin_mm solid_height_mm=springs.solid.height_mm "
    "solid_height_u_mm=springs.solid.height_u_mm solid_height_from=springs.solid.known_from "
    "smallest_gap_mm=springs.smallest_gap_mm text",
)


@describe.register
def _(placed: PlacedSet, units: Units) -> str:
    solid = placed.springs.solid
    text = "{springs.name}: coil bind margin {bind_margin_mm}"
    if solid is not None:
        text += (
            ", highest solid height {springs.solid.height_mm} ± {springs.solid.height_u_mm}, "
            f"{SOLID_FROM[solid.known_from]}"
        )
    if placed.springs.smallest_gap_mm is not None:
        text += (
            "; EN 13906-1's smallest sum of gaps under dynamic load is {springs.smallest_gap_mm}"
        )
    return filled(text, placed, units)


@describe.register
def _(reason: SomeBind, units: Units) -> str:
    template = (
        "{set_name}: {named} would come nearer to coil bind than {limit_mm} at the lowest valve: "
        "not there"
    )
    return filled(template, reason, units, named=first_few(reason.springs))


@describe.register
def _(found: SolidContradicted, units: Units) -> str:
    seen = ["{measured_mm} measured"] if found.measured_mm is not None else []
    seen += ["{pressed_mm} reached, not solid"] if found.pressed_mm is not None else []
    template = (
        "{set_name}: {named} contradicted its registered solid height of {registered_mm} "
        f"({', '.join(seen)}): correct it (coilbench set edit --solid-height)"
    )
    return filled(template, found, units, named=first_few(found.springs))


sentences(
    BindRisk,
    {
        "solid_unknown": "solid height of {set_name} unknown: measure it (coilbench set measure)",
        "closing": "coils of {set_name} begin to close near {solid_height_mm}: press no further, "
        "and ask its maker for the solid height",
        "binds": "{set_name} binds: at full lift it is {margin_mm:abs} beyond its solid height "
        "{solid_height_mm}",
        "margin_low": "{set_name} comes too near to coil bind: {margin_mm} left at full lift, the "
        "limit is {limit_mm}",
        "margin_unsure": "{set_name} keeps {margin_mm} from coil bind at full lift, not surely the "
        "{limit_mm} asked for: its solid height and where it stands are not known so well",
        "solid_computed": "solid height of {set_name} computed from wire and coils, "
        "{solid_height_mm}, ends squared and ground: measure it",
        "gaps_small": "{set_name} keeps {margin_mm} from coil bind, EN 13906-1 asks for {limit_mm} "
        "of gaps under dynamic load",
    },
)
