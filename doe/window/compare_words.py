"""A comparison in plain sentences: the verdict first, then the differences."""

from __future__ import annotations

from doe.study.trips import whose_trips
from doe.window.comparison import Comparison, Place, ResponseDifference
from doe.window.words import at_least, box_words, frequency, level, value_words

EACH = {
    "each needs its own card": "No one card serves both; each has a card of its own.",
    "only one has a card": "No one card serves both.",
    "cannot say yet": "Whether one card serves both cannot be said yet: no window can be claimed for either.",
    "no requirement": "No requirement is set on any response, so there is no window to ask for, and no card that could "
    "serve both: nothing says yet what a good weld must meet. The differences need none.",
}


def comparison_sentences(comparison: Comparison) -> tuple[str, ...]:
    """Say everything, the most important first."""
    lines = [*_verdict_lines(comparison), *(_side_line(comparison, i) for i in range(len(comparison.sides)))]
    for place in comparison.places:
        lines += [
            f"At {place_words(comparison, place)} ({place.why}):",
            *(_line(comparison, d) for d in place.differences),
        ]
    lines.append(
        f"Each difference is that of the means, with a band of {level(comparison.claim.confidence)} of its own."
        + _what_else(comparison)
    )
    return (*lines, *comparison.not_compared, *comparison.findings)


def _all(comparison: Comparison) -> str:
    return "both" if len(comparison.sides) == 2 else "all"


def _verdict_lines(comparison: Comparison) -> tuple[str, ...]:
    """Say whether one card serves both."""
    card, claim = comparison.card, comparison.claim
    if comparison.verdict == "no requirement" and any(side.has_question for side in comparison.sides):
        without = " and ".join(side.label for side in comparison.sides if not side.has_question)
        return (
            f"No requirement is set on any response of {without}, so it cannot be asked whether one card serves "
            f"{_all(comparison)}. The differences need none.",
        )
    if card is None:
        return (EACH[comparison.verdict].replace("both", _all(comparison)).replace("either", "any of them"),)
    name = "One card serves"
    if card.single_setting:
        name = "One setting serves" if card.box.n_settings == 1 else "A few settings, too narrow for a window, serve"
    return (
        f"{name} {_all(comparison)}: {box_words(comparison.study, card.box, leave_out=comparison.by)}.",
        f"There at least {frequency(claim.reliability)} welds meet every requirement on {_all(comparison)}, at every "
        f"setting at once, with {at_least(card.box.confidence, asked=card.searched_at)} confidence "
        f"({level(round(card.searched_at, 3))} was asked).",
    )


def _side_line(comparison: Comparison, i: int) -> str:
    """Say what one side has by itself."""
    side = comparison.sides[i]
    if not side.has_question:
        return f"{side.label}: {side.n_welds} welds, and no requirement to meet."
    if side.box is None:
        return f"{side.label} ({side.n_welds} welds): no window of its own can be claimed yet."
    name = "setting is" if side.box.n_settings == 1 else "few settings are" if side.single_setting else "window is"
    own = box_words(side.study, side.box, leave_out=comparison.by)
    return f"{side.label} ({side.n_welds} welds): its own {name} {own}."


def place_words(comparison: Comparison, place: Place) -> str:
    """Tell a shared setting, without the factor that is compared."""
    pairs = zip(comparison.study.factors, place.settings, strict=True)
    return ", ".join(f"{f.name} {value_words(f, value)}" for f, value in pairs if f.name != comparison.by)


def _line(comparison: Comparison, change: ResponseDifference) -> str:
    """Tell one difference."""
    response, first = change.response, comparison.sides[0].label
    scale, unit, digits = 1.0, f" {response.unit}".rstrip(), 2
    what = response.name
    if response.kind == "count":
        what = f"mean count of {response.name}" + (f" over {response.per_text}" if response.per_text else "")
    elif response.kind in {"trip", "pass"}:
        scale, unit, digits = 100.0, " points of 100", 0
        what = f"chance of {response.name}" if response.kind == "pass" else _holding(change)
    size, low, high = (round(scale * v, digits) for v in (change.difference, change.low, change.high))
    if size == low == high == 0.0:
        return f"  {what}: the same with {change.label} as with {first}."
    unit = unit.replace("points", "point") if abs(size) == 1.0 else unit
    more = "less" if size < 0 else "more"
    if size < 0:
        size, low, high = -size, -high, -low
    band = f"{low + 0.0:.{digits}f} to {high + 0.0:.{digits}f}"  # + 0.0 takes the sign off a nought
    shown = "" if change.is_shown else "; no difference is shown"
    return f"  {what}: {size + 0.0:.{digits}f}{unit} {more} with {change.label} than with {first} ({band}){shown}."


def _holding(change: ResponseDifference) -> str:
    """Name the chance that nothing trips: of the supply, or of what else the response's name speaks of."""
    name, long = change.response.name, "" if change.hold_s is None else f" for {change.hold_s:.3g} s"
    return (
        f"chance of no {name}{long}"
        if whose_trips(change.response) == "other"
        else f"chance that the supply holds{long} ({name})"
    )


def _what_else(comparison: Comparison) -> str:
    """Say what a difference between two studies may come from."""
    if comparison.by:
        return ""
    return (
        " Between two studies everything differs that was not the same: day, hand, spool, outlet and cord as well as "
        "what was meant to differ."
    )
