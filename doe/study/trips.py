"""Whose trips a trip response holds: the supply's breaker's, or something else's, told by its name.

The machine's own cut-out, an earth-fault device and a jammed wire stop a weld too, and follow other laws than the
breaker (METHOD.md section 4). Each is a response of its own, or stands under notes.
"""

from __future__ import annotations

import re
from typing import Final, Literal

from doe.study.model import Response, Study

Whose = Literal["breaker", "other", "unclear"]

BREAKER: Final = re.compile(r"\btrip|breaker|\bfuse\b|\bmcb\b|supply|circuit", re.IGNORECASE)
"""Names that speak of the supply's breaker."""
OTHER: Final = re.compile(
    r"thermal|cut.?out|duty|overheat|machine|earth|ground|leakage|residual|fault|\brcd|\bgfci|\bafci|\bjam",
    re.IGNORECASE,
)
"""Names that speak of something else; they go before the breaker's ("machine trip", "earth-fault breaker")."""


def whose_trips(response: Response) -> Whose:
    """Say whose trips a trip response's name speaks of; "unclear" where it speaks of none.

    Examples
    --------
    >>> [whose_trips(Response(name, "trip")) for name in ("trip", "thermal cut-out", "stopped early")]
    ['breaker', 'other', 'unclear']
    """
    if OTHER.search(response.name):
        return "other"
    return "breaker" if BREAKER.search(response.name) else "unclear"


def is_breaker(study: Study, response: Response) -> bool:
    """Whether this is the trip response that stands for the supply's breaker: the first whose name says so."""
    names = [r.name for r in study.responses if r.kind == "trip" and whose_trips(r) == "breaker"]
    return names[:1] == [response.name]


def what_counts(study: Study, response: Response) -> str:
    """Say in few words what goes into a trip column and what does not.

    It stands in comment lines of tables too: it has no comma and no semicolon where the name has none.

    Examples
    --------
    >>> what_counts(Study("Lugs", (), ()), Response("thermal cut-out", "trip"))
    'thermal cut-out only. A trip of the supply breaker goes under notes or into a response of its own'
    """
    if is_breaker(study, response):
        return (
            "the supply breaker only. A cut-out of the machine or an earth-fault device or a jam goes under notes or "
            "into a response of its own"
        )
    return f"{response.name} only. A trip of the supply breaker goes under notes or into a response of its own"


def name_unclear(response: Response) -> str:
    """Say of a trip response that its name leaves open whose trips it holds, and what to do; empty where it does not.

    The breaker's time law would be wrong for anything else, so it is not used where the name is unclear.
    """
    if response.kind != "trip" or whose_trips(response) != "unclear":
        return ""
    return (
        f"{response.name}: its name does not say what stopped the weld, so it is not taken for the supply's breaker, "
        "whose time law is not used for it. If it is the breaker, name it “trip” or “breaker”; a cut-out of the "
        "machine, an earth-fault device or a jam is never mixed in."
    )
