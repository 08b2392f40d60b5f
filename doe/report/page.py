"""The report page: one self-contained HTML file, no network; one script, without which the pictures remain."""

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
        HTML whose content-security-policy allows nothing but its own style sheet, its own pictures and the one script
        of "try a setting"; no script at all where a response cannot be judged.
    """
    templates = files("doe.report") / "templates"
    style = (templates / "report.css").read_text(encoding="utf-8")
    script = (templates / "try.js").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: (templates / name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = environment.get_template("report.html")
    data = "" if contents.try_setting is None else contents.try_setting.data
    return page.render(
        contents=contents,
        style=Markup(style),
        style_hash=policy_hash(style),
        script=Markup(script),
        script_hash=policy_hash(script),
        data=Markup(data),  # escaped by script_data: no HTML parser takes it for anything else
    )


def policy_hash(text: str) -> str:
    """Give the hash by which a content-security-policy admits one style sheet or script."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
