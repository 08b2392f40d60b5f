"""The cool-down rule: what makes the answer for first welds serve every weld."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.models.surface import PLATE_TEMPERATURE
from doe.study.model import Factor, PlanWishes
from doe.window import find_window, window_sentences
from doe.window.cool_down import cool_down_assumptions, cool_down_sentence, cool_plate, first_answer

WARM = PlanWishes(welds_per_plate=2, later_welds="warm")
COOLED = PlanWishes(welds_per_plate=2, later_welds="cooled")
PREHEAT = Factor("preheat", "preheat", "degC", (20.0, 70.0, 120.0), hard_to_change=True)
FAHRENHEIT = Factor("preheat", "preheat", "degF", (68.0, 158.0, 248.0), hard_to_change=True)


def welded(bench, plan, *, preheat=None, read=None, units="metric"):
    """Eight welds in pairs; ``read`` gives the plate temperature before first and before later ones. [degC]."""
    voltage = bench.study().factors[0]
    study = bench.study((voltage, *([preheat] if preheat else [])), plan=plan, units=units)
    results = bench.results(study, np.repeat(bench.corners(study), 8 // 2 ** len(study.factors), axis=0))
    if read is None:
        return results
    temperature = np.where(results.position > 1, read[1], read[0])
    return replace(results, conditions={PLATE_TEMPERATURE: temperature})


@pytest.mark.parametrize(
    ("made", "state"),
    [
        ({"plan": PlanWishes(), "preheat": PREHEAT}, ""),
        ({"plan": COOLED, "preheat": PREHEAT, "read": (70.0, 70.0)}, "back at the preheat setting"),
        ({"plan": WARM, "preheat": PREHEAT}, "back at the preheat setting"),
        ({"plan": WARM}, "as cool as a first weld starts"),
        ({"plan": WARM, "read": (23.6, 80.0)}, "back at 24 °C (mean of the first welds)"),
        ({"plan": COOLED, "read": (23.6, 25.0), "units": "us"}, "back at 74 °F (mean of the first welds)"),
    ],
)
def test_how_cool_the_plate_is_is_named_by_what_is_known(bench, made, state):
    assert cool_plate(welded(bench, **made)) == state


@pytest.mark.parametrize(("preheat", "words"), [(PREHEAT, "5 °C above it"), (FAHRENHEIT, "9 °F above it")])
def test_a_mean_excess_over_the_preheat_that_the_fit_counts_with_is_named(bench, preheat, words):
    results = welded(bench, WARM, preheat=preheat)
    set_at = results.planned[:, 1] if preheat is PREHEAT else (results.planned[:, 1] - 32.0) / 1.8
    read = set_at + np.where(results.position > 1, 60.0, 5.0)
    results = replace(results, conditions={PLATE_TEMPERATURE: read})
    assert cool_plate(results) == f"back at the preheat setting (first welds: mean {words})"


def test_one_first_weld_without_a_reading_leaves_no_mean_to_name(bench):
    results = welded(bench, COOLED, read=(24.0, 24.0))
    results.conditions[PLATE_TEMPERATURE][0] = np.nan
    assert cool_plate(results) == "as cool as a first weld starts"
    unmade = replace(results, status=("not run", *results.status[1:]))
    assert cool_plate(unmade) == "back at 24 °C (mean of the first welds)"


def test_the_window_of_first_welds_is_told_with_the_rule_that_makes_it_serve_every_weld(bench):
    study = bench.study(plan=WARM)
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, later_shift=-0.25)}))
    rule = (
        "Wait before each later weld until the plate is as cool as a first weld starts: the first-weld window then "
        "serves every weld."
    )
    both, first, later = (window_sentences(window, answer) for answer in window.answers)
    assert rule in first
    assert rule not in both + later
    assert any("that warmth alone sets them apart was not tested" in line for line in window.assumptions)


def test_the_rule_is_told_also_where_first_welds_alone_can_be_claimed(bench):
    study = bench.study(plan=WARM)
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, later_shift=-1.0)}))
    assert not window.found
    assert first_answer(window) is window.answers[1]
    assert "then serves every weld" in " ".join(window_sentences(window, window.answers[1]))


def test_a_single_setting_is_not_called_a_window_by_the_rule(bench):
    study = bench.study(plan=WARM)
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, later_shift=-0.25)}))
    both, first, later = window.answers
    few = replace(first, single_setting=True)
    assert "the first-weld settings then serve every" in cool_down_sentence(replace(window, answers=(both, few, later)))
    dials = tuple(values[:1] for values in first.box.dials)
    one = replace(few, box=replace(first.box, high=first.box.low, dials=dials))
    assert "the first-weld setting then serves every" in cool_down_sentence(replace(window, answers=(both, one, later)))


def test_nobody_is_made_to_wait_where_first_welds_alone_allow_nothing_else(bench):
    study = bench.study(plan=WARM)
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=4.0)}))
    assert window.answers[1].found
    assert first_answer(window) is None
    assert cool_down_sentence(window) == ""
    assert cool_down_sentence(replace(window, answers=window.answers[:1])) == ""


def test_where_plates_cool_in_between_the_claim_rests_on_it(bench):
    study = bench.study(plan=COOLED)
    window = find_window(bench.fit(study, {"penetration": bench.hill(study)}))
    assert "Before each later weld the plate is as cool as a first weld starts." in window.assumptions
    assert cool_down_sentence(window) == ""
    alone = welded(bench, PlanWishes())
    assert cool_down_assumptions(alone) == ()
