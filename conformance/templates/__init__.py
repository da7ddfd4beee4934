"""The templates of all pages that the kit writes."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


def environment(autoescape: bool | Callable[[str | None], bool] = True) -> Environment:
    """Templates of `conformance/templates`; a name that is not given is an error, and text comes escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("conformance", "templates"),
        autoescape=autoescape,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def escaped_by_name(*endings: str) -> Callable[[str | None], bool]:
    """Escapes in templates with these endings of their names, and in no other."""
    from jinja2 import select_autoescape

    return select_autoescape(enabled_extensions=endings, default=False)
