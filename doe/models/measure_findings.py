"""What has to be said about the readings of a measure: refusals, findings, assumptions.

The sentences of METHOD.md section 6 that concern measures, and of TRAPS 20 to 25 and 35.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from doe.bench.results import Measurement, Results
from doe.bench.zeros import hiding_zeros
from doe.coding import Coding, FloatArray
from doe.models.measure_posterior import MeasurePosterior
from doe.models.surface import count_levels
from doe.models.usable import LEAST_READING_DF, Usable, has_repeats
from doe.study.model import LEAST_READINGS, Response

LEAST_SEEN: Final = 2
"""Fewest readings below ``full`` from which a scatter can be told."""
THIRD_ORDER_SHARE: Final = 0.6
"""Share of the posterior on the widest third-order prior (1/3 before any reading) that is worth a warning.
Seen by simulation: about 2 in 100 quadratic truths come above it, at 12 to 24 welds."""
CONFLICT: Final = 0.95
"""Probability with which the scatter seen lies to one side of the scatter stated before that is said."""
SUSPECT_WEIGHT: Final = 0.4
"""A reading trusted less than this, where errors are Student's t, is asked about: about three scatters off."""
NAMED: Final = 6
"""Most welds named in a sentence."""


def refusal_of(response: Response, usable: Usable) -> str:
    """Say why nothing can be estimated, or nothing where it can."""
    name, seen = response.name, usable.y[~usable.censored]
    if usable.n == 1:
        return f"Only one weld has a reading of {name}; no model can be fitted to it."
    if len(seen) < LEAST_SEEN:
        return (
            f"{name} only says “at least this much” on {usable.n - len(seen)} of {_count(usable.n, 'weld')}: too few "
            "are left to fit a model to. Judge it as pass or fail instead."
        )
    if np.ptp(seen) <= 1e-12 * np.abs(seen).max():
        value = _with_unit(seen[0], response)
        return f"All readings of {name} are equal ({value}): check the unit and how finely it was read."
    return ""


def is_scatter_known(results: Results, response: Response, usable: Usable) -> bool:
    """Whether the repeat scatter was stated, or can be told from enough readings with repeats among them."""
    return response.expect_scatter is not None or (usable.n >= LEAST_READINGS and _repeated(results, usable))


def _repeated(results: Results, usable: Usable) -> bool:
    return has_repeats(results.study.coding.to_coded(results.settings)[usable.used])


def assumptions_of(results: Results, response: Response, usable: Usable) -> tuple[str, ...]:
    """List what was assumed and not measured."""
    assumptions = []
    if response.expect_scatter is not None:
        source = f" (from {response.scatter_from})" if response.scatter_from else ""
        stated = f"s0 = {_with_unit(response.expect_scatter, response)}{source}, worth one weld."
        assumptions.append(
            f"Repeat scatter of {response.name} from earlier work was taken in: {stated}"
            if _repeated(results, usable)
            else f"Repeat scatter of {response.name} was not measured but assumed: {stated}"
        )
    if response.errors == "student t":
        assumptions.append(
            f"Errors of {response.name} are Student’s t (4 degrees of freedom), not normal: a gross misreading pulls "
            "less, and is not taken for a weld. This belongs before the readings; chosen after they were seen, it has "
            "to be reported."
        )
    if any(results.status[i] in {"aborted", "scrapped"} for i in _missing(results, usable)):
        assumptions.append(
            f"Where an aborted or scrapped weld has no reading of {response.name}, what stopped it (a trip, say) "
            f"did not depend on what {response.name} would have been."
        )
    if not any(results.block) and len(set(results.file)) > 1:
        assumptions.append(
            f"A shift of {response.name} between the stages was allowed for. Where days or spools differ, name them "
            "in a block column: without one, days to come are taken to scatter no more than welds and plates do."
        )
    return tuple(assumptions)


def findings_of(results: Results, posterior: MeasurePosterior, usable: Usable) -> tuple[str, ...]:
    """List every doubt about the fit, in plain sentences."""
    response = posterior.response
    return tuple(
        itertools.chain(
            _too_little(results, response, usable),
            _missing_readings(results, response, usable),
            _at_limit(response, usable),
            _at_zero(results, response, usable),
            _cuts(response, usable),
            _studied(response, usable),
            _layout(results, usable),
            scatter_conflict(posterior),
            _shape(posterior, usable),
        )
    )


def suspects_of(
    results: Results, response: Response, usable: Usable, fitted: FloatArray, weights: FloatArray
) -> tuple[str, ...]:
    """Ask about readings far from what the other welds say; shape (n,) each; they are kept, never dropped."""
    welds = np.array(results.weld)[usable.used]
    return tuple(
        f"{welds[i]} reads {_with_unit(usable.y[i], response)} where the other welds say about "
        f"{_with_unit(fitted[i], response)}: was it misread? It was kept, with little weight."
        for i in np.flatnonzero(weights < SUSPECT_WEIGHT)
    )


def _too_little(results: Results, response: Response, usable: Usable) -> Iterator[str]:
    if response.expect_scatter is not None:
        return
    if usable.n < LEAST_READINGS:
        yield (
            f"{response.name} was read on {_count(usable.n, 'weld')} only. With fewer than {LEAST_READINGS}, the "
            "repeat scatter must be stated (`expect_scatter`) before anything can be claimed."
        )
    if not _repeated(results, usable):
        yield (
            f"No two welds with a reading of {response.name} were made alike: repeat scatter was not measured. State "
            "it (`expect_scatter`) or repeat a setting before anything can be claimed."
        )


def _missing(results: Results, usable: Usable) -> list[int]:
    asked = ~usable.used & ~results.is_second
    return [i for i, status in enumerate(results.status) if status != "not run" and asked[i]]


def _missing_readings(results: Results, response: Response, usable: Usable) -> Iterator[str]:
    missing = [results.weld[i] for i in _missing(results, usable)]
    if missing:
        n_made = usable.n + len(missing)
        yield f"{response.name} has no reading on {len(missing)} of {n_made} welds made ({_listed(missing)})."


def _at_limit(response: Response, usable: Usable) -> Iterator[str]:
    n_censored = int(usable.censored.sum())
    if n_censored:
        yield (
            f"{response.name} only says “at least this much” on {n_censored} of {_count(usable.n, 'weld')}; it entered "
            "as such."
        )
        if response.at_most is None and response.at_least is not None:
            yield (
                f"Such a weld meets “at least {_with_unit(response.at_least, response)}”. If going right through is a "
                "failure, give the response an upper limit (`at_most`) as well."
            )
    if response.at_most is not None and response.full is not None and response.at_most > response.full:
        yield (
            f"The upper limit {_with_unit(response.at_most, response)} lies above the largest value that can be read "
            f"({_with_unit(response.full, response)}): whether it is met rests on the model alone."
        )


def _at_zero(results: Results, response: Response, usable: Usable) -> Iterator[str]:
    """Say how many zeros entered as numbers, and which way that leans.

    Made studies of 16 welds with one such zero each: the mean there came out about 0.4 too high, the scatter between
    welds 7 % too small, and the bound of the assurance near the limit .02 to .03 higher than with the minus.
    """
    readings = results.readings[response.name]
    n = int(hiding_zeros(readings, response)[usable.used].sum()) if isinstance(readings, Measurement) else 0
    if n:
        yield (
            f"{response.name} reads 0 on {n} of {_count(usable.n, 'weld')}, and that entered as exactly 0. Where it "
            "stands for “nothing there”, it hides by how much the weld falls short: settings like it look better, and "
            "welds more alike, than they are, so a claim leans to the hopeful side. Write the shortfall as a minus "
            "where it can be measured."
        )


def _studied(response: Response, usable: Usable) -> Iterator[str]:
    """Say what the reading study gave, and what became of it."""
    found = usable.studied
    if found is None:
        return
    known = f"The reading study found that readings of one section scatter by {_with_unit(found.sd, response)}"
    if usable.reading_sd is not None and usable.reading_df >= LEAST_READING_DF:
        yield f"{known} (one standard deviation); the cuts of these welds went before it."
        return
    held = _with_unit(found.proven_variance**0.5, response)
    yield (
        f"{known} (one standard deviation, {found.n_sections} sections). The {held} of it that is held with the "
        "claim’s confidence was taken off the scatter between welds, down to a quarter of it at most."
    )


def _cuts(response: Response, usable: Usable) -> Iterator[str]:
    if usable.reading_sd is None:
        return
    taken = (
        "It was taken off the scatter between welds."
        if usable.reading_df >= LEAST_READING_DF
        else "Too few welds have a second cut to take it off the scatter between welds."
    )
    yield (
        f"Cuts of one weld differ by {_with_unit(usable.reading_sd, response)} (one standard deviation). They are "
        f"sub-samples of that weld and not repeats. {taken}"
    )
    if response.has_requirement:
        yield (
            f"{response.name} is judged by the mean of a weld's cuts. Where the worst point counts (an undercut, the "
            "smaller leg), enter the worst reading of each weld alone."
        )


def _layout(results: Results, usable: Usable) -> Iterator[str]:
    """Say what the layout of plates and levels cannot tell."""
    coded = results.study.coding.to_coded(results.settings)[usable.used]
    for j, factor in enumerate(results.study.factors):
        if count_levels(coded[:, j]) < 2:
            yield f"{factor.name} was welded at one level only: what it does elsewhere rests on the prior."
    plates = [label for label, used in zip(results.plate, usable.used, strict=True) if used]
    hard = [j for j, factor in enumerate(results.study.factors) if factor.hard_to_change]
    levels = {tuple(row) for row in np.round(results.planned[usable.used][:, hard], 9)}
    if hard and len(set(plates)) < len(plates) and len(set(plates)) <= len(levels):
        names = " and ".join(results.study.factors[j].name for j in hard)
        yield f"Plate-to-plate scatter cannot be told from {names}; it was taken from the prior."


def scatter_conflict(posterior: MeasurePosterior) -> Iterator[str]:
    """Say so where the welds scatter otherwise than was stated beforehand."""
    stated = posterior.response.expect_scatter
    if stated is None:
        return
    larger = float(np.mean(posterior.weld_sd > stated))
    if not 1.0 - CONFLICT < larger < CONFLICT:
        yield (
            f"Welds of this study scatter {'more' if larger > 0.5 else 'less'} than was stated: "
            f"{_with_unit(posterior.weld_sd.mean(), posterior.response)} against "
            f"{_with_unit(stated, posterior.response)}. Check where `expect_scatter` comes from."
        )


def _shape(posterior: MeasurePosterior, usable: Usable) -> Iterator[str]:
    name = posterior.response.name
    if float(posterior.third_order.mean()) > THIRD_ORDER_SHARE:
        yield (
            f"A surface of second order hardly describes {name}: it bends more sharply somewhere. There the "
            "confidence band may be too narrow; more welds around the bend would help."
        )
    X = posterior.surface.matrix(_ends_and_middles(posterior.surface.coding))
    lowest = (X @ posterior.coefficients.mean(axis=0)).min()
    if lowest < 0.0 <= usable.y.min():
        yield f"The fitted {name} falls below 0 at some settings: read it there as “little or none”."


def _ends_and_middles(coding: Coding) -> FloatArray:
    """Give every combination of the ends and the middle of each range, and of kinds; natural."""
    levels = [range(len(f.kinds)) if f.is_kind else (-1.0, 0.0, 1.0) for f in coding.factors]
    return coding.to_natural(np.array(list(itertools.product(*levels)), dtype=float))


def _with_unit(value: float, response: Response) -> str:
    return f"{value:.3g} {response.unit}".strip()


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _listed(names: Sequence[str]) -> str:
    more = len(names) - NAMED
    return ", ".join(names[:NAMED]) + (f" and {more} more" if more > 0 else "")
