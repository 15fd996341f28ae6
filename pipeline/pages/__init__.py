"""Pages to print: HTML from templates, every text escaped, nothing fetched."""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from shared.shown import visible
from shared.standing import FIRST_MEASURE
from shared.vocabulary import CAUTIONS


def _shown(value: Any) -> Any:  # noqa: ANN401 - whatever a template prints
    """Characters that nobody sees are shown; markup made by a template stands."""
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


_TEMPLATES = Environment(
    loader=PackageLoader("pipeline", "pages"),
    autoescape=True,
    finalize=_shown,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    keep_trailing_newline=True,
)
_TEMPLATES.globals.update(cautions_told=CAUTIONS, first_measure=FIRST_MEASURE)


def page(template: str, **values: Any) -> str:  # noqa: ANN401 - what the template names
    """Return a whole page.

    Args:
        template: a file of this folder.
        values: what it names; plain texts, escaped where they are printed.
    """
    return _TEMPLATES.get_template(template).render(**values)
