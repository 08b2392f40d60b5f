"""From the fitted responses to the setting window: the order in which everything is asked."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models.fit import Fit, ResponseFit
from doe.window.assurance import Assurance, Position, holding
from doe.window.best import best_setting
from doe.window.claim import apply_rules, is_single_setting
from doe.window.cool_down import cool_plate
from doe.window.inquiry import (
    CLAIM_DRAWS,
    EXPLORING_DRAWS,
    EXPLORING_STAGE,
    FINDING_STAGE,
    FLOOR_BELOW,
    Inquiry,
)
from doe.window.nearest import explain, lesser_window
from doe.window.next_round import n_made, usual_round
from doe.window.posing import (
    UnsettledError,
    blocked_fits,
    draw_source,
    pose,
    required_fits,
    scenarios_of,
    unsettled_sentence,
    with_requirement,
)
from doe.window.prior_shift import halved_sentences, shift_sentences, shifted_claims
from doe.window.search import CHECKED_SETTINGS, every_setting, find_working_box
from doe.window.textbook_window import find_textbook_window
from doe.window.welded import WeldedRegion, corners, find_welded_region, outside_hull
from doe.window.window import Answer, AssuranceMap, Nearest, SettingBox, Window, WorkingRegion
from doe.window.words import (
    assumed_in_short,
    narrow_sentences,
    no_requirement_sentences,
    nothing_measured_sentence,
    outside_sentence,
    standing_assumptions,
    thinned_sentence,
    untold_sentence,
)

JUDGING_STAGE: Final = 40
"""Stage of draws for judging a box given."""
MOST_JUDGED: Final = 4_000
"""At most so many settings of a given box are judged, its corners among them."""


def find_window(fit: Fit, *, seed: int = 1) -> Window:
    """Find the largest setting window that can be claimed, and the best setting in it.

    Parameters
    ----------
    fit : Fit
    seed : int
        Of the posterior draws: the same fit and seed give the same window.

    Returns
    -------
    Window
        With ``found`` False where none can be claimed: then it says what can be said instead.

    Raises
    ------
    CannotAnswerError
        If no setting is both allowed and welded.
    """
    required, region = with_requirement(fit), find_welded_region(fit.results)
    if not required:
        return _without_question(_unanswered(fit, region, seed=seed), fit)
    if not region.claimable.any():
        message = (
            "no setting within the limits lies between the settings that were welded, so there is nothing to claim"
        )
        raise CannotAnswerError(message)
    if fit.textbook:
        return find_textbook_window(fit, region, seed=seed)
    window = _unanswered(fit, region, seed=seed)
    blocked = blocked_fits(required)
    if blocked:
        return _without_claim(window, fit, blocked)
    try:
        return _answer_all(window, fit, region, required)
    except UnsettledError as error:
        return _without_claim(window, fit, [f for f in required if f.name in error.names])


def _unanswered(fit: Fit, region: WeldedRegion, *, seed: int) -> Window:
    """Make a window of everything that is known before an answer."""
    study = fit.results.study
    return Window(
        study=study,
        claim=study.claim,
        answers=(),
        maps=(),
        axes=region.axes,
        reachable=region.reachable,
        claimable=region.claimable,
        assumptions=standing_assumptions(fit),
        assumed=assumed_in_short(fit),
        cool_plate=cool_plate(fit.results),
        left_out=_left_out(fit),
        n_welds=n_made(fit.results),
        seed=seed,
        method="textbook" if fit.textbook else "posterior",
    )


def box_confidence(fit: Fit, box: SettingBox, *, position: Position = "any", seed: int = 1) -> float:
    """Work out with what confidence a given box holds under a fit: of the same box after more welds (METHOD section 8).

    Parameters
    ----------
    fit : Fit
        With every response that has a requirement able to draw.
    box : SettingBox
        From this fit's window or an earlier one's of the same study.
    position : "any", 1 or 2
    seed : int

    Returns
    -------
    float
        Share of 4,000 draws in which every setting of the box reaches the claim's reliability.

    Raises
    ------
    CannotAnswerError
        If the draws did not settle (``UnsettledError``): then there is no confidence to tell.
    """
    scenarios, _ = scenarios_of(fit)
    scenario = next(s for s in scenarios if s.position == position)
    draws = draw_source(required_fits(fit), fit, seed)(JUDGING_STAGE, CLAIM_DRAWS)
    settings = every_setting(box, at_most=MOST_JUDGED)
    held = holding(draws, settings, scenario, reliability=fit.results.study.claim.reliability)
    return float(held.all(axis=0).mean())


def _left_out(fit: Fit) -> tuple[str, ...]:
    """Give the responses whose requirement stays outside the claim."""
    return tuple(name for name in fit.left_out if fit.results.study.response(name).has_requirement)


def _without_question(window: Window, fit: Fit) -> Window:
    """Answer where no response with a requirement was measured, because none has one or by chance."""
    if window.has_question:
        nearest = Nearest(None, None, None, None, "", "cannot say yet", usual_round(fit.results))
        return replace(window, answers=(Answer("any", nearest=nearest),), findings=(nothing_measured_sentence(),))
    nearest = Nearest(None, None, None, None, "", "no requirement", 0)
    found = no_requirement_sentences(window.study)
    return replace(window, answers=(Answer("any", nearest=nearest),), findings=found)


def _without_claim(window: Window, whole: Fit, blocked: list[ResponseFit]) -> Window:
    """Answer where a response, or its draws for the claim, did not settle, or cannot be judged."""
    findings: list[str] = []
    for fit in blocked:
        findings += [_reason(fit), *fit.findings]
    more = usual_round(whole.results)
    nearest = Nearest(None, None, None, None, blocked[0].name, "cannot say yet", more)
    return replace(window, answers=(Answer("any", nearest=nearest),), findings=tuple(dict.fromkeys(findings)))


def _reason(fit: ResponseFit) -> str:
    """Say why a response forbids any claim."""
    if not fit.settled:
        return f"The fit of {fit.name} did not settle; no claim."
    if blocked_fits((fit,)):
        return f"The fit of {fit.name} cannot be judged from these results; no claim."
    return unsettled_sentence(fit.name)


def _answer_all(window: Window, fit: Fit, region: WeldedRegion, required: tuple[ResponseFit, ...]) -> Window:
    """Answer for every position that needs an answer of its own."""
    source = draw_source(required, fit, window.seed)
    names = source(EXPLORING_STAGE, EXPLORING_DRAWS).names
    answers, maps = [], []
    scenarios, findings = scenarios_of(fit)
    findings += [finding for response in required for finding in response.prior_findings]
    if region.thinned:
        looked_at = int(np.count_nonzero(region.reachable))
        findings.append(thinned_sentence(region.study, looked_at=looked_at, checked=CHECKED_SETTINGS))
    for scenario in scenarios:
        inquiry, seen = pose(fit, region, scenario, source=source, seed=window.seed)
        answers.append(_answer(inquiry, fit, seen))
        maps.append(_assurance_map(inquiry, seen, names))
    return replace(window, answers=tuple(answers), maps=tuple(maps), findings=tuple(findings))


def _answer(inquiry: Inquiry, fit: Fit, seen: Assurance) -> Answer:
    """Answer for one position."""
    ruling = apply_rules(inquiry)
    if ruling.checked is None:
        return Answer(
            inquiry.scenario.position,
            searched_at=ruling.searched_at,
            nearest=explain(inquiry, ruling, seen.expected, seen.low, more_welds=usual_round(fit.results)),
            lesser=lesser_window(inquiry),
            not_contradicted=ruling.not_contradicted,
            findings=ruling.findings,
            stage=FINDING_STAGE,
        )
    checked = ruling.checked
    shifted = shifted_claims(inquiry, checked, ruling.searched_at, bits=ruling.bits)
    others = tuple(f for f in fit.responses if not f.response.has_requirement)
    best = best_setting(inquiry, checked, others)
    untold = [f.name for f in others if f.model is not None and f.name not in best.responses]
    return Answer(
        inquiry.scenario.position,
        box=checked.box,
        searched_at=ruling.searched_at,
        single_setting=is_single_setting(inquiry.region.study, checked.box),
        limited_by=ruling.limited_by,
        best=best,
        working=_working(find_working_box(inquiry), inquiry.reliability),
        findings=(
            *ruling.findings,
            *_box_findings(fit, inquiry.region, checked.box),
            *halved_sentences(inquiry.region.study, shifted),
            *(untold_sentence(name) for name in untold),
        ),
        shifted=shifted,
        prior_lines=shift_sentences(inquiry.region.study, checked.box, shifted),
        stage=checked.stage,
    )


def _working(found: tuple[SettingBox, float] | None, reliability: float) -> WorkingRegion | None:
    """Make the working region."""
    if found is None:
        return None
    return WorkingRegion(found[0], found[1], reliability - FLOOR_BELOW)


def _box_findings(fit: Fit, region: WeldedRegion, box: SettingBox) -> list[str]:
    """Say what is doubtful about a box: corners outside the hull of the welds, sides narrower than the wander."""
    ends = corners(box.low, box.high)
    outside = ends[outside_hull(fit.results, ends)]
    findings = narrow_sentences(region.study, box)
    if len(outside):
        findings.append(outside_sentence(region.study, outside))
    return findings


def _assurance_map(inquiry: Inquiry, seen: Assurance, names: tuple[str, ...]) -> AssuranceMap:
    """Lay the exploring draws' assurance over the grid."""
    reachable = inquiry.region.reachable

    def over_grid(values: FloatArray) -> FloatArray:
        grid = np.full(reachable.shape, np.nan)
        grid[reachable] = values
        grid.setflags(write=False)
        return grid

    return AssuranceMap(
        inquiry.scenario.position,
        over_grid(seen.expected),
        over_grid(seen.low),
        over_grid(seen.holds[0].mean(axis=1)),
        {name: over_grid(passes) for name, passes in zip(names, seen.passes, strict=True)},
    )
