"""Templates to text: the only use of Jinja2. What a template prints is escaped, whatever it came from."""

from __future__ import annotations

from typing import Any

import jinja2

from .pages import words

_ENVIRONMENT = jinja2.Environment(
    loader=jinja2.PackageLoader("barreltide.web"), autoescape=True, undefined=jinja2.StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, auto_reload=False,
)  # fmt: skip
_ENVIRONMENT.filters |= {"lasted": words.lasted, "percent": words.percent, "number": words.number}


def render(template: str, **values: Any) -> str:
    """The text of a template in templates/. A value that a template needs and does not get is an error."""
    return _ENVIRONMENT.get_template(template).render(values)
