"""The console that tables and frames are drawn on: its words are text and nothing else."""

from __future__ import annotations

from collections.abc import Iterable
from typing import IO, Any, cast

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from coilbench.capture.plain import plain


class PlainConsole(Console):
    """A console that steers the terminal by itself alone; no word is read as markup or emoji."""

    def __init__(self, **how: Any) -> None:
        super().__init__(markup=False, emoji=False, highlight=False, **how)

    @property
    def file(self) -> IO[str]:
        """Where it draws: past the gate of plain text, also while Rich has its own before that."""
        file = super().file
        return cast(IO[str], getattr(file, "rich_proxied_file", file))

    @file.setter
    def file(self, new_file: IO[str]) -> None:
        self._file = new_file

    def render_str(self, text: str, **how: Any) -> Text:
        """Return a text, before Rich takes out what it knows of control characters."""
        return super().render_str(plain(text), **how)

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Yield what is drawn, with all that came from elsewhere made visible."""
        for drawn in super().render(renderable, options):
            yield drawn if drawn.control else drawn._replace(text=plain(drawn.text))
