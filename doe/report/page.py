"""The report page: one self-contained HTML file, no network, no script."""

from __future__ import annotations

from markupsafe import Markup

from doe.report.contents import ReportContents
from doe.report.templating import policy_hash, render, template_text


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
    style = template_text("report.css")
    return render("report.html", contents=contents, style=Markup(style), style_hash=policy_hash(style))
