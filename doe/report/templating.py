"""The one way to render a page: escaped, strict, from the shipped templates."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final

import jinja2

_ESCAPES: Final = {ord(c): f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}
"""What could end a script element, or a line of script, inside JSON."""


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


def script_data(data: Mapping[str, Any]) -> str:
    """Write data for a page's own script: JSON that no HTML parser takes for anything else."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")).translate(_ESCAPES)
