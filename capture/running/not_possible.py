"""The refusal of what was asked of a running capture."""

from __future__ import annotations

from typing import Any

from coilbench.capture.blocks import Finding


class NotPossible(Exception):
    """What was asked can't be done; nothing has changed."""

    def __init__(self, why: str, **facts: Any) -> None:
        self.finding = Finding(why, facts)
        super().__init__(self.finding)
