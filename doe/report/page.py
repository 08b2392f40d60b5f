"""The report page: one self-contained HTML file, no network; one script, without which the pictures remain."""

from __future__ import annotations

from typing import Final

from markupsafe import Markup

from doe.report.contents import ReportContents
from doe.report.templating import policy_hash, render, template_text

LONGEST_TITLE: Final = 50
"""Characters of the title at the top of a printed page."""


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
    style = template_text("report.css") + running_header(contents)
    script = template_text("try.js")
    data = "" if contents.try_setting is None else contents.try_setting.data
    return render(
        "report.html",
        contents=contents,
        style=Markup(style),
        style_hash=policy_hash(style),
        script=Markup(script),
        script_hash=policy_hash(script),
        data=Markup(data),  # escaped by script_data: no HTML parser takes it for anything else
    )


def running_header(contents: ReportContents) -> str:
    """Make the style of the printed page's margins: title and study at the top, page numbers at the foot.

    Every character that is no letter, digit or blank is written as its number (and the blank that ends a number), so
    that no text of the study ends the style sheet or a string in it.
    """
    title = contents.title if len(contents.title) <= LONGEST_TITLE else f"{contents.title[:LONGEST_TITLE]}…"
    top_left, top_right = (
        "".join(c if c.isascii() and (c.isalnum() or c == " ") else f"\\{ord(c):06x} " for c in text)
        for text in (title, contents.foot)
    )
    return (
        f'@page {{ @top-left {{ content: "{top_left}"; font: 8pt sans-serif; }} '
        f'@top-right {{ content: "{top_right}"; font: 8pt sans-serif; }} '
        '@bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt sans-serif; } }\n'
    )
