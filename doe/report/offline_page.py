"""Pages to fill in: one HTML file with its own style and script, which asks for nothing from outside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from doe.report.templating import policy_hash, render, script_data, template_text


def offline_page(name: str, *, scripts: Sequence[str], data: Mapping[str, Any], **words: object) -> str:
    """Render a page from ``templates/NAME.html``, the style all such pages share, and its own.

    Parameters
    ----------
    name : str
    scripts : sequence of str
        The script files, in the order in which they run; they become one script.
    data : mapping
        What the page knows, handed over as JSON, so that no text of the study is ever read as markup or script.
    **words : object
        What else the template names.

    Returns
    -------
    str
        HTML whose content-security-policy allows its own style and its own script.
    """
    style = "\n".join(template_text(f"{part}.css") for part in ("page_parts", name))
    script = "\n".join(template_text(f"{part}.js") for part in scripts)
    return render(
        f"{name}.html",
        style=Markup(style),
        style_hash=policy_hash(style),
        script=Markup(script),
        script_hash=policy_hash(script),
        data=Markup(script_data(data)),
        **words,
    )
