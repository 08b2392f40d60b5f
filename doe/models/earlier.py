"""Scatter carried over from an earlier study: ``expect_scatter = "../old-study"``.

What is carried is how much welds made alike scattered there, as they were read there: one standard deviation. Where
this study puts one weld on a plate, the scatter between its welds is also that between plates, so both are carried.
It enters as any stated scatter does, worth ``grid.PRIOR_WELDS`` welds, however many it comes from.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from doe.bench.reading import read_results
from doe.bench.results import Measurement
from doe.errors import DoeError, Fault, StudyError
from doe.models.fit import ResponseFit
from doe.models.measure import fit_measure
from doe.study.model import Response, Study
from doe.study.reading import STUDY_FILE, read_study
from doe.units import convert


def carry_scatter(study: Study, *, seed: int = 1, on_the_way: tuple[Path, ...] = ()) -> Study:
    """Work out the scatter of each response that takes it from an earlier study.

    Parameters
    ----------
    study : Study
    seed : int
        Of the earlier study's fit.
    on_the_way : tuple of Path
        Folders whose scatter is being worked out: an earlier study may itself refer to one before it.

    Returns
    -------
    Study
        With ``expect_scatter`` a number, and ``scatter_from`` saying where it comes from; the fingerprint stays that
        of the question.

    Raises
    ------
    StudyError
        If a folder has no study, no results, or no fit from which the scatter can be told: every fault at once.
    """
    faults: list[Fault] = []
    responses = []
    for response in study.responses:
        carried = response
        if response.scatter_from and response.expect_scatter is None:
            try:
                carried = _carried(study, response, seed=seed, on_the_way=on_the_way)
            except DoeError as error:
                key = f"response.{response.name}.expect_scatter"
                found = f"no scatter can be taken from “{response.scatter_from}”: {error.message}"
                faults += [Fault(found, STUDY_FILE, key=key), *error.faults]
        responses.append(carried)
    if faults:
        message = "The scatter cannot be taken from an earlier study."
        raise StudyError(message, faults)
    return study if tuple(responses) == study.responses else replace(study, responses=tuple(responses))


def _carried(study: Study, response: Response, *, seed: int, on_the_way: tuple[Path, ...]) -> Response:
    """Take one response's scatter from the earlier study."""
    here, folder = study.folder.resolve(), (study.folder / response.scatter_from).resolve()
    if folder in (here, *on_the_way):
        message = "it leads back to this study; name the study in which it was measured"
        raise StudyError(message)
    if not (folder / STUDY_FILE).is_file():
        message = f"there is no study there (no {STUDY_FILE}); name the folder of an earlier study, or give a number"
        raise StudyError(message)
    earlier = carry_scatter(read_study(folder), seed=seed, on_the_way=(here, *on_the_way))
    fit = _fit(earlier, response, seed=seed)
    alone = study.plan.welds_per_plate == 1
    scatter = convert(_scatter(fit, alone=alone), fit.response.unit or "1", response.unit or "1", difference=True)
    source = f"{response.scatter_from}, “{earlier.title}”, {fit.n} welds"
    return replace(response, expect_scatter=scatter, scatter_from=source)


def _fit(earlier: Study, wanted: Response, *, seed: int) -> ResponseFit:
    """Fit the measure of the same name in the earlier study."""
    there = next((r for r in earlier.responses if r.name == wanted.name), None)
    if there is None or there.kind != "measure":
        message = f"that study does not measure “{wanted.name}”"
        raise StudyError(message)
    convert(1.0, there.unit or "1", wanted.unit or "1")  # a depth is not a temperature
    results = read_results(earlier.folder, earlier)
    readings = results.readings[there.name]
    if not isinstance(readings, Measurement) or not np.isfinite(readings.values).any():
        message = f"{wanted.name} was not measured there yet, so there is no fit"
        raise StudyError(message)
    fit = fit_measure(results, there, seed=seed)
    if not fit.can_claim:
        message = (
            f"there is no fit of {wanted.name} from which its scatter can be told. {' '.join(fit.findings)}".strip()
        )
        raise StudyError(message)
    return fit


def _scatter(fit: ResponseFit, *, alone: bool) -> float:
    """Give how much welds scattered as they were read; between plates too where a weld is alone on its plate."""
    spread = fit.numbers["spread"]
    if not isinstance(spread, dict):
        message = f"{fit.name} has no spread"
        raise TypeError(message)
    parts = ("weld", "reading", "plate") if alone else ("weld", "reading")
    return math.hypot(*(float(spread[part] or 0.0) for part in parts))
