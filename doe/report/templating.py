"""The one way to render a page: escaped, strict, from the shipped templates."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

import jinja2


def template_text(name: str) -> str:
    """Read one shipped template, style sheet or script."""
    return (files("doe.report") / "templates" / name).read_text(encoding="utf-8")


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(template_text),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(name: str, **values: object) -> str:
    """Render one template; every value is escaped unless it is marked as markup."""
    return _environment().get_template(name).render(**values)


def policy_hash(text: str) -> str:
    """Give the hash by which a content-security-policy admits one style sheet or script."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
