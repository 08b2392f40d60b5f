"""Which trip response takes the breaker's time law, and what is said where one does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.bench.results import Trips
from doe.models.trip import fit_trip
from doe.study.model import Response, Supply


@pytest.fixture
def fit(lug_study, lug_settings, make_results):
    """Fit a lone trip response whose trips follow the load, with the line current read; or one that never tripped."""

    def fit(name: str, *, trips: bool = True):
        response = Response(name, "trip", hold_s=30.0)
        study = replace(lug_study, supply=Supply(230.0, 16.0, "C"), responses=(response,))
        natural = study.coding.to_natural(lug_settings)
        ratio = 1.55 * (natural[:, 0] / 19.5) * (natural[:, 1] / 7.0) ** 0.9
        time_s = 90.0 * (ratio / 1.9) ** -4.5 if trips else np.full(len(ratio), 90.0)
        readings = Trips((time_s < 60.0).astype(float), np.minimum(time_s, 60.0))
        line = {"line current [A]": 16.0 * ratio}
        return fit_trip(make_results(study, lug_settings, {name: readings}, conditions=line), response, seed=1)

    return fit


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("stopped early", "its name does not say what stopped the weld, so it is not taken for the supply's breaker"),
        ("machine stopped", "by its name it is not the supply's breaker, so the breaker's time law is not used for it"),
    ],
)
def test_a_lone_response_that_is_not_named_a_breakers_does_not_take_its_law(fit, name: str, said: str):
    fitted = fit(name)
    assert fitted.conditions["load"] == "unknown"
    assert [t.term for t in fitted.terms] == ["constant", "voltage", "feed", "preheat"]
    assert any(said in line for line in fitted.assumptions)
    assert not any("Line-current readings" in line for line in fitted.assumptions)


def test_one_that_is_named_so_takes_it_and_says_so(fit):
    fitted = fit("breaker opened")
    assert fitted.conditions["load"] == "measured"
    assert any("taken as trips of the supply's 16 A breaker" in line for line in fitted.assumptions)
    assert not any("its name" in line for line in fitted.assumptions)


def test_where_no_cut_out_acted_no_breaker_is_spoken_of(fit):
    assert any(line.startswith("No earth-fault trip was seen. 16 welds") for line in findings(fit, "earth-fault trip"))
    assert any(line.startswith("No breaker trip was seen. 16 welds") for line in findings(fit, "supply holds"))


def findings(fit, name: str) -> tuple[str, ...]:
    return fit(name, trips=False).findings
