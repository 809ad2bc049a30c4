"""A page made from its template."""

from __future__ import annotations

from functools import cache
from typing import Any

from fitassay.labels import minus


@cache
def _template(name: str) -> Any:
    from jinja2 import Environment, PackageLoader

    environment = Environment(
        loader=PackageLoader("fitassay.report"), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["minus"] = minus
    return environment.get_template(name)


def render(name: str, context: dict[str, Any]) -> str:
    """The template of that name filled in; all that is put in is escaped."""
    return _template(name).render(context) + "\n"
