"""No claim where draws did not settle: a fit that settled once may not do so when it is drawn afresh for the claim."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from doe.errors import CannotAnswerError
from doe.models.fit import Fit, Model, Posterior
from doe.study.model import Response
from doe.window import box_confidence, find_window, next_welds
from doe.window.compare import compare_studies
from doe.window.explore import open_explorer
from doe.window.foretold import foretell
from doe.window.posing import draw_source, open_inquiry, required_fits
from doe.window.prospect import quick_box

ANEW = "did not settle when it was worked out anew"
PENETRATION, WIDTH = Response("penetration", "measure", "mm", at_least=1.0), Response("width", "measure", "mm")


@dataclass
class Shaky:
    """Draws that settle so many times, and never again."""

    model: Model
    n_settled: int = 0

    def draw(self, n_draws: int, rng: np.random.Generator) -> Posterior:
        self.n_settled -= 1
        return replace(self.model.draw(n_draws, rng), settled=self.n_settled >= 0)  # type: ignore[type-var]


def shaken(fit: Fit, name: str = "penetration", n_settled: int = 0) -> Fit:
    """Give a fit of which one response settled, and whose draws do so only a few times more."""
    parts = [replace(f, model=Shaky(f.model, n_settled)) if f.name == name else f for f in fit.responses]
    return replace(fit, responses=tuple(parts))


@pytest.fixture
def fit(bench):
    study = bench.study()
    return bench.fit(study, {"penetration": bench.hill(study)})


@pytest.mark.parametrize("n_settled", [0, 1, 2], ids=["looking around", "finding the box", "checking it"])
def test_no_window_where_any_draws_behind_it_did_not_settle(fit, n_settled):
    assert find_window(fit).found
    window = find_window(shaken(fit, n_settled=n_settled))
    assert not window.found
    assert window.findings == (f"The fit of penetration {ANEW}; no claim.",)
    assert window.to_dict()["if_not"]["limiting"] == "penetration"
    assert window.to_dict()["if_not"]["reliability_claimable"] is None


def test_only_the_response_that_did_not_settle_is_named(bench):
    study = bench.study(responses=(PENETRATION, Response("leg", "measure", "mm", at_least=1.0)))
    fit = bench.fit(study, {"penetration": bench.hill(study), "leg": bench.hill(study)})
    assert find_window(shaken(fit, "leg")).findings == (f"The fit of leg {ANEW}; no claim.",)


def test_a_box_has_no_confidence_where_draws_did_not_settle(fit):
    box = find_window(fit).answer.box
    assert box_confidence(fit, box) >= 0.9
    with pytest.raises(CannotAnswerError, match=ANEW):
        box_confidence(shaken(fit), box)


def test_a_response_without_a_requirement_costs_no_claim_but_is_not_told(bench):
    study = bench.study(responses=(PENETRATION, WIDTH))
    fit = bench.fit(study, {"penetration": bench.hill(study), "width": bench.hill(study)})
    window = find_window(shaken(fit, "width"))
    assert window.found
    assert list(window.answer.best.responses) == ["penetration"]
    assert any(f"The fit of width {ANEW}, so what to expect of it is not told." in f for f in window.answer.findings)
    before = find_window(fit).answer.box
    assert (window.answer.box.low, window.answer.box.high) == (before.low, before.high)


@pytest.mark.parametrize("n_settled", [0, 1, 2])
def test_the_next_welds_are_placed_and_said_to_be_a_guess(fit, n_settled):
    plan = next_welds(shaken(fit, n_settled=n_settled), n=4, machines=0)
    assert len(plan.welds) == 4
    assert f"penetration {ANEW}; no claim." in plan.words()[0]
    assert "is a guess" in plan.words()[0]
    assert plan.expected is None
    assert ANEW not in " ".join(next_welds(fit, n=4, machines=0).words())


def test_nothing_is_expected_where_only_the_machines_did_not_settle(fit):
    class Machines(Shaky):
        def draw(self, n_draws, rng):
            return replace(self.model.draw(n_draws, rng), settled=n_draws != 3)

    part = replace(fit.responses[0], model=Machines(fit.responses[0].model))
    plan = next_welds(replace(fit, responses=(part,)), n=2, machines=3)
    assert plan.expected is None
    assert f"The fit of penetration {ANEW}" in plan.notes[0]


def test_a_simulated_study_whose_draws_do_not_settle_has_no_window(fit, monkeypatch):
    monkeypatch.setattr("doe.window.prospect.fit_responses", lambda results, seed: fit)
    assert quick_box(fit.results, seed=1) is not None
    monkeypatch.setattr("doe.window.prospect.fit_responses", lambda results, seed: shaken(fit, n_settled=1))
    assert quick_box(fit.results, seed=1) is None


def test_no_setting_can_be_explored_and_nothing_is_foretold(fit, monkeypatch):
    assert open_explorer(shaken(fit), find_window(fit)) is None
    monkeypatch.setattr("doe.window.foretold.fit_responses", lambda results, seed: shaken(fit))
    assert foretell(fit.results, [0], stage=2, seed=1) == ()


@pytest.mark.parametrize("n_settled", [0, 1, 2], ids=["looking around", "finding the box", "checking it"])
def test_a_side_whose_draws_did_not_settle_has_no_card(bench, fit, n_settled):
    assert compare_studies(fit, bench.fit(fit.results.study, {"penetration": bench.hill(fit.results.study)})).card
    comparison = compare_studies(fit, shaken(fit, n_settled=n_settled))
    assert comparison.card is None
    assert comparison.sides[0].box is not None
    assert comparison.sides[1].box is None
    assert comparison.sides[1].blocked == ("penetration",)
    assert any("penetration cannot be judged" in finding for finding in comparison.findings)
    assert comparison.places[0].differences == ()
    assert any(f"penetration is not compared: its fit {ANEW}" in why for why in comparison.not_compared)


def test_no_card_for_both_where_only_the_draws_that_check_it_did_not_settle(fit):
    """Both windows stand: looking around, finding and checking a side alone take three draws."""
    comparison = compare_studies(fit, shaken(fit, n_settled=3))
    assert all(side.box is not None for side in comparison.sides)
    assert comparison.card is None
    assert any(f"penetration {ANEW}; no claim." in finding for finding in comparison.findings)


def test_whoever_goes_on_without_a_claim_takes_the_names_down(fit):
    names: set[str] = set()
    assert draw_source(required_fits(fit), fit, 1, unsettled=names)(0, 10).unsettled == ()
    assert names == set()
    assert open_inquiry(shaken(fit), seed=1, unsettled=names).claim_draws.unsettled == ("penetration",)
    assert names == {"penetration"}
    with pytest.raises(CannotAnswerError, match=ANEW):
        open_inquiry(shaken(fit), seed=1)
