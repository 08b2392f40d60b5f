"""What tells more without a coupon more to cut: what is worth knowing before the welds, and reading beside them.

Each of these made the window larger that could be claimed from 18 welds of rehearsed studies (reports/calibration.md,
“Each lever’s part”); they are told in the order of what they brought. A stated scatter did not, so it is not asked for.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from doe.study.model import Response, Study
from doe.study.trips import is_breaker, name_unclear

HEADING: Final = (
    "None of these is a coupon more to cut, and on rehearsed studies each made the window that can be claimed larger:"
)
LINE_CURRENT: Final = "line current [A]"
"""The column of results in which the line current is read."""
ENOUGH_LENGTHS: Final = (4, 5)
"""Criterion lengths a weld that were rehearsed (METHOD section 5)."""


def tells_more(study: Study, *, read: Collection[str] = (), is_before: bool = True) -> tuple[str, ...]:
    """Say what else could be stated, read or looked at.

    Parameters
    ----------
    study : Study
    read : collection of str
        Conditions that are read already, by the names of ``Results.conditions``.
    is_before : bool
        Whether the first weld is still to be made: what is known from earlier work is only worth saying then.

    Returns
    -------
    tuple of str
        Sentences; empty where nothing is left.
    """
    asked = [response for response in study.responses if response.has_requirement]
    lines = [_depth(response) for response in asked if response.kind == "pass"] if is_before else []
    lines += [_load(study, response) for response in asked if response.kind == "trip" and LINE_CURRENT not in read]
    if is_before:
        lines += [_answers(study, response) for response in asked if response.kind == "count"]
    lines += [_length(study, response, is_before=is_before) for response in asked if response.kind == "count"]
    return tuple(line for line in lines if line)


def _depth(response: Response) -> str:
    """Ask for a depth in place of a verdict."""
    return (
        f"{response.name}: a depth with a requirement in place of pass or fail, where it can be measured: from 18 to "
        "24 welds judged pass or fail hardly anything could be claimed, from the same welds measured a window."
    )


def _load(study: Study, response: Response) -> str:
    """Ask for the load on the supply: the breaker's own law of time then stands in place of the dials.

    It is of no use where trips are not the breaker's; where the name leaves that open, whose they are is asked first.
    """
    unclear = name_unclear(response)
    if unclear or not is_breaker(study, response):
        return unclear
    stated = "" if study.supply.breaker_a else "the supply's volts and breaker under [supply], and "
    return (
        f"{response.name}: {stated}the line current of every weld, from a plug-in meter rated for it or read by a "
        "qualified person, never at an opened cable (column “line current”)."
    )


def _answers(study: Study, response: Response) -> str:
    """Ask the two questions of METHOD section 3, where they are open and there is anything to ask about."""
    dials = [factor.name for factor in study.factors if factor.role in ("voltage", "feed")]
    if response.expect_good_zone or not dials:
        return ""
    ends = " and of ".join(dials)
    return (
        f"{response.name}: two answers from earlier work, if you have them. Does it get worse towards both ends of "
        f"{ends} (expect_good_zone)? Do the best and the worst corner differ by less than ten times "
        "(expect_ratio_under)? If you do not know, leave them out: a wrong answer makes a wrong claim."
    )


def _length(study: Study, response: Response, *, is_before: bool) -> str:
    """Ask for length, and for second beads where the plan has none."""
    least, most = ENOUGH_LENGTHS
    more = (
        " (second_bead = true under [plan]), though it takes a coupon and its wire."
        if is_before
        else ": a row of its own in results.csv, its settings and the count."
    )
    second = (
        ""
        if study.plan.second_bead
        else f" A second bead at every setting, looked at and not cut, tells more still{more}"
    )
    return (
        f"{response.name}: look over as much of every weld as there is, {least} to {most} times the "
        f"{response.per_text} it is judged over; a longer bead costs less than a further plate.{second}"
    )
