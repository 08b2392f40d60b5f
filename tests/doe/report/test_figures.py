from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.models.diagnostics import diagnose
from doe.report import figures
from doe.report.contents import every_figure
from doe.report.drawing import curve_figures, residual_figure, response_points
from doe.report.figures import Axis, CurvePanel, CurveStyle, curve_drawing, draw_panels, to_png, to_svg
from doe.report.writing import write_figures
from doe.study.model import Factor


def test_the_same_input_gives_the_same_files(answered, tmp_path, monkeypatch):
    monkeypatch.setattr("doe.report.contents.diagnose", lambda fit, at: ())  # no residuals: curves will do
    window = replace(answered.window, maps=())
    fit = replace(answered.fit, responses=answered.fit.responses[:1])
    once, twice = write_figures(fit, window, tmp_path / "a"), write_figures(fit, window, tmp_path / "b")
    assert [path.name for path in once] == [
        f"curves-penetration-{shape}.{kind}" for shape in ("wide", "narrow") for kind in ("svg", "png")
    ]
    for first, second in zip(once, twice, strict=True):
        assert first.read_bytes() == second.read_bytes()
        assert len(first.read_bytes()) > 5_000


def test_every_response_has_curves_and_residuals(answered):
    names = [drawn.name for drawn in every_figure(answered.fit, replace(answered.window, maps=()))]
    responses = ("penetration", "porosity", "trip")
    assert names == [*(f"curves-{name}" for name in responses), *(f"residuals-{name}" for name in responses)]


def test_curves_tell_their_ends_in_words(answered):
    drawn = next(curve_figures(answered.fit, answered.window))
    assert len(drawn.texts) == 3
    assert "90 % confidence band and the 90 % prediction band" in drawn.texts[0]
    assert "average penetration, mm is" in drawn.texts[0]


def test_a_chance_has_no_prediction_band(answered):
    trips = list(curve_figures(answered.fit, answered.window))[2]
    labels = " ".join(str(entry.get_label()) for entry in trips.legend)
    assert "confidence band" in labels
    assert "prediction band" not in labels


def test_depth_is_drawn_in_the_unit_results_are_shown_in(answered):
    study = replace(answered.fit.results.study, units="us")
    fit = replace(answered.fit, results=replace(answered.fit.results, study=study))
    drawn = next(curve_figures(fit, replace(answered.window, study=study)))
    figure, _ = next(drawn.panels())
    place = figure.axes[0]
    assert place.get_ylabel() == "penetration, in"
    rings = place.lines[-1].get_ydata()
    depth = response_points(study.responses[0], fit.results)
    np.testing.assert_allclose(rings, depth / 25.4, rtol=1e-12)  # 1 in = 25.4 mm, exact by definition


def test_only_settings_that_may_be_welded_are_drawn(answered):
    study = answered.window.study
    feed = replace(study.factors[1], ranges=(("A", 5.0, 7.0), ("B", 5.0, 9.0)), range_by="wire")
    assert feed.ranges
    wire = Factor("wire", kinds=("A", "B"))
    axis = Axis("wire", np.arange(2.0), ("A", "B"))
    values = np.array([1.0, np.nan])
    posts = CurvePanel(
        "wire", axis, values, values - 0.1, values + 0.1, values - 1, values + 1, values, values, is_kind=wire.is_kind
    )
    figure = draw_panels([curve_drawing(posts, CurveStyle("depth", 0.0, 2.0))])
    heights = [patch.get_height() for patch in figure.axes[0].patches]
    assert np.isfinite(heights).sum() == 2


def test_confidence_and_prediction_never_share_a_colour():
    assert figures.CONFIDENCE_COLOUR != figures.PREDICTION_COLOUR
    grey = [
        sum(w * int(c[i : i + 2], 16) for w, i in ((0.299, 1), (0.587, 3), (0.114, 5)))
        for c in (figures.CONFIDENCE_COLOUR, figures.PREDICTION_COLOUR)
    ]
    assert abs(grey[0] - grey[1]) > 60  # told apart in grey too


def test_residuals_of_readings_are_set_against_normal_scores(answered):
    checks = {d.response: d for d in diagnose(answered.fit)}
    depth = residual_figure(
        answered.fit.response("penetration"), checks["penetration"].residuals, answered.window.study
    )
    pores = residual_figure(answered.fit.response("porosity"), checks["porosity"].residuals, answered.window.study)
    assert len(depth.drawings) == 3
    assert len(pores.drawings) == 2
    figure, _ = list(depth.panels())[2]
    scores, residuals = figure.axes[0].lines[1].get_data()
    assert (np.diff(scores) > 0).all()
    assert (np.diff(residuals) >= 0).all()
    assert scores.sum() == pytest.approx(0.0, abs=1e-9)


def test_a_picture_carries_no_date(answered):
    drawn = next(curve_figures(answered.fit, answered.window))
    svg = to_svg(drawn.whole(1))
    assert svg.startswith("<svg")
    assert "<dc:date>" not in svg
    assert to_png(drawn.whole(1))[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_dollar_sign_in_a_name_is_drawn_as_it_stands():
    axis = Axis("cost $x^{$, mark", np.arange(2.0), ("$1", "2$"))
    values = np.ones(2)
    panel = CurvePanel("$x^{$", axis, values, values, values, values, values, values, values)
    figure = draw_panels([curve_drawing(panel, CurveStyle("depth $_{$", 0.0, 2.0))])
    assert to_svg(figure).count("<svg") == 1
