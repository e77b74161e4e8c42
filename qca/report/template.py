"""How pages are made of templates: everything from outside is escaped, and a name that is not given is an error."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

_HERE = Path(__file__).parent


def templates(folder: Path, *, finalize: Callable[[object], object] | None = None) -> Environment:
    """Prepare the templates of a folder.

    Parameters
    ----------
    folder : Path
        Where the ``.j2`` files are.
    finalize : callable or None
        Applied to each value before it is written.

    Returns
    -------
    jinja2.Environment
        Escapes all text; a name that is not given is an error.
    """
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=finalize,
    )


def safe(markup: str) -> Markup:
    """Mark HTML made by this project, which has escaped its parts already, as not to be escaped again."""
    from markupsafe import Markup

    return Markup(markup)  # noqa: S704


def page_style() -> Markup:
    """Style of a reading's report, for pages that look alike."""
    return caution_style() + safe((_HERE / "page.css").read_text(encoding="utf-8"))


def caution_style() -> Markup:
    """Style of the caution, for every page."""
    return safe((_HERE / "caution.css").read_text(encoding="utf-8"))
