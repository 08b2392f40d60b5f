"""Published experiments as study folders: read by the tool's own reading rooms, fitted in textbook mode."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from doe.bench import read_results
from doe.models import fit_responses
from doe.models.fit import Fit
from doe.study import read_study

STUDIES = Path(__file__).parents[3] / "studies"
_done: dict[str, Fit] = {}


def fitted(name: str) -> Fit:
    if name not in _done:
        study = read_study(STUDIES / name)
        _done[name] = fit_responses(read_results(STUDIES / name, study), seed=1, textbook=True)
    return _done[name]


@pytest.mark.parametrize(
    ("study", "response", "term", "estimate", "se"),
    [
        # the printed values of tests/reference; "memory" and "seen" as there
        ("textbook-central-composite", "yield", "time", "0.995", None),
        ("textbook-central-composite", "yield", "temperature^2", "-1.001", None),
        ("textbook-longley", "TOTEMP", "constant", "-3482258.63459582", "890420.383607373"),
        ("textbook-longley", "TOTEMP", "YEAR", "1829.15146461355", "455.478499142212"),
        ("textbook-oats", "yield", "constant", "80.0", None),
        ("textbook-ships", "incidents", "type=B", "-0.54", "0.18"),
        ("textbook-ships", "incidents", "constant", "-6.41", None),
        ("textbook-o-rings", "damage", "temperature", "-0.2322", "0.1082"),
        ("textbook-survival", "relapse", "rx", "0.529", None),
        ("textbook-survival", "relapse", "ecog", "-0.385", "0.527"),
        ("cladding", "width", "current", "0.701", None),
        ("cladding", "penetration", "distance", "0.389", None),
    ],
)
def test_a_study_folder_gives_the_printed_numbers(
    study: str, response: str, term: str, estimate: str, se: str | None, printed: Any
) -> None:  # fmt: skip
    found = next(t for t in fitted(study).response(response).terms if t.term == term)
    assert printed({"value": estimate}, found.estimate)
    assert se is None or printed({"value": se}, found.se)


def test_the_oats_of_a_study_folder_have_three_strata() -> None:
    numbers: Any = fitted("textbook-oats").response("yield").numbers
    rows = {row["source"]: row for row in numbers["anova"]}
    assert (rows["variety"]["denominator_df"], rows["nitrogen"]["denominator_df"]) == (10, 45)
    assert rows["variety"]["f"] == pytest.approx(1.485, abs=6e-4)  # from memory, see tests/reference
    assert numbers["spread"]["plate"] == pytest.approx(10.299, abs=6e-4)
    assert numbers["spread"]["weld"] == pytest.approx(13.307, abs=6e-4)


def test_a_full_column_in_the_results_makes_a_censored_fit() -> None:
    # lognormal fit of NIST 8.4.1.3: AIC 154.39 (seen); the sum of the ten observed log lives goes over to times
    fit = fitted("textbook-censored").response("log life")
    read = fitted("textbook-censored").results.readings["log life"]
    observed = read.values[:, 0] < read.full
    assert observed.sum() == 10
    assert fit.numbers["aic"] + 2 * read.values[observed, 0].sum() == pytest.approx(154.39, abs=6e-3)


def test_every_textbook_fit_gives_likelihood_and_aic() -> None:
    for folder in sorted(STUDIES.glob("textbook-*")):
        for response in fitted(folder.name).responses:
            assert {"log_likelihood", "aic", "residual_df"} <= set(response.numbers)
            assert response.model is None
