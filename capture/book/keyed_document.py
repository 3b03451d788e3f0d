"""How readings were taken, as a stroke's document keeps it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from coilbench.capture.calibration.keyed_setup import KeyedSetup, Scale
from coilbench.capture.calibration.model import fit_from_json


def keyed_setup_of(document: Mapping[str, Any], load_u_relative: float) -> KeyedSetup:
    """Return the set-up that KeyedSetup.to_document wrote.

    Args:
        load_u_relative: as stored with the readings; early books keep the masses' part there
            alone.

    Raises:
        CoilbenchError: the scale's fit cannot be read.
    """
    names = set(KeyedSetup.__struct_fields__) - {"scale"}
    numbers = {name: value for name, value in document.items() if name in names}
    known = document.get("scale")
    if known is None:
        return KeyedSetup(**numbers)
    masses_u = math.sqrt(max(load_u_relative**2 - numbers.get("lever_ratio_u", 0.0) ** 2, 0.0))
    fit = fit_from_json(json.dumps(known["fit"]))
    scale = Scale(known["name"], "", fit, known.get("reference_u_relative", masses_u), 0.0)
    return KeyedSetup(**numbers, scale=scale)
