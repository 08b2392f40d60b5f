"""Requests that no plan can meet: each refused in one plain sentence that says what would work."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.planning.layout import Layout
from doe.planning.plan import setting_value
from doe.planning.posing import n_parameters, simpler_models
from doe.planning.region import is_empty, reachable_settings
from doe.planning.search_space import search_space
from doe.study.model import Factor, Study
from doe.terms import Term, model_matrix
from doe.units import printed_unit

ENOUGH_POINTS = 20_000
"""Settings of the region at which the rank of a model is judged. Our planning value."""


def check_region(study: Study) -> None:
    """Refuse limits that leave no setting to weld."""
    if is_empty(study):
        rules = ", ".join(f"“{limit.rule}”" for limit in study.limits) or "the ranges of the kinds"
        message = (
            f"No setting may be welded: {rules} leave{'s' if len(study.limits) == 1 else ''} nothing of the "
            "factors' ranges; loosen a limit or widen a range."
        )
        raise CannotAnswerError(message)


def check_levels(study: Study, terms: Sequence[Term]) -> None:
    """Refuse a power that a factor has too few values for: a square takes three."""
    levels = search_space(study).levels
    for factor, values in zip(study.factors, levels, strict=True):
        power = max((dict(term.powers).get(factor.name, 0) for term in terms), default=0)
        if len(values) <= power:
            raise CannotAnswerError(_too_few_levels(study, factor, len(values), power))


def _too_few_levels(study: Study, factor: Factor, n_values: int, power: int) -> str:
    """Word the refusal of a power."""
    shown = " and ".join(f"{setting_value(factor, v):g}" for v in factor.values) if n_values < 4 else ""
    unit = f" {printed_unit(factor.unit)}" if factor.unit else ""
    found = f" ({shown}{unit})" if shown else ""
    cure = "leave the term out" if study.plan.terms else "ask for model = “first order with products”"
    wanted = {2: "a third value", 3: "a fourth value"}.get(power, f"{power + 1} values")
    return (
        f"{factor.name} has only {n_values} value{'s' if n_values != 1 else ''}{found}, and {factor.name}^{power} "
        f"takes {power + 1}: give it {wanted}, or {cure}."
    )


def check_support(study: Study, terms: Sequence[Term]) -> None:
    """Refuse a model whose terms the region itself cannot tell apart, however many welds are made."""
    points = study.coding.to_coded(reachable_settings(study, at_most=ENOUGH_POINTS).points)
    X = model_matrix(tuple(terms), points, study.coding)
    lost = confounded_terms(X, terms)
    if lost:
        names = ", ".join(str(term) for term in lost)
        message = (
            f"Within the limits the settings cannot tell {names} from the other terms, however many welds are "
            "made: loosen a limit, give the factors more values, or leave the term out of the model."
        )
        raise CannotAnswerError(message)


def confounded_terms(X: FloatArray, terms: Sequence[Term]) -> tuple[Term, ...]:
    """Give the terms whose columns depend on the columns before them."""
    norms = np.linalg.norm(X, axis=0)
    scaled = X / np.where(norms > 0, norms, 1.0)
    if np.linalg.matrix_rank(scaled) == X.shape[1]:
        return ()
    ranks = [0] + [int(np.linalg.matrix_rank(scaled[:, : t + 1])) for t in range(X.shape[1])]
    return tuple(term for t, term in enumerate(terms) if ranks[t + 1] == ranks[t])


def check_number(study: Study, terms: Sequence[Term], layout: Layout) -> None:
    """Refuse more terms than welds."""
    needed = n_parameters(study, tuple(terms), layout)
    if needed > layout.n_welds:
        raise CannotAnswerError(_too_few_welds(study, terms, layout, needed))


def _too_few_welds(study: Study, terms: Sequence[Term], layout: Layout, needed: int) -> str:
    """Word the refusal of too few welds, with the largest model that would do."""
    extra = needed - len(terms)
    beside = f" (and {extra} more number{'s' if extra > 1 else ''} for blocks or position)" if extra else ""
    smaller = [
        (name, n)
        for name, model in simpler_models(study)
        if (n := n_parameters(study, model, layout)) <= layout.n_welds and len(model) < len(terms)
    ]
    cure = f", or ask for model = “{smaller[0][0]}”, which takes {smaller[0][1]}" if smaller else ""
    return (
        f"The model has {len(terms)} terms{beside} and takes at least {needed} welds, but only {layout.n_welds} "
        f"are planned: plan {needed} or more ({needed + 3} or more to see the scatter){cure}."
    )


def plate_terms(study: Study, terms: Sequence[Term]) -> tuple[Term, ...]:
    """Give the terms that are the same for every weld of a plate: the constant and those of held factors alone."""
    held = {factor.name for factor in study.factors if factor.hard_to_change}
    return tuple(term for term in terms if set(term.factors) <= held)


def has_enough_plates(study: Study, terms: Sequence[Term], layout: Layout) -> bool:
    """Tell whether plates outnumber what is judged by plates, so that their scatter can be told from it."""
    if not layout.shares_plates:
        return True
    return layout.n_plates > _judged_by_plates(study, terms, layout)


def _judged_by_plates(study: Study, terms: Sequence[Term], layout: Layout) -> int:
    """Count the terms and block differences that only plates can settle."""
    n_blocks = 1 if layout.block is None else len(np.unique(layout.block))
    return len(plate_terms(study, terms)) + n_blocks - 1


def check_plates(study: Study, terms: Sequence[Term], layout: Layout) -> None:
    """Refuse one plate a preheat level: plate-to-plate scatter cannot then be told from preheat."""
    if has_enough_plates(study, terms, layout):
        return
    held = [factor.name for factor in study.factors if factor.hard_to_change]
    judged, plates = _judged_by_plates(study, terms, layout), layout.n_plates
    most = int(np.bincount(layout.plate).max())
    what = " and ".join(held) or "the blocks"
    reason = (
        f"each {what} would stand on one plate, and a difference between plates would pass for {what}"
        if held or judged > 1
        else "one plate cannot show how plates differ"
    )
    message = (
        f"{layout.n_welds} welds at {most} a plate make {plates} plate{'s' if plates != 1 else ''}, too few: {reason}; "
        f"take at least {judged + 1} plates ({2 * judged} are better): {most * judged + 1} or more welds at {most} a "
        "plate, or fewer welds a plate."
    )
    raise CannotAnswerError(message)
