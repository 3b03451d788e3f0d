"""`coilbench rig`: find it, watch it, calibrate it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    LOAD,
    book_path,
    console,
    json_option,
    print_document,
    read_bytes,
    units,
)
from coilbench.capture.calibration_fit import fit_load, fit_travel, masses_u_relative
from coilbench.capture.calibration_points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.flex_fit import fit_flex
from coilbench.capture.book.calibrations import (
    NewPart,
    PartKind,
    PointRow,
    newest_part,
    store_part,
)
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration_tables import (
    read_flex_points,
    read_gauge_points,
    read_load_points,
)
from coilbench.capture.csv_table import read_table
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.guided import gauge, press_block, sample_stream, weigh
from coilbench.capture.messages import Hello
from coilbench.capture.sources import identify, open_source
from coilbench.capture.units import parse_length_mm, parse_number

IDENTIFY_S = 3.0


@click.group(name="rig")
def rig_command() -> None:
    """Find the rig, watch it, calibrate it.

    In order: find, watch, weigh (load), gauge (travel), flex (how far the press gives).
    """
