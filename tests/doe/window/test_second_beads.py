"""Second beads from the fit to the next welds and the confirmation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.bench.results import Counts, Measurement, Trips
from doe.models import diagnose, fit_responses
from doe.models.fit import Fit
from doe.models.surface import PLATE_TEMPERATURE, find_start, plate_temperatures, start_settings
from doe.planning.making import plan_welds
from doe.planning.plan import Plan
from doe.study.model import Study
from doe.virtual import WELDERS, Bench, weld_plan
from doe.window import confirm_window, find_window, next_welds
from doe.window.posing import draw_source, required_fits
from doe.window.simulated import simulate_results

_MADE: dict[bool, tuple[Plan, Fit]] = {}


def made(study: Study, *, second: bool = True) -> tuple[Plan, Fit]:
    """Plan, weld and fit once each; the study stands in the folder of the test that asks."""
    if second not in _MADE:
        wishes = replace(study.plan, second_bead=second, welds=24, stages=(24,))
        plan = plan_welds(replace(study, plan=wishes), seed=1, starts=4)
        results = weld_plan(plan, WELDERS["hinge lugs"], rng=np.random.default_rng(8), bench=Bench(inspected=4.5))
        _MADE[second] = plan, fit_responses(results, seed=1)
    plan, fit = _MADE[second]
    here = replace(fit.results.study, folder=study.folder)
    return replace(plan, study=here), replace(fit, results=replace(fit.results, study=here))


def test_measures_and_trips_are_fitted_as_if_no_second_bead_were_there(hinge: Study):
    both, alone = (made(hinge, second=second)[1].to_dict()["responses"] for second in (True, False))
    assert both["penetration"] == alone["penetration"]
    assert both["trip"] == alone["trip"]
    assert both["porosity"]["n"] == 2 * alone["porosity"]["n"] == 48


def test_repeats_of_the_count_narrow_its_mean(hinge: Study):
    widths = [
        [
            term["high"] - term["low"]
            for term in made(hinge, second=second)[1].to_dict()["responses"]["porosity"]["terms"]
        ]
        for second in (True, False)
    ]
    assert np.mean(widths[0]) < np.mean(widths[1])


def test_no_finding_misses_a_second_beads_section(hinge: Study):
    _, fit = made(hinge)
    assert not any("no reading on" in line for part in fit.responses for line in part.findings)
    lost = fit.results.readings["penetration"]
    assert isinstance(lost, Measurement)
    values = lost.values.copy()
    values[fit.results.weld.index("W01")] = np.nan
    without = replace(fit.results, readings=fit.results.readings | {"penetration": Measurement(values, lost.full)})
    findings = fit_responses(without, seed=1).responses[0].findings
    assert any("penetration has no reading on 1 of 24 welds made (W01)" in line for line in findings)


def test_drift_and_left_out_plates_are_looked_at_with_second_beads(hinge: Study):
    depth, pores, _ = diagnose(made(hinge)[1])
    assert depth.left_out is not None
    assert pores.left_out is not None
    assert (depth.left_out.n, pores.left_out.n) == (24, 48)
    assert pores.drift is not None


def test_a_depth_written_for_a_second_bead_is_read(hinge: Study):
    _, fit = made(hinge)
    depth = fit.results.readings["penetration"]
    assert isinstance(depth, Measurement)
    i = int(np.flatnonzero(fit.results.is_second)[0])
    values = depth.values.copy()
    values[i, 0] = 1.9
    again = fit_responses(
        replace(fit.results, readings=fit.results.readings | {"penetration": Measurement(values, depth.full)}), seed=1
    )
    assert again.to_dict()["responses"]["penetration"]["n"] == 25


def test_the_next_welds_bring_their_second_beads(hinge: Study):
    plan, fit = made(hinge)
    found = next_welds(fit, n=4, machines=2)
    assert [w.weld for w in found.designed] == ["W25", "W26", "W27", "W28"]
    assert [w.weld for w in found.second_beads] == ["W25b", "W26b", "W27b", "W28b"]
    assert {w.role for w in found.designed} == {"next"}
    assert min(w.order for w in found.welds) == max(w.order for w in plan.welds) + 1 == 49
    assert set(found.reasons) == {w.weld for w in found.designed}
    assert "What to expect of the next 4 welds" in " ".join(found.words())
    assert "W25b is the second bead of W25" in " ".join(found.words())
    alone = next_welds(made(hinge, second=False)[1], n=4, machines=0)
    assert not alone.second_beads
    assert not any("second bead" in line for line in alone.words())


def test_made_welds_are_counted_without_second_beads(hinge: Study):
    _, fit = made(hinge)
    study = replace(fit.results.study, plan=replace(fit.results.study.plan, welds=28, stages=(24, 4)))
    more = replace(fit, results=replace(fit.results, study=study))
    assert len(next_welds(more, machines=0).designed) == 4


def test_simulated_second_beads_are_only_counted(hinge: Study):
    _, fit = made(hinge)
    welds = next_welds(fit, n=4, machines=0).welds
    required = required_fits(fit)
    drawn = draw_source(required, fit, 1)(50, 2)
    posteriors = dict(zip(drawn.names, drawn.posteriors, strict=True))
    new = simulate_results(fit.results, posteriors, welds, draw=1, seed=1)
    second = new.is_second[-8:]
    assert second.sum() == 4
    depth, pores, trips = (new.readings[name] for name in ("penetration", "porosity", "trip"))
    assert isinstance(depth, Measurement)
    assert isinstance(pores, Counts)
    assert isinstance(trips, Trips)
    np.testing.assert_array_equal(np.isnan(depth.values[-8:, 0]), second)
    np.testing.assert_array_equal(np.isnan(trips.tripped[-8:]), second)
    assert np.isfinite(pores.counts[-8:]).all()
    np.testing.assert_array_equal(np.isnan(new.conditions["line current [A]"][-8:]), second)


def test_confirmation_welds_have_no_second_bead(hinge: Study):
    _, fit = made(hinge)
    window = find_window(fit)
    assert window.answer.box is not None
    assert window.n_welds == 24
    plan = confirm_window(fit).plan
    assert {w.role for w in plan.welds} == {"confirm"}
    assert min(w.order for w in plan.welds) == 49
    assert plan.welds[0].weld == "W25"


def test_a_second_bead_on_a_warm_plate_starts_as_its_first_did(hinge: Study):
    plan, fit = made(hinge)
    warm = replace(plan.study, plan=replace(plan.study.plan, later_welds="warm"))
    first = ~fit.results.is_second
    preheat = fit.results.planned[:, 2]
    temperature = np.where(first, preheat + np.where(fit.results.position > 1, 35.0, 2.0), np.nan)
    conditions = fit.results.conditions | {PLATE_TEMPERATURE: temperature}
    results = replace(fit.results, study=warm, conditions=conditions)
    start = find_start(results)
    assert (start.rule, start.first, start.later) == ("preheat", pytest.approx(2.0), pytest.approx(35.0))
    np.testing.assert_allclose(
        start_settings(results, start)[:, 2], preheat + np.where(results.position > 1, 35.0, 2.0)
    )
    own = temperature.copy()
    own[int(np.flatnonzero(~first)[0])] = 66.0
    noted = replace(results, conditions=conditions | {PLATE_TEMPERATURE: own})
    assert plate_temperatures(noted)[~first][0] == 66.0
