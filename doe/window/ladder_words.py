"""A thickness ladder in plain sentences: how thick, what stopped it, what is not known."""

from __future__ import annotations

from collections.abc import Iterator

from doe.study.model import Study
from doe.window.ladder import Ladder, Rung
from doe.window.words import at_least, box_words, claimed_name, frequency, level, setting_words


def ladder_sentences(ladder: Ladder) -> tuple[str, ...]:
    """Say everything, the most important first."""
    return (
        *_reached_lines(ladder),
        *(_rung_line(rung) for rung in ladder.rungs),
        *_between(ladder),
        "A card holds for its own thickness: no line is drawn through thicknesses, and nothing is said between them. A "
        "thinner plate takes up less heat and may burn through where a thicker one does not (common practice, no "
        "source).",
        *ladder.notes,
    )


def thickness_words(study: Study, thickness_mm: float) -> str:
    """Tell a thickness in the study's units."""
    return f"{thickness_mm / 25.4:.3g} in" if study.units == "us" else f"{thickness_mm:g} mm"


def _told(rung: Rung) -> str:
    return thickness_words(rung.study, rung.thickness_mm)


def _reached_lines(ladder: Ladder) -> Iterator[str]:
    """Say how thick, and how sure."""
    reached = ladder.reached
    if reached is None:
        yield f"How thick: not even {_told(ladder.rungs[0])}, the thinnest, can be claimed."
        return
    good, sure = frequency(ladder.claim.reliability), level(ladder.claim.confidence)
    rungs = [rung for rung in ladder.rungs if rung.is_reached]
    each = "there" if len(rungs) == 1 else "on each of " + ", ".join(_told(rung) for rung in rungs)
    yield (
        f"How thick: as far as {_told(reached)}. Settings are claimed {each} at which in the long run at least {good} "
        f"welds meet every requirement; we are {sure} sure"
        + (" of all of them together, since they were climbed from the thinnest up." if len(rungs) > 1 else ".")
    )


def _rung_line(rung: Rung) -> str:
    """Say what one thickness says by itself."""
    answer, welds = rung.window.answer, f"{_told(rung)} ({rung.window.n_welds} welds)"
    if answer.box is not None and answer.best is not None:
        low = at_least(answer.best.assurance.low).removeprefix("over ")
        above = "" if rung.is_reached else " It does not count: a thinner one could not be claimed."
        name = claimed_name(answer)
        return (
            f"{welds}: {name[0].lower()}{name[1:]}: {box_words(rung.study, answer.box)}; best {_best(rung)}, where no "
            f"less than {low} of welds are good.{above}"
        )
    nearest = answer.nearest
    if nearest is None or nearest.settings is None:
        return f"{welds}: it cannot be judged. {' '.join(rung.window.findings)}".strip()
    doubt = (
        "the data speak against any such setting"
        if nearest.reason == "data speak against"
        else "the data neither show nor exclude one"
    )
    share = nearest.reliability_claimable
    claim = "" if share is None else f"; there at least {at_least(share)} good welds could be claimed"
    return (
        f"{welds}: nothing can be claimed; {doubt}, {nearest.limiting} limits, and the best candidate is "
        f"{setting_words(rung.study, nearest.settings)}{claim}."
    )


def _best(rung: Rung) -> str:
    """Tell the best setting."""
    best = rung.window.answer.best
    return "" if best is None else setting_words(rung.study, best.settings)


def _between(ladder: Ladder) -> Iterator[str]:
    """Say what lies between the last rung reached and the first that was not, and beyond the thickest."""
    reached, stopped = ladder.reached, ladder.stopped_at
    if stopped is None:
        yield f"Thicker than {_told(ladder.rungs[-1])} nothing was welded: how much thicker it could go is not known."
        return
    nearest = stopped.window.answer.nearest
    ends_below = nearest is not None and nearest.reason == "data speak against"
    if not ends_below:
        yield f"{_told(stopped)} is not excluded: more welds there may show it (weldwindow next)."
    elif reached is None:
        yield "A thinner plate, or another requirement, would have to come first."
    else:
        yield f"It ends between {_told(reached)} and {_told(stopped)}; a study of a plate between would tell where."
