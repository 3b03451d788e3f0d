"""Self-contained pages: one look, style and drawings inside, nothing fetched."""

from __future__ import annotations

import io
from importlib.resources import files
from typing import TYPE_CHECKING

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from coilbench.capture.plain import plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def render(template: str, **context: object) -> str:
    """Fill one of the page templates beside this module; every word in it is text alone."""
    environment = Environment(
        loader=FunctionLoader(_read),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=lambda value: plain(value) if type(value) is str else value,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(context)


def _read(name: str) -> str:
    return files("coilbench.analysis.report").joinpath(name).read_text("utf-8")


def drawing(figure: Figure) -> Markup:
    """Return a figure as inline SVG, the same bytes each time.

    Its texts stay texts and are trusted: no word of the user's may stand in a figure.
    """
    import matplotlib as mpl  # imported late: slow to load

    text = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": "coilbench", "svg.fonttype": "none"}):
        figure.savefig(text, format="svg", metadata={"Date": None})
    svg = text.getvalue()
    # The head before <svg> is for files.
    return Markup(svg[svg.index("<svg") :])  # noqa: S704  trusted, see above
