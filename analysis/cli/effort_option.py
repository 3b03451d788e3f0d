"""The option --effort, in a file of its own: the engine behind it takes long to load."""

from __future__ import annotations

import click

from coilbench.analysis.engine.shims import EFFORTS

effort_option = click.option(
    "--effort",
    type=click.Choice(EFFORTS),
    default="shims",
    help="What may be done under the springs.",
)
