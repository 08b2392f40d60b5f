"""What the engineer's part says of each response's model: numbers, tables, residuals, doubts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.errors import CannotAnswerError
from doe.models.diagnostics import Diagnosis
from doe.models.fit import ResponseFit
from doe.models.influence import Influence
from doe.models.textbook import fit_textbook
from doe.report.drawing import Drawn, residual_figure
from doe.report.formatting import number, quantity, setting
from doe.study.model import Study
from doe.units import printed_unit
from doe.window.window import ShiftedClaim
from doe.window.words import at_least, level

MOVERS: Final = 8
"""Welds in the table of influence: those that move the fit furthest."""
NAMED: Final = {
    "residual_df": "Residual degrees of freedom, readings less effective terms",
    "third_order_share": "Share of the posterior at the widest prior for third-order terms (prior: 1/3)",
    "dispersion": "Dispersion phi, variance = mean + phi mean²",
    "inspected_mm": "Length inspected in all",
    "effective_draws": "Effective sample size of the draws",
    "scale": "Scale, reciprocal of the Weibull shape",
    "separated": "Trips or passes divided by a plane through the settings (separation)",
    "trips": "Trips",
    "passed": "Welds that passed",
    "other_cause": "Chance that trips have another cause than the load",
}
"""What the single numbers of a fit are."""


@dataclass(frozen=True)
class Table:
    """A table with a sentence above it; the first cell of a row names it."""

    words: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, eq=False)
class ModelPart:
    """One response's model, for the engineer."""

    name: str
    method: str
    notes: tuple[str, ...]
    tables: tuple[Table, ...]
    figures: tuple[Drawn, ...]
    findings: tuple[str, ...]


def model_part(
    part: ResponseFit, results: Results, diagnosis: Diagnosis | None, shifted: Sequence[ShiftedClaim] = ()
) -> ModelPart:
    """Gather one response's model for the engineer.

    Parameters
    ----------
    part : ResponseFit
    results : Results
    diagnosis : Diagnosis or None
        What the checks say of it.
    shifted : sequence of ShiftedClaim
        What would be left of the claim under other priors, of any response.
    """
    notes, doubts = (diagnosis.notes, diagnosis.findings) if diagnosis else ((), ())
    residuals = diagnosis.residuals if diagnosis else None
    influence = diagnosis.influence if diagnosis else None
    tables = [_terms(part, results.study), *_influence(influence), *sensitivity_tables(part, results.study)]
    tables += _claim_sensitivity([claim for claim in shifted if claim.response == part.name])
    handbook, handbook_notes = _handbook(part, results)
    return ModelPart(
        name=part.name,
        method=part.method,
        notes=(*_number_lines(part, results.study), *notes, *handbook_notes),
        tables=(*tables, *handbook),
        figures=() if residuals is None else (residual_figure(part, residuals, results.study),),
        findings=tuple(dict.fromkeys((*part.findings, *doubts))),
    )


def _terms(part: ResponseFit, study: Study) -> Table:
    """Print the coefficients, of the coded factors and in the unit the readings were taken in."""
    sure = level(study.claim.confidence)
    rows = ((t.term, *(number(v, 4) for v in (t.estimate, t.se, t.low, t.high))) for t in part.terms)
    scale = {
        "measure": f"{part.name}, {printed_unit(part.response.unit)}".rstrip(", "),
        "count": f"log of the mean of {part.name}",
        "trip": "log of the median time to trip, s",
        "pass": f"logit of the chance of {part.name}",
    }[part.kind]
    coded = "; ".join(_coding_words(study))
    return Table(
        f"Terms of the coded factors ({coded}), on the scale of: {scale}. Estimate and standard error are posterior "
        "mean and standard deviation.",
        ("term", "estimate", "standard error", f"low {sure}", f"high {sure}"),
        tuple(rows),
    )


def _coding_words(study: Study) -> Iterable[str]:
    """Say what −1 and 1 of each coded factor are."""
    for factor, coding in zip(study.factors, study.coding.factors, strict=True):
        if factor.is_kind:
            yield f"{factor.name}: differences from {factor.kinds[0]}"
        elif coding.by:
            yield f"{factor.name}: −1 to 1 over each kind’s own range"
        else:
            low, high = coding.centre - coding.half, coding.centre + coding.half
            yield f"{factor.name}: −1 at {number(low, 4)}, 1 at {number(high, 4)} {printed_unit(factor.unit)}".rstrip()


def _number_lines(part: ResponseFit, study: Study) -> Iterable[str]:
    """Print scatter by source and the single numbers of a fit, in the response's own unit as the terms beside them."""
    yield f"{part.n} welds entered."
    unit = part.response.unit
    for key, value in part.numbers.items():
        if key == "spread" and isinstance(value, dict):
            sds = ", ".join(
                f"between {name}s {number(float(sd))} {printed_unit(unit)}".rstrip()
                for name, sd in value.items()
                if sd is not None
            )
            missing = [f"{name}s" for name, sd in value.items() if sd is None]
            unknown = f" Between {' and '.join(missing)}: not told apart by these welds." if missing else ""
            yield f"Scatter by source, one standard deviation: {sds}.{unknown}"
        elif key == "covariates" and isinstance(value, dict):
            sds = ", ".join(
                f"{number(float(sd))} {printed_unit(unit)}".rstrip() + f" from {name}" for name, sd in value.items()
            )
            yield f"Within the scatter between welds: {sds}. It stays in the claim."
        elif key == "inspected_mm" and isinstance(value, int | float):
            yield f"{NAMED[key]}: {quantity(value, 'mm', study.units, digits=4)}."
        elif isinstance(value, bool):
            yield f"{NAMED.get(key, key)}: {'yes' if value else 'no'}."
        elif isinstance(value, int | float):
            yield f"{NAMED.get(key, key)}: {number(float(value), 4)}."


def _influence(influence: Influence | None) -> Iterable[Table]:
    """Print the welds that move the fit furthest."""
    if influence is None:
        return
    order = np.argsort(-np.abs(influence.shift), kind="stable")[:MOVERS].tolist()
    rows = tuple(
        (
            influence.weld[i],
            number(float(influence.shift[i]), 2),
            f"{influence.term[i]} by {number(float(influence.term_shift[i]), 2)}",
            "–" if np.isnan(influence.surprise[i]) else number(float(influence.surprise[i]), 2),
        )
        for i in order
    )
    words = (
        "Influence: what each weld moves. Fitted mean at the setting named above without the weld, less that with it; "
        "the coefficient it moves furthest, both in standard errors; and how likely the other welds make a reading as "
        "far off."
    )
    yield Table(words, ("without weld", "mean moves by", "coefficient moved furthest", "chance of as far off"), rows)


def sensitivity_tables(part: ResponseFit, study: Study) -> Iterable[Table]:
    """Print how the answer at one setting moves when an assumption is shifted."""
    found = part.numbers.get("sensitivity")
    if not isinstance(found, dict):
        return
    at = ", ".join(
        f"{f.name} {found['at'][f.name] if f.is_kind else setting(f, float(found['at'][f.name]))}"
        for f in study.factors
    )
    rows = tuple((str(e["assumption"]), at_least(e["expected"]), at_least(e["low"])) for e in found["effects"])
    words = (
        f"Prior sensitivity: the chance of meeting the requirement at {at}, the tested setting where it is nearest to "
        "what is asked, with each assumption shifted in turn."
    )
    yield Table(words, ("assumption", "expected", "held with the claim’s confidence"), rows)


def _claim_sensitivity(shifted: Sequence[ShiftedClaim]) -> Iterable[Table]:
    """Print what would be left of the claim when an assumption is shifted."""
    if not shifted:
        return
    rows = tuple(
        (
            claim.assumption,
            "–" if claim.confidence is None else at_least(claim.confidence),
            "–" if claim.size_left is None else number(claim.size_left, 2),
            f"{claim.effective_draws:.0f}",
        )
        for claim in shifted
    )
    words = (
        "Prior sensitivity of the claim: the confidence in the same window with each assumption shifted in turn, the "
        "claim’s draws weighed again; the size of the largest window then, over that of the claimed one; and how many "
        "equal draws the reweighted ones are worth. A dash: not sought, or too few draws to say."
    )
    yield Table(words, ("assumption", "confidence", "size left", "effective draws"), rows)


# --- the handbook's fit beside ours


def _handbook(part: ResponseFit, results: Results) -> tuple[Sequence[Table], Sequence[str]]:
    """Print the handbook's analysis of variance of a measure, and what it says of lack of fit."""
    if part.kind != "measure" or part.model is None:
        return (), ()
    try:
        fit = fit_textbook(results, part.response, level=results.study.claim.confidence)
    except CannotAnswerError as error:
        return (), (f"The handbook’s fit of {part.name} cannot be made: {error.message}.",)
    anova = fit.numbers.get("anova")
    if not isinstance(anova, list):
        return (), ()
    r2 = ", ".join(
        f"{name} {number(float(value), 2)}"
        for name, value in (
            ("R²", fit.numbers.get("r2")),
            ("adjusted", fit.numbers.get("adjusted_r2")),
            ("predicted", fit.numbers.get("predicted_r2")),
        )
        if isinstance(value, float)
    )
    words = f"The handbook’s analysis of variance, without prior information: {fit.method}. {r2}."
    rows = tuple(
        (str(row["source"]), *(_cell(row[key]) for key in ("df", "denominator_df", "ss", "f", "p"))) for row in anova
    )
    heads = ("source", "degrees of freedom", "against", "sum of squares", "F", "p")
    return (Table(words, heads, rows),), (_lack_of_fit(part.name, fit.numbers.get("lack_of_fit")),)


def _cell(value: object) -> str:
    return number(float(value), 3) if isinstance(value, int | float) else "–"


def _lack_of_fit(name: str, found: object) -> str:
    """Say what the F test of lack of fit says, or why there is none and what stands for it."""
    if isinstance(found, dict):
        df = found["df"]
        return (
            f"Lack of fit of {name} against pure error, the handbook’s test: F = {number(float(found['f']))} on "
            f"{df[0]} and {df[1]} degrees of freedom, p = {number(float(found['p']), 2)}."
        )
    return (
        f"Lack of fit of {name}: there is no pure error to test it against (too few welds were made alike on plates of "
        "their own). The prediction of left-out welds, the curve of another shape and the share of third-order terms "
        "above stand for it."
    )
