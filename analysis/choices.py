"""What a person may choose, and what is taken where they don't. Light to import."""

from __future__ import annotations

from typing import Literal, get_args

Effort = Literal["none", "shims", "cuts"]  # what may be done under the springs, least first
EFFORTS: tuple[Effort, ...] = get_args(Effort)

# How a set is judged: how far a spring may be off, and how often a good set is called odd.
DEFAULT_TOLERANCE = 0.05  # common practice, no source
DEFAULT_ALPHA = 0.05

SECONDS = 10.0  # of search, before the best so far is told
