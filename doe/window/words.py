"""The window in plain sentences: marks first, units next, plain frequencies, caveats short.

Bounds round inwards, and a probability below 1 is never printed as 1.
"""

from __future__ import annotations

import math
from typing import Final

from doe.coding import FloatArray
from doe.models.fit import Fit, ResponseFit
from doe.study.model import Claim, Factor, Response, Study
from doe.units import printed_unit
from doe.window.cool_down import cool_down_assumptions, cool_down_sentence
from doe.window.window import Answer, BestSetting, Nearest, SettingBox, Window

CLAIM_DENOMINATORS: Final = (20, 10, 5, 50, 100)
LESSER_DENOMINATORS: Final = (5, 10, 20, 50, 100)
"""Of how many welds a share is told, the first that makes it exact: 18 of 20 for the claim, 4 of 5 for less."""
POSITIONS: Final = {
    "any": "first and later welds alike",
    1: "first welds of a plate",
    2: "later welds, on a warm plate",
}
"""How the welds an answer is for are named, where there are several answers."""


def frequency(share: float, denominators: tuple[int, ...] = CLAIM_DENOMINATORS) -> str:
    """Tell a share as so many of so many, in per cent where none of the denominators makes it exact.

    Examples
    --------
    >>> frequency(0.9), frequency(0.8, LESSER_DENOMINATORS), frequency(0.99), frequency(0.925)
    ('18 of 20', '4 of 5', '99 of 100', '92.5 %')
    """
    for n in denominators:
        whole = round(share * n)
        if math.isclose(whole, share * n, abs_tol=1e-9) and 0 < whole < n:
            return f"{whole} of {n}"
    return level(share)


def level(share: float) -> str:
    """Print a level that was asked for, as it was asked: ``90 %``, ``99.9 %``."""
    return f"{share * 100:.10g} %"


def at_least(probability: float, *, asked: float = 0.0) -> str:
    """Print a probability in whole per cent, rounded down; in tenths where what was asked for has tenths.

    Examples
    --------
    >>> at_least(0.9283, asked=0.925), at_least(0.9283, asked=0.9)
    ('92.8 %', '92 %')
    >>> at_least(0.9999), at_least(0.935), at_least(0.004), at_least(0.0), at_least(1.0)
    ('over 99 %', '93 %', 'under 1 %', '0 %', '100 %')
    """
    if probability >= 1.0 or probability <= 0.0:
        return "100 %" if probability >= 1.0 else "0 %"
    if probability > 0.99:
        return "over 99 %"
    if not math.isclose(asked * 100, round(asked * 100), abs_tol=1e-6):
        return f"{math.floor(probability * 1000 + 1e-9) / 10:.1f} %"
    whole = math.floor(probability * 100 + 1e-9)
    return f"{whole} %" if whole else "under 1 %"


def value_words(factor: Factor, value: float) -> str:
    """Tell one factor's setting: the mark first, its value behind.

    Examples
    --------
    >>> value_words(Factor("voltage", unit="V", values=(17.0, 18.4), marks=("1", "2")), 18.4)
    '2 (18.4 V)'
    """
    if factor.is_kind:
        return factor.kinds[round(value)]
    mark = factor.mark_at(value)
    number = _with_unit(factor, f"{value:.12g}")
    if mark is None:
        return number
    return f"{mark} ({number})" if factor.calibrated else mark


def _with_unit(factor: Factor, number: str) -> str:
    """Put the unit behind a number."""
    return f"{number} {'' if factor.unit == 'mark' else printed_unit(factor.unit)}".rstrip()


def setting_words(study: Study, natural: tuple[float, ...]) -> str:
    """Tell a whole setting."""
    pairs = zip(study.factors, natural, strict=True)
    return ", ".join(f"{factor.name} {value_words(factor, value)}" for factor, value in pairs)


def box_words(study: Study, box: SettingBox, *, leave_out: str = "") -> str:
    """Tell a box: ``voltage 2 to 4 (18.4 to 21.1 V), feed 5.5 to 7 m/min, preheat 70 °C``; a factor may be left out."""
    sides = [(f, low, high) for f, low, high in zip(study.factors, box.low, box.high, strict=True)]
    return ", ".join(_range_words(f, low, high) for f, low, high in sides if f.name != leave_out)


def _range_words(factor: Factor, low: float, high: float) -> str:
    """Tell one factor's range."""
    if factor.is_kind or low == high:
        return f"{factor.name} {value_words(factor, low)}"
    numbers = _with_unit(factor, f"{low:.12g} to {high:.12g}")
    if not factor.marks:
        return f"{factor.name} {numbers}"
    marks = f"{factor.mark_at(low)} to {factor.mark_at(high)}"
    return f"{factor.name} {marks} ({numbers})" if factor.calibrated else f"{factor.name} {marks}"


def frequency_sentence(claim: Claim, *, single: bool) -> str:
    """Say what the claim means to a welder."""
    here = "made at this setting" if single else "made in here"
    return (
        f"In the long run at least {frequency(claim.reliability)} welds {here} meet every requirement; "
        f"we are {level(claim.confidence)} sure."
    )


def claimed_name(answer: Answer) -> str:
    """Name what is claimed: a window, or something too narrow to be called one."""
    if not answer.single_setting:
        return "Setting window"
    return (
        "One setting can be claimed, not a window"
        if answer.is_one_setting
        else ("A few settings can be claimed, too narrow to be called a window")
    )


def claim_sentence(window: Window, answer: Answer) -> str:
    """Say the claim in full (METHOD section 6)."""
    where = "this setting" if answer.is_one_setting else "every dial setting in this box"
    weld = {"any": "a weld", 1: "a first weld", 2: "a later weld"}[answer.position] + " on a new plate"
    given = "the model" if window.method == "textbook" else "the model and the stated priors"
    sentence = (
        f"Given {given}, the confidence is at least {level(window.claim.confidence)} that at "
        f"{where} {weld} meets all requirements with probability at least {level(window.claim.reliability)}."
    )
    return " ".join([sentence, *left_out_sentences(window)])


def left_out_sentences(window: Window) -> list[str]:
    """Name the requirements that are not part of the claim."""
    return [f"{name} was not measured: its requirement is not part of this claim." for name in window.left_out]


def limit_sentences(study: Study, answer: Answer) -> list[str]:
    """Say what limits each side of the window, what fails first and the region last."""
    sides: dict[str, list[str]] = {}
    for side, by in answer.limited_by.items():
        name, _, end = side.rpartition(".")
        if len(study.factor(name).values) > 1:
            sides.setdefault(by, []).append(f"{'higher' if end == 'high' else 'lower'} {name}")
    region = sides.pop("region", [])
    sentences = [f"{by} limits towards {', '.join(found)}." for by, found in sides.items()]
    if region:
        sentences.append(
            f"Limited by the region, not by failure, towards {', '.join(region)}: beyond it nothing was tested."
        )
    return sentences


def best_sentence(study: Study, best: BestSetting) -> str:
    """Say where to set the dials."""
    expected, low = at_least(best.assurance.expected), at_least(best.assurance.low)
    return (
        f"Best setting: {setting_words(study, best.settings)}. There {expected} of welds are expected to meet every "
        f"requirement; with the stated confidence it is no less than {low.removeprefix('over ')}."
    )


def window_sentences(window: Window, answer: Answer) -> list[str]:
    """Say everything about one position's answer, the most important first."""
    box, best = answer.box, answer.best
    if box is None or best is None:
        return none_sentences(window, answer)
    study = window.study
    name = claimed_name(answer)
    whom = _whom(window, answer)
    sentences = [
        f"{name}{whom}: {box_words(study, box)}.",
        frequency_sentence(window.claim, single=answer.is_one_setting),
        best_sentence(study, best),
        claim_sentence(window, answer),
    ]
    if answer.position == 1 and (rule := cool_down_sentence(window)):
        sentences.append(rule)
    sentences += limit_sentences(study, answer)
    if answer.working is not None:
        bad = max(math.ceil(answer.working.expected_bad_share * 100 - 1e-9), 1)
        sentences.append(
            f"Working region, where most settings are good, not all: {box_words(study, answer.working.box)}; about "
            f"{bad} % of its settings fall short of {frequency(window.claim.reliability)}, none is expected below "
            f"{level(answer.working.floor)}."
        )
    return [*sentences, *answer.findings, *answer.prior_lines, not_tested_sentence()]


def _whom(window: Window, answer: Answer) -> str:
    """Name the welds an answer is for, where there are several answers."""
    return f" for {POSITIONS[answer.position]}" if len(window.answers) > 1 else ""


def none_sentences(window: Window, answer: Answer) -> list[str]:
    """Say what can be said where there is no window (METHOD section 6, "No window", 1 to 5)."""
    claim, nearest = window.claim, answer.nearest
    if nearest is not None and nearest.reason == "no requirement":
        return [*window.findings]
    whom = _whom(window, answer)
    sentences = [
        f"With these {window.n_welds} welds no setting can be claimed{whom}: there is none where we are "
        f"{level(claim.confidence)} sure that at least {frequency(claim.reliability)} welds meet every requirement.",
        *answer.findings,
    ]
    if nearest is not None:
        sentences += _nearest_sentences(window, answer, nearest)
    if answer.lesser is not None:
        sentences.append(f"At least 4 of 5 welds can be claimed for {box_words(window.study, answer.lesser)}.")
    return [*sentences, *left_out_sentences(window)]


def untold_sentence(name: str) -> str:
    """Say that nothing is told of a response without a requirement, as its draws did not settle."""
    return f"The fit of {name} did not settle when it was worked out anew, so what to expect of it is not told."


def no_requirement_sentences(study: Study) -> tuple[str, str]:
    """Say that nothing was asked of any response, and how it is asked in the study's own words.

    Examples
    --------
    >>> from doe.study.model import Response
    >>> print(no_requirement_sentences(Study("Lugs", (), (Response("width", "measure", "mm"),)))[1])
    To ask for one, write in study.toml what a good weld must meet: under width at_least or at_most, a number in mm. \
Then ask for the report again: the welds stay as they are.
    """
    asked = "; ".join(f"under {response.name} {_requirement_keys(response)}" for response in study.responses)
    return (
        "No requirement is set on any response, so there is no window to ask for: nothing says yet what a good weld "
        "must meet.",
        f"To ask for one, write in study.toml what a good weld must meet: {asked}. Then ask for the report again: the "
        "welds stay as they are.",
    )


def _requirement_keys(response: Response) -> str:
    """Name the keys that ask something of a response, and what stands there."""
    if response.kind == "trip":
        return 'hold, the arc time the supply must hold, as in hold = "30 s"'
    if response.kind == "count":
        return f"at_most, a number in {response.per_text}" if response.per_text else "at_most, a number"
    return (
        f"at_least or at_most, a number in {printed_unit(response.unit)}"
        if response.unit
        else "at_least or at_most, a number"
    )


def nothing_measured_sentence() -> str:
    """Say that none of what the welds must meet was measured."""
    return "No response with a requirement was measured on these welds, so nothing can be said of any setting."


def _nearest_sentences(window: Window, answer: Answer, nearest: Nearest) -> list[str]:
    """Say whether this is knowledge or ignorance, what could be claimed at the best candidate, and what to do next."""
    if nearest.settings is None:
        return list(window.findings)
    study, candidate = window.study, setting_words(window.study, nearest.settings)
    if nearest.reason == "data speak against":
        sentences = [f"The data speak against any such setting in the region; the best candidate is {candidate}."]
    else:
        of = f"that {frequency(window.claim.reliability)} are good"
        sure = "" if nearest.chance is None else f"; there we are {at_least(nearest.chance)} sure {of}"
        sentences = [f"The data neither show nor exclude one; the best candidate is {candidate}{sure}."]
    sentences.append(f"What limits most there: {nearest.limiting}.")
    if nearest.reliability_claimable is not None:
        share = frequency(nearest.reliability_claimable, LESSER_DENOMINATORS)
        sentences.append(
            f"What can be claimed at that setting: at least {share} welds meet every requirement; "
            f"we are {level(window.claim.confidence)} sure."
        )
    elif nearest.assurance is not None and nearest.assurance.low < 0.5:
        sentences.append("Nothing can be claimed at that setting, not even 1 of 2.")
    if answer.not_contradicted is not None:
        sentences.append(f"Not contradicted, and not claimed: {box_words(study, answer.not_contradicted)}.")
    where = "near the best candidate"
    one = nearest.more_welds == 1
    welds = "weld" if one else f"{nearest.more_welds} welds"
    if nearest.reason == "data speak against":
        sentences.append(f"If more is welded in this region, the next {welds} belong{'s' if one else ''} {where}.")
    else:
        sentences.append(f"The next {welds} should go {where}.")
    return sentences


def not_tested_sentence() -> str:
    """Say what the test welds say nothing about."""
    return (
        "Not tested: any other joint, thickness, material, wire, gas, welding position, outlet or cord than in these "
        "test welds. A coupon test qualifies neither a procedure nor a welder."
    )


def standing_assumptions(fit: Fit) -> tuple[str, ...]:
    """Give what every claim rests on: the responses' assumptions, and those of the claim itself where one is asked."""
    if not any(response.has_requirement for response in fit.results.study.responses):
        return tuple(dict.fromkeys(text for f in fit.responses for text in f.assumptions))
    own = [text for f in fit.responses if f.response.has_requirement for text in f.assumptions]
    standing = [
        "The claim is for a weld on a new plate, made as these test welds were: same joint, thickness, wire, travel "
        "speed, stick-out and supply.",
        *cool_down_assumptions(fit.results),
        "It holds given the models and the priors stated here.",
        "However the requirements hang together, the chances of failing them are added up, which is on the safe side.",
    ]
    return tuple(dict.fromkeys([*own, *standing]))


def assumed_in_short(fit: Fit) -> tuple[str, ...]:
    """Name what was said beforehand and not measured, of each response that is judged, in few words for the card."""
    judged = (response for response in fit.responses if response.response.has_requirement)
    return tuple(filter(None, (_assumed(response, fit.results.study) for response in judged)))


def _assumed(fit: ResponseFit, study: Study) -> str:
    """Name what was said beforehand about one response; empty where nothing was."""
    response, supply = fit.response, study.supply
    if fit.kind == "measure" and response.expect_scatter is not None:
        return f"scatter of {fit.name} {response.expect_scatter:.3g} {printed_unit(response.unit)}".rstrip()
    if fit.kind == "count" and "prior" in fit.numbers:
        return f"{fit.name} as answered" if fit.numbers["prior"] == "informed" else f"nothing known of {fit.name}"
    load = fit.conditions.get("load", "unknown")
    if fit.kind == "trip" and load != "unknown" and supply.breaker_a is not None:
        curve = f", curve {supply.curve}" if supply.curve else ""
        computed = ", load computed" if load == "computed" else ""
        return f"{supply.breaker_a:g} A breaker{curve}{computed}"
    if fit.kind == "pass":
        return f"{fit.name} on 4 of 5 welds"
    return f"a typical time to {fit.name}" if fit.kind == "trip" else ""


def outside_sentence(study: Study, outside: FloatArray) -> str:
    """Name a corner of the window that lies beyond the welds."""
    n = len(outside)
    which = "A corner" if n == 1 else f"{n} corners"
    verb = "lies" if n == 1 else "lie"
    example = setting_words(study, tuple(float(v) for v in outside[0]))
    return (
        f"{which} of the window {verb} inside the planned region but outside the settings that were welded "
        f"({example}): there the claim rests on the model."
    )


def thinned_sentence(study: Study, *, looked_at: int, checked: int) -> str:
    """Say how many settings were looked at, where there are too many to look at each."""
    n = math.prod(len(factor.positions) for factor in study.factors)
    return (
        f"The dials have {n:,} settings together: {looked_at:,} of them, evenly spread, were looked at, and up to "
        f"{checked:,} of those inside a window checked on fresh draws, its corners always. Between them the models are "
        "smooth."
    )


def narrow_sentences(study: Study, box: SettingBox) -> list[str]:
    """Say which sides are narrower than the dial can be held (two standard deviations of its wander)."""
    sentences = []
    for factor, low, high in zip(study.factors, box.low, box.high, strict=True):
        if factor.set_within > 0 and not factor.is_kind and high - low < 2 * factor.set_within - 1e-9:
            sentences.append(
                f"The window is narrower in {factor.name} than the dial can be held "
                f"(± {factor.set_within:g} {printed_unit(factor.unit)}".rstrip()
                + ")."
            )
    return sentences
