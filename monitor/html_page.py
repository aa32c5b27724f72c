"""Fills an HTML page of `monitor/data` with text that can do nothing but be read."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING, Any

from monitor import __version__
from monitor.display import shown
from monitor.palette import PAGE_COLOURS
from rules.text import clean

if TYPE_CHECKING:
    from jinja2 import BaseLoader, Environment


def html_page(name: str, **context: Any) -> str:
    """Return a page, its texts escaped, in the reader's units and clean of what turns or hides.

    Args:
        name: of the template in `monitor/data`.
        context: what it shows; a name that it asks for and does not get is an error.

    Raises:
        ImportError: jinja2 is missing.
    """
    text = (files("monitor") / "data" / name).read_text("utf-8")
    return html_environment().from_string(text).render(colours=PAGE_COLOURS, **context)


def html_environment(loader: BaseLoader | None = None) -> Environment:
    """Return what fills templates, with every text escaped and cleaned.

    Args:
        loader: of templates that extend one another, or None.

    Raises:
        ImportError: jinja2 is missing.
    """
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        loader=loader,
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # Direction marks would turn a note about; the drawing is no such text.
        finalize=lambda value: shown(clean(value)) if type(value) is str else value,
    )
    environment.globals["version"] = __version__
    return environment
