"""The report page: one self-contained HTML file, no network, no script."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files

import jinja2
from markupsafe import Markup

from doe.report.contents import ReportContents


def render_page(contents: ReportContents) -> str:
    """Render the report as one HTML file.

    Parameters
    ----------
    contents : ReportContents

    Returns
    -------
    str
        HTML whose content-security-policy allows nothing but its own style sheet and its own pictures.
    """
    templates = files("doe.report") / "templates"
    style = (templates / "report.css").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: (templates / name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = environment.get_template("report.html")
    return page.render(contents=contents, style=Markup(style), style_hash=policy_hash(style))


def policy_hash(text: str) -> str:
    """Give the hash by which a content-security-policy admits one style sheet or script."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
