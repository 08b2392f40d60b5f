from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.bench.results import Counts, Measurement, Passes, Trips
from doe.report import map_figure
from doe.report.drawing import main_dials
from doe.report.figures import draw_panels
from doe.report.map_drawing import (
    PANELS,
    ground_between_welds,
    load_trend,
    map_figures,
    outcome_of,
    supply_ratios,
)
from doe.report.map_figure import MapLine, MapPanel, WeldDots, map_drawing, map_legend
from doe.study.model import Factor, Limit, Response
from doe.window.welded import outside_hull


def test_nothing_is_drawn_outside_the_hull_of_the_welds_or_beyond_a_limit(answered):
    window, results = answered.window, answered.fit.results
    grid = np.column_stack([axis.ravel() for axis in np.meshgrid(*window.axes, indexing="ij")])
    tested = ground_between_welds(window, results)
    np.testing.assert_array_equal(tested.ravel(), ~outside_hull(results, grid))
    walled = replace(window, reachable=np.zeros_like(window.reachable))
    assert not ground_between_welds(walled, results).any()


def test_with_too_many_factors_the_ranges_that_were_welded_stand_for_the_hull(answered, monkeypatch):
    monkeypatch.setattr("doe.report.map_drawing.inside_hulls", lambda results, grid, seen: None)
    np.testing.assert_array_equal(
        ground_between_welds(answered.window, answered.fit.results), answered.window.claimable
    )


def test_there_is_a_map_for_each_preheat_with_every_weld_on_one_of_them(answered):
    (drawn,) = map_figures(answered.fit, answered.window)
    assert len(drawn.drawings) == len(drawn.texts) == 3
    made = [int(text.split(" welds (")[0].rsplit(" ", 1)[1]) for text in drawn.texts]
    assert sum(made) == answered.fit.results.n_welds
    assert all("of welds expected good" in text for text in drawn.texts)


def test_each_panel_can_be_drawn_alone_and_with_the_others(answered):
    (drawn,) = map_figures(answered.fit, answered.window)
    assert len([figure for figure, _ in drawn.panels()]) == 3
    wide, narrow = drawn.whole(3), drawn.whole(1)
    assert wide.get_figwidth() > 2.5 * narrow.get_figwidth()
    assert [place.get_title(loc="left") for place in wide.axes] == ["preheat 20 °C", "preheat 70 °C", "preheat 120 °C"]


def test_a_study_of_one_dial_has_no_map(answered):
    study = answered.window.study
    window = replace(answered.window, study=replace(study, factors=study.factors[:1]))
    assert list(map_figures(answered.fit, window)) == []


def test_feed_lies_along_and_voltage_up(hinge):
    assert main_dials(hinge) == (1, 0)
    other = replace(hinge, factors=(Factor("gap", values=(0.0, 1.0)), Factor("angle", values=(5.0, 15.0))))
    assert main_dials(other) == (0, 1)


# --- the supply's band and the limits


def test_the_breakers_band_is_drawn_where_the_load_is_known(answered):
    assert load_trend(answered.fit) is not None
    (drawn,) = map_figures(answered.fit, answered.window)
    assert "load over the breaker’s rating" in [entry.get_label() for entry in drawn.legend]
    assert "IEC 60898-1" in drawn.caption
    unknown = replace(answered.fit, responses=answered.fit.responses[:2])
    (without,) = map_figures(unknown, answered.window)
    assert "load over the breaker’s rating" not in [entry.get_label() for entry in without.legend]
    assert "was not read" in without.caption


@pytest.mark.parametrize(("curve", "ratios"), [("C", (1.13, 1.45, 2.55)), ("UL", (1.0, 1.35, 2.0)), ("", ())])
def test_the_band_is_that_of_the_breakers_own_standard(hinge, curve, ratios):
    # IEC 60898-1 and UL 489 test currents: tests/doe/trade checks the constants and their sources
    study = replace(hinge, supply=replace(hinge.supply, curve=curve))
    assert supply_ratios(study) == ratios


def test_a_limit_is_drawn_where_it_lies(answered):
    study = answered.window.study
    limit = Limit((("voltage", 1.0), ("feed", -0.9)), 15.0, "voltage - 0.9*feed <= 15", "burn-back")
    window = replace(answered.window, study=replace(study, limits=(limit,)))
    (drawn,) = map_figures(answered.fit, window)
    assert "limit: burn-back" in [entry.get_label() for entry in drawn.legend]
    figure, _ = next(drawn.panels())
    lines = [path for line in figure.axes[0].collections if hasattr(line, "levels") for path in line.get_paths()]
    volts, feeds = window.axes[0], window.axes[1]
    known = [
        vertex
        for path in lines
        for vertex in path.vertices
        if 0 <= vertex[0] <= len(feeds) - 1 and 0 <= vertex[1] <= len(volts) - 1
    ]
    off = [
        np.interp(y, np.arange(len(volts)), volts) - 0.9 * np.interp(x, np.arange(len(feeds)), feeds) - 15.0
        for x, y in known
    ]
    assert min(abs(value) for value in off) < 0.1


def panel(**changes: object) -> MapPanel:
    ones = np.ones((2, 3))
    axis = map_figure.Axis("feed, m/min", np.arange(3.0), ("5", "6", "7"))
    up = map_figure.Axis("voltage, mark", np.arange(2.0), ("1", "2"))
    welds = WeldDots(np.zeros(5), np.zeros(5), tuple("12345"), ("good", "not good", "trip", "not judged", "good"))
    base = MapPanel("preheat 20 °C", axis, up, 0.8 * ones, 0.7 * ones, None, None, welds)
    return replace(base, **changes)


def test_unclaimed_ground_is_hatched_and_claimed_ground_is_not():
    low = np.array([[0.95, 0.2, np.nan], [0.2, 0.95, 0.2]])
    figure = map_figure_of(panel(low=low, expected=np.where(np.isnan(low), np.nan, 0.95)))
    hatched = [patch for patch in figure.axes[0].patches if patch.get_hatch()]
    cells = sum(len(patch.get_path().vertices) // 5 for patch in hatched)
    assert cells == 3


def map_figure_of(one: MapPanel):
    return draw_panels([map_drawing(one, 0.9)])


def test_welds_at_one_setting_do_not_hide_one_another():
    shifts = list(map_figure._side_by_side(5))
    assert len(set(shifts)) == 5
    assert min(np.hypot(a - c, b - d) for a, b in shifts for c, d in shifts if (a, b) != (c, d)) > 0.1


def test_only_outcomes_that_were_seen_are_in_the_legend():
    labels = [entry.get_label() for group in map_legend([panel()], 0.9) for entry in group.entries]
    assert {"weld, good", "weld, not good", "trip", "weld, not judged"} <= set(labels)
    assert "trip after the time to hold, weld good" not in labels
    assert ("window" in labels) == (panel().window is not None)
    assert "18 of 20 cannot be claimed" in labels


def test_a_line_that_does_not_cross_the_map_is_left_out():
    flat = MapLine("supply", "1.13×", np.arange(3.0), np.arange(2.0), np.full((2, 3), 0.5), 1.13)
    masked = replace(flat, values=np.full((2, 3), np.nan))
    figure = map_figure_of(panel(lines=(flat, masked)))
    assert not [c for c in figure.axes[0].collections if hasattr(c, "levels")]


# --- outcomes


def results_with(answered, **readings):
    results = answered.fit.results
    n = results.n_welds
    blank = {
        "penetration": Measurement(np.full((n, 1), np.nan), np.full(n, np.inf)),
        "porosity": Counts(np.full(n, np.nan), np.full(n, 100.0)),
        "trip": Trips(np.full(n, np.nan), np.full(n, np.nan)),
    }
    return replace(results, readings={**blank, **readings})


def of_first(answered, value, kind):
    n = answered.fit.results.n_welds
    if kind == "depth":
        return {"penetration": Measurement(np.full((n, 1), value), np.full(n, np.inf))}
    if kind == "pores":
        return {"porosity": Counts(np.full(n, value[0]), np.full(n, value[1]))}
    return {"trip": Trips(np.full(n, value[0]), np.full(n, value[1]))}


@pytest.mark.parametrize(
    ("kind", "value", "outcome"),
    [
        ("depth", 1.2, "good"),
        ("depth", 1.1, "not good"),
        ("pores", (2.0, 100.0), "good"),
        ("pores", (3.0, 100.0), "not good"),
        ("pores", (3.0, 50.0), "not good"),
        ("pores", (4.0, 200.0), "good"),
        ("pores", (5.0, 200.0), "not good"),
        ("trip", (0.0, 60.0), "good"),
        ("trip", (1.0, 12.0), "trip"),
        ("trip", (1.0, 45.0), "late trip, good"),
        ("trip", (1.0, np.nan), "trip"),
    ],
)
def test_a_weld_is_judged_by_what_was_read_on_it(answered, kind, value, outcome):
    assert outcome_of(results_with(answered, **of_first(answered, value, kind)), 0) == outcome


def test_a_weld_on_which_nothing_was_read_is_not_judged(answered):
    assert outcome_of(results_with(answered), 0) == "not judged"


def test_pass_or_fail_is_judged(answered):
    results = results_with(answered)
    study = replace(results.study, responses=(Response("root fused", "pass"),))
    n = results.n_welds
    read = replace(results, study=study, readings={"root fused": Passes(np.resize([1.0, 0.0, np.nan], n))})
    assert [outcome_of(read, i) for i in range(3)] == ["good", "not good", "not judged"]


def test_more_settings_than_panels_are_held_at_the_reference(answered):
    study = answered.window.study
    many = Factor("gap", values=tuple(np.arange(PANELS + 1.0)))
    window = answered.window
    shape = (*window.reachable.shape, PANELS + 1)

    def spread(values):
        return np.broadcast_to(values[..., None], shape)

    maps = tuple(
        replace(m, expected=spread(m.expected), low=spread(m.low), chance=spread(m.chance)) for m in window.maps
    )
    answers = tuple(
        replace(a, box=None, working=None, best=replace(a.best, settings=(*a.best.settings, 3.0)) if a.best else None)
        for a in window.answers
    )
    wide = replace(
        window,
        study=replace(study, factors=(*study.factors, many)),
        axes=(*window.axes, many.positions),
        reachable=spread(window.reachable),
        claimable=spread(window.claimable),
        maps=maps,
        answers=answers,
    )
    results = answered.fit.results
    settings = np.column_stack([results.settings, np.full(results.n_welds, 3.0)])
    fit = replace(
        answered.fit, results=replace(results, study=wide.study, settings=settings, planned=settings), responses=()
    )
    (drawn,) = map_figures(fit, wide)
    assert len(drawn.drawings) == 3
    assert "The other dials are held at gap 3" in drawn.caption
    made = [int(text.split(" welds (")[0].rsplit(" ", 1)[1]) for text in drawn.texts]
    assert sum(made) == results.n_welds


def test_the_legend_names_a_window_only_where_one_is_drawn():
    def labels(of):
        return {entry.get_label() for group in map_legend([of], 0.9) for entry in group.entries}

    with_window, without = panel(), replace(panel(), window=None, working=None)
    assert "window" not in labels(without)
    assert "working region" not in labels(without)
    assert "window" in labels(replace(with_window, window=(0, 1, 0, 1)))


def test_the_legend_stands_in_groups_that_can_flow_side_by_side(answered):
    drawn = next(map_figures(answered.fit, answered.window))
    figures = list(drawn.legend_figures())
    assert [group.title for group in drawn.legend_groups] == [
        "expected share of good welds",
        "ground and lines",
        "welds made",
    ]
    assert (
        max(figure.get_size_inches()[1] for figure, _ in figures) < 2.0
    )  # a third of a screen, where all was one tall
    assert all(text.startswith("Legend, ") for _, text in figures)
